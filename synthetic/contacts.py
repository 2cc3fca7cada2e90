"""Contact resistance of one interrupter over travel, and the instants that are its truth."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.synthetic.scenario import Contact
from drm.synthetic.unit import Unit

__all__ = ["Way", "roughness", "way_through"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Metal bears less than tungsten's melting voltage, 1.151 V (Holm): no simulated contact exceeds this.
METAL_VOLT = 0.9
GRID_MM = 0.02


@dataclass(frozen=True, eq=False)
class Way:
    """One passage: resistance while metal touches (ohm), whether it does, both of shape (n,), and the truth.

    `inserted` says where the closing resistor alone conducts, between its own touch at `resistor_s` (NaN without) and
    the arcing contact's.
    """

    ohm: FloatArray
    metal: BoolArray
    inserted: BoolArray
    resistor_s: float
    main_s: float
    arcing_s: float
    commutation_s: float
    arcing_ohm: float


def roughness(x_mm: FloatArray, length_mm: float, rng: np.random.Generator) -> FloatArray:
    """Correlated, heavy-tailed fluctuation over travel: median 0, first-order with correlation length `length_mm`."""
    from scipy.signal import lfilter

    low, high = float(np.min(x_mm)) - 1.0, float(np.max(x_mm)) + 1.0
    n = max(4, math.ceil((high - low) / GRID_MM))
    keep = math.exp(-GRID_MM / length_mm)
    noise = rng.standard_normal(n) * math.sqrt(1.0 - keep * keep)
    z = lfilter([1.0], [1.0, -keep], noise)
    # sinh fattens the tails: a contact spot that is lost costs more than one that is found gains.
    return np.asarray(np.interp(x_mm, low + GRID_MM * np.arange(n), np.sinh(0.8 * z) / 0.8), dtype=np.float64)


def _moved(x: FloatArray, unit: Unit, contact: Contact, rng: np.random.Generator) -> FloatArray:
    """Share of the current that has left the main contact, finger by finger; one half at `unit.main_mm`."""
    n, w = contact.fingers, contact.commutation_mm
    at = (np.arange(n) + 0.5) / n - 0.5 + rng.uniform(-0.3, 0.3, n) / n
    at = w * (at - np.median(at))
    # Each finger lets go over more than its share of the way, so that the move never rests half done.
    each = 1.8 * w / n
    grid = np.linspace(-w, w, 801)
    share = np.clip((grid[:, None] - at[None, :]) / each + 0.5, 0.0, 1.0).mean(axis=1)
    half = float(np.interp(0.5, share, grid))
    return np.asarray(np.interp(x - unit.main_mm + half, grid, share), dtype=np.float64)


def _crossing(time: FloatArray, y: FloatArray, level: float, inside: slice) -> float:
    """Instant at which monotonous `y` passes `level`; NaN where it does not."""
    t, v = time[inside], y[inside] - level
    k = np.flatnonzero(v[:-1] * v[1:] <= 0.0)
    k = k[v[k] != v[k + 1]]
    if not k.size:
        return math.nan
    i = int(k[0])
    return float(t[i] - v[i] * (t[i + 1] - t[i]) / (v[i + 1] - v[i]))


def way_through(
    unit: Unit, contact: Contact, time: FloatArray, x: FloatArray, opening: bool, amps: float, rng: np.random.Generator
) -> Way:
    """Resistance of one passage and its instants.

    Parameters
    ----------
    time, x : ndarray, shape (n,)
        Clock in s and travel in mm of one operation.
    amps : float
        Injected current, which sets the greatest resistance that metal can have.
    """
    speed = np.gradient(x, time)
    # Rebound may bring the travel back: the first passage on opening, the first on closing, is the one that counts.
    whole = slice(0, x.size)
    alone = unit.wipe_mm == 0.0
    moved = _moved(x, unit, contact, rng)
    main = unit.main_ohm * (1.0 + contact.main_roughness_rel * roughness(x, contact.correlation_mm, rng))
    main = np.where(np.abs(x) < 0.05, unit.main_ohm, main)  # at rest nothing slides
    ceiling = METAL_VOLT / amps
    with np.errstate(divide="ignore"):
        left = np.maximum(unit.arcing_mm - x, 0.0)
        alone_ohm = np.minimum(main / np.maximum(1.0 - moved, 0.02), ceiling)
    if unit.early_mm > 0.0 and unit.main_ohm < unit.arcing_ohm:
        # Closed, both carry the current; once the arcing contact has left, the main one is alone.
        alone_ohm *= np.where(x > unit.main_mm - unit.early_mm, 1.0 / (1.0 - unit.main_ohm / unit.arcing_ohm), 1.0)
        alone_ohm = np.minimum(alone_ohm, ceiling)
    if alone:
        ohm, last = alone_ohm, unit.main_mm
    else:
        last = unit.arcing_mm
        arcing = unit.arcing_ohm * np.exp(unit.rough * roughness(x, contact.correlation_mm, rng))
        arcing = arcing * (1.0 + 1.5 * np.exp(-left / 0.12)) + _spikes(x, unit, ceiling, rng)
        arcing = np.minimum(arcing, ceiling)
        ohm = np.minimum(main, arcing) * (1.0 - moved) + arcing * moved
    metal = x < last
    main_s = _crossing(time, x, unit.main_mm, whole)
    arcing_s = _crossing(time, x, last, whole)
    zone = metal & (np.abs(moved - 1.0) < 1e-9)
    if not opening and not alone and np.isfinite(arcing_s):
        metal &= ~_bounces(time, arcing_s, abs(main_s - arcing_s), contact.bounces, rng)
        zone &= metal & (time >= arcing_s)
    commutation = math.nan
    if np.isfinite(main_s) and not alone:
        pace = abs(float(np.interp(main_s, time, speed)))
        inside = np.abs(time - main_s) < 3.0 * contact.commutation_mm / max(pace, 1e-9)
        going = time[inside & (moved > 1e-9) & (moved < 1.0 - 1e-9)]
        commutation = float(np.ptp(going)) if going.size else math.nan
    level = float(np.median(ohm[zone])) if bool(zone.any()) and not alone else math.nan
    inserted, resistor_s = _insertion(unit, time, x, opening, arcing_s)
    ohm = np.where(inserted, unit.resistor_ohm, ohm)
    return Way(ohm, metal, inserted, resistor_s, main_s, arcing_s, commutation, level)


def _insertion(unit: Unit, time: FloatArray, x: FloatArray, opening: bool, touch_s: float) -> tuple[BoolArray, float]:
    """Where the closing resistor alone conducts, and since when.

    Its contact opens before the others do, so that it takes no part in an opening; beside an arc or metal it carries
    nothing that counts.
    """
    if opening or unit.resistor_ohm == 0.0:
        return np.zeros(time.size, dtype=np.bool_), math.nan
    at = unit.arcing_mm + unit.resistor_mm
    first = _crossing(time, x, at, slice(0, x.size))
    if not math.isfinite(first):
        return np.zeros(time.size, dtype=np.bool_), math.nan
    end = touch_s if math.isfinite(touch_s) else math.inf
    return (time >= first) & (time < end), first


def _spikes(x: FloatArray, unit: Unit, ceiling: float, rng: np.random.Generator) -> FloatArray:
    """Momentary part-separations: short rises over travel inside the arcing zone."""
    out = np.zeros_like(x)
    low, high = unit.main_mm + 0.45 * unit.wipe_mm, unit.arcing_mm - 0.1
    for _ in range(unit.spikes):
        at, width, height = rng.uniform(low, max(high, low)), rng.uniform(0.08, 0.3), rng.uniform(0.15, 0.7) * ceiling
        out += height * np.exp(-0.5 * ((x - at) / (0.4 * width)) ** 2)
    return out


def _bounces(time: FloatArray, touch_s: float, zone_s: float, n: int, rng: np.random.Generator) -> BoolArray:
    """Losses after the first touch, each shorter than the one before."""
    lost = np.zeros(time.size, dtype=np.bool_)
    start, length = touch_s + rng.uniform(1.5e-4, 3e-4), rng.uniform(1.5e-4, 3e-4)
    for _ in range(n):
        if start + length > touch_s + 0.5 * zone_s:
            break
        lost |= (time > start) & (time < start + length)
        start, length = start + 2.0 * length, 0.5 * length
    return lost
