"""Resistance of the main contact at rest and of the arcing contact over its zone."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drm.features.observation import Observation
from drm.quantity import NOTHING, Quantity

__all__ = [
    "arcing_area_uohm_mm",
    "arcing_resistance_peak_uohm",
    "arcing_resistance_uohm",
    "arcing_roughness_uohm",
    "main_resistance_uohm",
]

#: Fewest samples from which a zone's level is read.
LEAST = 3


def _with_instrument(o: Observation, value: float, u: float) -> Quantity:
    return Quantity(1e6 * value, 1e6 * math.hypot(u, o.gain_rel * value, o.offset_ohm))


def main_resistance_uohm(o: Observation) -> Quantity:
    """Closed contact at rest, uOhm, as measured (no temperature correction)."""
    return (
        _with_instrument(o, o.main_ohm.value, o.main_ohm.u if math.isfinite(o.main_ohm.u) else 0.0)
        if o.main_ohm
        else NOTHING
    )


def _zone(o: Observation) -> NDArray[np.float64]:
    """Resistance over the arcing zone, where the current is steady if enough of the zone is.

    On closing the current rises through the sense loop's inductance, and what is left of that voltage after its fitted
    part is taken out can be as large as the contact's own.
    """
    index = o.zone()
    steady = index[o.steady[index]]
    return o.resistance_ohm[steady if steady.size >= max(2 * LEAST, 0.2 * index.size) else index]


def _spread(zone: NDArray[np.float64]) -> float:
    return 1.4826 * float(np.median(np.abs(zone - np.median(zone))))


def arcing_resistance_uohm(o: Observation) -> Quantity:
    """Median over the arcing zone, uOhm.

    The contact's fluctuation is correlated over the distance between its asperities: the number of independent samples
    is taken from the autocorrelation at lag one; the median of Gaussian samples is 1.25 times as uncertain as a mean.
    """
    zone = _zone(o)
    if zone.size < LEAST:
        return NOTHING
    level, spread = float(np.median(zone)), _spread(zone)
    rest = np.clip(zone - level, -3 * spread, 3 * spread)
    power = float(rest @ rest)
    r = min(max(float(rest[1:] @ rest[:-1]) / power if power > 0 else 0.0, 0.0), 0.95)
    independent = max(zone.size * (1 - r) / (1 + r), 1.0)
    return _with_instrument(o, level, 1.2533 * spread / math.sqrt(independent))


def arcing_resistance_peak_uohm(o: Observation) -> Quantity:
    """Greatest resistance in the arcing zone, uOhm: a single reading, so its uncertainty is the instrument's."""
    zone = _zone(o)
    return _with_instrument(o, float(zone.max()), 0.0) if zone.size >= LEAST else NOTHING


def arcing_roughness_uohm(o: Observation) -> Quantity:
    """Robust standard deviation of the resistance within the arcing zone, uOhm: the contact's state, not an error."""
    zone = _zone(o)
    if zone.size < 2 * LEAST:
        return NOTHING
    spread = _spread(zone)
    return Quantity(1e6 * spread, 1e6 * spread / math.sqrt(max(zone.size / 3, 2.0)))


def arcing_area_uohm_mm(o: Observation) -> Quantity:
    """Resistance integrated over travel in the arcing zone, uOhm mm (resistance times wipe is a wear figure)."""
    index = o.zone()
    if o.travel_mm is None or not o.arcing_s or index.size < LEAST:
        return NOTHING
    order = index[np.argsort(o.travel_mm[index])]
    area = float(np.trapezoid(o.resistance_ohm[order], o.travel_mm[order]))
    wipe = max(float(np.ptp(o.travel_mm[index])), 1e-9)
    ends = float(np.median(o.resistance_ohm[index])) * math.sqrt(2.0) * o.travel_u_mm
    return Quantity(
        1e6 * area, 1e6 * math.hypot(ends, math.hypot(o.gain_rel, o.travel_rel) * area, o.offset_ohm * wipe)
    )
