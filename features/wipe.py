"""Travel at the instants, the wipe between them, and the speed at parting."""

from __future__ import annotations

import math

from drm.features.observation import Observation
from drm.quantity import NOTHING, Quantity

__all__ = ["arcing_contact_mm", "arcing_wipe_mm", "main_contact_mm", "parting_speed_m_s"]


def _position(o: Observation, mm: float, instant: Quantity) -> Quantity:
    if not math.isfinite(mm):
        return NOTHING
    along = 1e3 * o.speed_at(instant) * instant.u
    return Quantity(mm, math.hypot(along, o.travel_u_mm, o.travel_rel * mm, o.linkage_mm))


def main_contact_mm(o: Observation) -> Quantity:
    """Travel at the main contact's instant, mm from the closed position."""
    return _position(o, o.main_mm, o.main_s)


def arcing_contact_mm(o: Observation) -> Quantity:
    """Travel at the arcing contact's instant, mm from the closed position."""
    return _position(o, o.arcing_mm, o.arcing_s)


def arcing_wipe_mm(o: Observation) -> Quantity:
    """Travel between the main and the arcing contact's instants, mm.

    The linkage between sensor and contact is the same at both instants and cancels; the travel's scale does not.
    """
    wipe = o.arcing_mm - o.main_mm
    if not math.isfinite(wipe):
        return NOTHING
    along = 1e3 * math.hypot(o.speed_at(o.main_s) * o.main_s.u, o.speed_at(o.arcing_s) * o.arcing_s.u)
    return Quantity(wipe, math.hypot(along, math.sqrt(2.0) * o.travel_u_mm, o.travel_rel * wipe))


def parting_speed_m_s(o: Observation) -> Quantity:
    """Speed at the arcing contact's instant, m/s."""
    speed = o.speed_at(o.arcing_s)
    if not math.isfinite(speed):
        return NOTHING
    # The slope is taken over about a millisecond: a reading's uncertainty over that stretch, twice.
    return Quantity(speed, math.hypot(o.travel_rel * speed, math.sqrt(2.0) * o.travel_u_mm / 1.0))
