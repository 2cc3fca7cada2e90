"""Instants and durations, in ms from the operation's reference."""

from __future__ import annotations

from drm.features.observation import Observation
from drm.features.sources import Which, minus, of_instant
from drm.quantity import NOTHING, Quantity
from drm.uncertainty import combined

__all__ = ["arcing_contact_ms", "arcing_wipe_ms", "commutation_ms", "main_contact_ms"]


def _since(o: Observation, which: Which) -> Quantity:
    instant = o.main_s if which == "main" else o.arcing_s
    if not instant:
        return NOTHING
    parts = {**of_instant(o, which), "skew": 1e3 * o.skew_s, "reference_s": -1e3 * o.reference_u_s}
    return combined(1e3 * (instant.value - o.reference_s), parts)


def main_contact_ms(o: Observation) -> Quantity:
    """Middle of the commutation, ms from the reference."""
    return _since(o, "main")


def arcing_contact_ms(o: Observation) -> Quantity:
    """Last loss (opening) or first gain (closing) of metallic contact, ms from the reference."""
    return _since(o, "arcing")


def commutation_ms(o: Observation) -> Quantity:
    """Duration of the current's move between main and arcing contact, ms."""
    c = o.commutation_s
    return combined(1e3 * c.value, {"commutation_s": 1e3 * c.u}) if c else NOTHING


def arcing_wipe_ms(o: Observation) -> Quantity:
    """Time between the main and the arcing contact's instants, ms; reference and common delay cancel."""
    if not (o.main_s and o.arcing_s):
        return NOTHING
    apart = 1e3 * (o.arcing_s.value - o.main_s.value)
    sign = 1.0 if apart >= 0.0 else -1.0
    parts = minus(of_instant(o, "arcing"), of_instant(o, "main"))
    return combined(abs(apart), {name: sign * part for name, part in parts.items()})
