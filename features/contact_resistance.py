"""Resistance of the main contact at rest and of the arcing contact over its zone."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from drm.features.observation import Observation
from drm.features.sources import own_u
from drm.features.zone_scatter import LEAST, Scatter, middle, scatter_of, zone_index
from drm.quantity import NOTHING, Quantity
from drm.uncertainty import combined

__all__ = [
    "arcing_area_uohm_mm",
    "arcing_resistance_peak_uohm",
    "arcing_resistance_uohm",
    "arcing_roughness_uohm",
    "main_resistance_uohm",
]


def _instrument(o: Observation, value: float) -> dict[str, float]:
    """Parts of a resistance in ohm from gain, offset and an earth loop in parallel (conductances add)."""
    return {"gain": o.gain_rel * value, "offset": o.offset_ohm, "earth_loop": value**2 * o.loop_u_s}


def _micro(value: float, parts: dict[str, float]) -> Quantity:
    return combined(1e6 * value, {name: 1e6 * part for name, part in parts.items()})


def main_resistance_uohm(o: Observation) -> Quantity:
    """Closed contact at rest, uOhm, as measured (no temperature correction)."""
    if not o.main_ohm:
        return NOTHING
    fit = o.main_ohm.u if math.isfinite(o.main_ohm.u) else 0.0
    return _micro(o.main_ohm.value, {"main_fit": fit, **_instrument(o, o.main_ohm.value)})


def _slew(o: Observation, index: NDArray[np.intp]) -> NDArray[np.float64]:
    """Slope of the current over the current; zero beside a missing sample, where none can be told."""
    return np.zeros(index.size) if o.slew_per_s is None else np.nan_to_num(o.slew_per_s[index], posinf=0.0, neginf=0.0)


def _moved_ends(o: Observation, scatter: Scatter) -> dict[str, float]:
    """Parts of the median from the zone's ends: samples let in or left out on one side of it."""
    index, step = o.zone(), o.step_s()
    few = max(1, min(3, index.size // 4))
    first, last = (middle(o.resistance_ohm[i]) for i in (index[:few], index[-few:]))
    # A begin that comes later leaves samples out, an end that comes later lets them in.
    begin = scatter.end_of_median(1.0 / step) * (-1.0 if first > scatter.level else 1.0)
    end = scatter.end_of_median(1.0 / step) * (1.0 if last > scatter.level else -1.0)
    at_main, at_arcing = (begin, end) if o.kind == "open" else (end, begin)
    parts = {"main_s": at_main * own_u(o, o.main_s), "timing": (at_main + at_arcing) * o.common_s}
    if o.arcing_s:
        parts["arcing_s"] = at_arcing * own_u(o, o.arcing_s)
    if o.commutation_s:
        parts["commutation_s"] = 0.5 * at_main * o.commutation_s.u * (1.0 if o.kind == "open" else -1.0)
    return parts


def arcing_resistance_uohm(o: Observation) -> Quantity:
    """Median over the arcing zone, uOhm.

    The contact's fluctuation is what it does, not an error of its median: uncertain are noise, what happens between
    samples, the zone's ends, what could not be read, the sense loop's inductance, gain and offset.
    """
    index = zone_index(o)
    if index.size < LEAST:
        return NOTHING
    s = scatter_of(o, index)
    slew = middle(_slew(o, index))
    parts = {
        "noise": s.noise_of_median(),
        "sampling": s.sampling_of_median(),
        "missing": s.missing_of_median(),
        "inductance": o.inductance_u_h * slew,
        **_moved_ends(o, s),
        "hum": o.hum_u_ohm,
        **_instrument(o, s.level),
    }
    return _micro(s.level, parts)


def arcing_resistance_peak_uohm(o: Observation) -> Quantity:
    """Greatest single reading in the arcing zone, uOhm; towards parting the resistance rises, so the end counts."""
    index = zone_index(o)
    if index.size < LEAST:
        return NOTHING
    zone, time = o.resistance_ohm[index], o.time_s[index]
    peak = float(zone.max())
    u = o.arcing_s.u if o.arcing_s else 0.0
    earlier = zone[time < o.ends()[1] - u] if o.kind == "open" else zone[time > o.ends()[0] + u]
    rise = peak - float(earlier.max()) if earlier.size else 0.0
    k = int(np.argmax(zone))
    slew = float(_slew(o, index)[k])
    sign = 1.0 if o.kind == "open" else -1.0
    parts = {
        "arcing_s": sign * rise,
        "noise": o.noise_ohm,
        # The top lies between the samples, and how high is told by how steep its flanks are.
        "sampling": 0.5 * (peak - float(np.min(zone[max(0, k - 1) : k + 2]))),
        "inductance": o.inductance_u_h * slew,
        "hum": o.hum_u_ohm,
        **_instrument(o, peak),
    }
    return _micro(peak, parts)


def arcing_roughness_uohm(o: Observation) -> Quantity:
    """Robust standard deviation of the resistance within the arcing zone, uOhm: the contact's state, not an error.

    The noise's share is taken out in quadrature; where the noise is the greater, what is left says little. The median
    of deviations is 1.17 times as uncertain as one in n, and squares forget twice as fast as what is squared. Filter
    and sampling hide what the contact does within a sample: simulated, 0.15 for each correlation time between two.
    """
    index = zone_index(o)
    if index.size < 2 * LEAST:
        return NOTHING
    s = scatter_of(o, index)
    twice = replace(s, x=2.0 * s.x)
    counts = 1.17 * s.noise / math.sqrt(s.n)
    # Of a root of a difference; a coarse trace's median deviation moves in its steps.
    noise = s.noise / max(s.own, s.noise * (2.0 / s.n) ** 0.25) if s.noise > 0.0 else 0.0
    parts = {
        "gain": o.gain_rel * s.own,
        "sampling": math.hypot(0.93 * twice.sampling_of_median(), s.spread / s.n, 0.15 * s.x * s.own),
        "missing": 0.93 * twice.missing_of_median(),
        "noise": math.hypot(counts * noise, 0.5 * s.noise * min(1.0, noise)),
    }
    return _micro(s.own, parts)


def arcing_area_uohm_mm(o: Observation) -> Quantity:
    """Resistance integrated over travel in the arcing zone, uOhm mm (resistance times wipe is a wear figure).

    Between the samples by straight lines, from the zone's ends to the first and last sample at their resistance.
    """
    index = zone_index(o)
    if o.travel_mm is None or not o.arcing_s or index.size < LEAST:
        return NOTHING
    whole = np.isfinite(o.travel_mm)
    if int(whole.sum()) < 2:
        return NOTHING
    ohm = o.resistance_ohm[index]
    at = np.interp([o.ends()[0], *o.time_s[index], o.ends()[1]], o.time_s[whole], o.travel_mm[whole])
    sign = 1.0 if o.kind == "open" else -1.0
    s = scatter_of(o, index)
    # Next to an end the nearest sample is the best guess; where more is missing the zone's level is.
    far = np.array([o.time_s[index[0]] - o.ends()[0], o.ends()[1] - o.time_s[index[-1]]]) > 2.0 * o.step_s()
    first, last = (s.level if f else v for f, v in zip(far, (ohm[0], ohm[-1]), strict=True))
    area = sign * float(np.trapezoid(np.concatenate([[first], ohm, [last]]), at))
    wipe = abs(float(at[-1] - at[0]))
    # The ends where they are: what the resistance is there, times how far the end moves.
    near = max(2.0 * o.arcing_s.u, 1.5 * o.step_s())
    beside = ohm[np.abs(o.time_s[index] - o.arcing_s.value) < near]
    # Towards parting the resistance rises steeply, and the highest is what a shift of the end lets in.
    arcing = float(np.max(beside)) if beside.size else float(ohm[-1] if o.kind == "open" else ohm[0])
    main = middle(ohm[:LEAST] if o.kind == "open" else ohm[-LEAST:])
    paces = {"main": 1e3 * o.speed_at(o.main_s), "arcing": 1e3 * o.speed_at(o.arcing_s)}
    half = 0.5 * o.commutation_s.u if o.commutation_s else 0.0
    # A sum, unlike a median, has the tails in it.
    tails = max(1.0, float(np.std(ohm)) / s.spread) if s.spread > 0.0 else 1.0
    parts = {
        "main_s": -sign * main * paces["main"] * own_u(o, o.main_s),
        "commutation_s": -main * paces["main"] * half,
        "arcing_s": sign * arcing * paces["arcing"] * own_u(o, o.arcing_s),
        "timing": sign * (arcing * paces["arcing"] - main * paces["main"]) * o.common_s,
        "main_reading": -main * (o.travel_u_mm if math.isnan(o.main_u_mm) else o.main_u_mm),
        "arcing_reading": arcing * (o.travel_u_mm if math.isnan(o.arcing_u_mm) else o.arcing_u_mm),
        "scale": o.travel_rel * area,
        "gain": o.gain_rel * area,
        "offset": o.offset_ohm * wipe,
        "earth_loop": s.level * area * o.loop_u_s,
        "hum": o.hum_u_ohm * wipe,
        "noise": s.noise * wipe / math.sqrt(s.n),
        "sampling": tails * s.sampling_of_mean() * wipe,
        "missing": tails * s.missing_of_mean() * wipe,
    }
    return _micro(area, parts)
