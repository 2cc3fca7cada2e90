"""Travel at the instants, the wipe between them, and the speed at parting."""

from __future__ import annotations

import math

from drm.features.observation import Observation
from drm.features.sources import Which, minus, of_instant, of_position
from drm.quantity import NOTHING, Quantity
from drm.uncertainty import combined

__all__ = ["arcing_contact_mm", "arcing_wipe_mm", "main_contact_mm", "parting_speed_m_s"]


def _position(o: Observation, which: Which) -> Quantity:
    mm = o.main_mm if which == "main" else o.arcing_mm
    return combined(mm, of_position(o, which)) if math.isfinite(mm) else NOTHING


def main_contact_mm(o: Observation) -> Quantity:
    """Travel at the main contact's instant, mm from the closed position."""
    return _position(o, "main")


def arcing_contact_mm(o: Observation) -> Quantity:
    """Travel at the arcing contact's instant, mm from the closed position."""
    return _position(o, "arcing")


def arcing_wipe_mm(o: Observation) -> Quantity:
    """Travel between the main and the arcing contact's instants, mm.

    The zero of travel and the linkage between sensor and contact are the same at both instants and cancel; skew and
    common delay cancel as far as the speed is the same; the travel's scale does not.
    """
    wipe = o.arcing_mm - o.main_mm
    if not math.isfinite(wipe):
        return NOTHING
    return combined(wipe, minus(of_position(o, "arcing"), of_position(o, "main")))


def parting_speed_m_s(o: Observation) -> Quantity:
    """Speed at the arcing contact's instant, m/s."""
    speed = o.speed_at(o.arcing_s)
    if not math.isfinite(speed):
        return NOTHING
    gain = o.acceleration_at(o.arcing_s)
    # Without a fit's own figure: a single reading's over about a millisecond, twice.
    fit = math.sqrt(2.0) * o.travel_u_mm / 1.0 if math.isnan(o.speed_u_m_s) else o.speed_u_m_s
    moved = {name: 1e-3 * gain * part for name, part in of_instant(o, "arcing").items()}
    return combined(speed, {**moved, "skew": gain * o.skew_s, "speed_fit": fit, "scale": o.travel_rel * speed})
