"""Instants and durations, in ms from the operation's reference."""

from __future__ import annotations

import math

from drm.features.observation import Observation
from drm.quantity import NOTHING, Quantity

__all__ = ["arcing_contact_ms", "arcing_wipe_ms", "commutation_ms", "main_contact_ms"]


def _since(o: Observation, instant: Quantity) -> Quantity:
    if not instant:
        return NOTHING
    return Quantity(1e3 * (instant.value - o.reference_s), 1e3 * math.hypot(instant.u, o.reference_u_s))


def main_contact_ms(o: Observation) -> Quantity:
    """Middle of the commutation, ms from the reference."""
    return _since(o, o.main_s)


def arcing_contact_ms(o: Observation) -> Quantity:
    """Last loss (opening) or first gain (closing) of metallic contact, ms from the reference."""
    return _since(o, o.arcing_s)


def commutation_ms(o: Observation) -> Quantity:
    """Duration of the current's move between main and arcing contact, ms."""
    c = o.commutation_s
    return Quantity(1e3 * c.value, 1e3 * c.u) if c else NOTHING


def arcing_wipe_ms(o: Observation) -> Quantity:
    """Time between the main and the arcing contact's instants, ms; the reference cancels."""
    if not (o.main_s and o.arcing_s):
        return NOTHING
    return Quantity(1e3 * abs(o.arcing_s.value - o.main_s.value), 1e3 * math.hypot(o.arcing_s.u, o.main_s.u))
