"""Shape of a coil's current: armature's start and stop, plateau, resistance, and what cut it off."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.coils import Pulse, bridged
from drm.quantity import NOTHING, Quantity
from drm.record import Record

__all__ = ["CoilShape", "shape_of"]

FloatArray = NDArray[np.float64]

#: A dip counts as the armature's from this share of the peak on; a plateau may change by this share of its level.
LEAST_DIP, LEAST_FLAT = 0.02, 0.03
#: The auxiliary contact cut the current if it changed within this of the cut, s; common practice, no source.
SAME_S = 2e-3


@dataclass(frozen=True)
class CoilShape:
    """Figures of one pulse; instants on the record's clock, NaN where the current does not show them.

    While the armature moves its counter-voltage takes from the current: it leaves the exponential of the coil at rest
    when the armature starts, and turns up again where the armature stops.
    """

    peak_a: Quantity = NOTHING
    armature_start_s: Quantity = NOTHING
    armature_stop_s: Quantity = NOTHING
    plateau_a: Quantity = NOTHING
    voltage_v: Quantity = NOTHING
    resistance_ohm: Quantity = NOTHING
    cut_s: Quantity = NOTHING


def shape_of(
    record: Record, channel: str, pulse: Pulse, *, voltage: str | None, current_rel: float, voltage_rel: float
) -> CoilShape:
    """Shape of one pulse of a coil current.

    Parameters
    ----------
    channel, voltage : str
        Channels of current and, where recorded, of the voltage across the coil.
    current_rel, voltage_rel : float
        Standard relative uncertainties of the two channels' gains.
    """
    source = record.channel(channel)
    time = record.time_s + source.skew_s
    step = 1.0 / record.sample_rate_hz
    a, b = (int(v) for v in np.searchsorted(time, [pulse.onset_s - 5e-3, pulse.stop_s + 15e-3]))
    t, x = time[a:b] - pulse.onset_s, bridged(source.values("A")[a:b])
    before = x[t < -3.0 * step]
    if before.size < 8:
        return CoilShape()
    level = float(np.median(before))
    x = x - level
    sigma = max(1.4826 * float(np.median(np.abs(before - level))), 1e-4 * pulse.peak_a)
    x = x * (1.0 if float(np.sum(x)) > 0 else -1.0)
    y = _smooth(x, max(1, round(0.2e-3 / step)))
    cut, cut_u = _cut(t, y, pulse.stop_s - pulse.onset_s, pulse.peak_a, sigma, step)
    on = (t > 0.0) & (t < cut - 2.0 * step)
    if int(on.sum()) < 16:
        return CoilShape(peak_a=Quantity(pulse.peak_a, current_rel * pulse.peak_a))
    t_on, y_on, x_on = t[on], y[on], x[on]
    start, stop = _armature(t_on, x_on, y_on, sigma, step, pulse.peak_a)
    plateau, flat = _plateau(t_on, x_on, stop.value if stop else 0.3 * cut, cut, sigma, current_rel)
    volts, ohm = NOTHING, NOTHING
    if voltage is not None and plateau:
        v = record.channel(voltage)
        clock = record.time_s + v.skew_s - pulse.onset_s
        part = np.abs(bridged(v.values("V"))[(clock > flat) & (clock < cut - 5.0 * step)])
        if part.size >= 4:
            value = float(np.mean(part))
            volts = Quantity(value, math.hypot(voltage_rel * value, float(np.std(part)) / math.sqrt(part.size)))
            ohm = _over(volts, plateau)
    return CoilShape(
        Quantity(pulse.peak_a, math.hypot(current_rel * pulse.peak_a, sigma)),
        _later(start, pulse),
        _later(stop, pulse),
        plateau,
        volts,
        ohm,
        Quantity(cut + pulse.onset_s, cut_u),
    )


def _over(v: Quantity, i: Quantity) -> Quantity:
    value = v.value / i.value
    return Quantity(value, value * math.hypot(v.u / v.value, i.u / i.value)) if i.value > 0.0 < v.value else NOTHING


def _later(q: Quantity, pulse: Pulse) -> Quantity:
    return Quantity(q.value + pulse.onset_s, math.hypot(q.u, pulse.onset_u_s)) if q else NOTHING


def _smooth(x: FloatArray, many: int) -> FloatArray:
    if many < 2:
        return x
    many += 1 - many % 2
    padded = np.pad(x, many // 2, mode="edge")
    return np.asarray(np.convolve(padded, np.ones(many) / many, mode="valid"), dtype=np.float64)


def _cut(t: FloatArray, y: FloatArray, fall_s: float, peak: float, sigma: float, step: float) -> tuple[float, float]:
    """Where the last fall begins: the last sample near the greatest of the 20 ms before half the peak was lost."""
    late = (t > max(0.0, fall_s - 20e-3)) & (t <= fall_s)
    if not bool(late.any()):
        return fall_s, step
    near = max(4.0 * sigma, 0.01 * peak)
    # The level that is left is the one at the end of the plateau, not a peak before it.
    tail = y[late][-max(4, int(0.5 * late.sum())) :]
    level = float(np.percentile(tail, 80.0))
    above = np.flatnonzero((t <= fall_s) & (y > level - near))
    if above.size == 0:
        return fall_s, step
    k = int(above[-1])
    after = min(k + max(2, round(0.3e-3 / step)), t.size - 1)
    rate = max((float(y[k]) - float(y[after])) / max(float(t[after] - t[k]), step), 1e-9)
    late_by = min(near / rate, 2e-3)
    return float(t[k]) + 0.5 * step - 0.5 * late_by, math.hypot(step / math.sqrt(12.0), late_by / math.sqrt(12.0))


def _armature(
    t: FloatArray, x: FloatArray, y: FloatArray, sigma: float, step: float, peak: float
) -> tuple[Quantity, Quantity]:
    """Start and stop of the armature from the dip that it makes, s from the onset."""
    before, after = np.maximum.accumulate(y), np.maximum.accumulate(y[::-1])[::-1]
    depth = np.minimum(before - y, after - y)
    k = int(np.argmax(depth))
    if float(depth[k]) < max(5.0 * sigma, LEAST_DIP * peak) or k < 6 or k > t.size - 6:
        return NOTHING, NOTHING
    top = int(np.argmax(y[:k]))
    return _start(t, x, top, sigma, step), _stop(t, x, top, k, sigma, step)


def _stop(t: FloatArray, x: FloatArray, top: int, k: int, sigma: float, step: float) -> Quantity:
    """Corner of the dip: two parabolas that meet in it, by least squares over every place about the lowest sample."""
    half = max(6, min(k - top, t.size - 1 - k, round(1.5e-3 / step)))
    a, b = max(0, k - half), min(t.size, k + half + 1)
    u, z = t[a:b], x[a:b]
    places = np.linspace(float(t[max(a + 2, k - half // 2)]), float(t[min(b - 3, k + half // 2)]), 61)
    cost = np.empty(places.size)
    for n, place in enumerate(places):
        left, right = np.minimum(u - place, 0.0), np.maximum(u - place, 0.0)
        design = np.stack([np.ones_like(u), left, left**2 / half / step, right, right**2 / half / step], axis=1)
        found, *_ = np.linalg.lstsq(design, z, rcond=None)
        cost[n] = float(np.sum((z - design @ found) ** 2))
    best, u_s = _lowest(places, cost / max(sigma**2, float(cost.min()) / max(1, u.size - 6)))
    return Quantity(best, math.hypot(u_s, step / math.sqrt(12.0)))


def _start(t: FloatArray, x: FloatArray, top: int, sigma: float, step: float) -> Quantity:
    """Where the current leaves the exponential of the coil at rest.

    An armature under a steady force has a counter-voltage that grows with time, so the current falls short by the
    square of the time since its start: ``I (1 - exp(-t/tau)) - c max(t - t1, 0)^2``, fitted up to the first peak.
    """
    u, z = t[: top + 1], x[: top + 1]
    many = max(1, u.size // 300)
    if many > 1:
        keep = u.size // many * many
        u, z = u[:keep].reshape(-1, many).mean(axis=1), z[:keep].reshape(-1, many).mean(axis=1)
    if u.size < 10:
        return NOTHING
    noise = sigma / math.sqrt(many)
    places = np.linspace(0.1 * float(u[-1]), 0.95 * float(u[-1]), 60)
    cost = np.full(places.size, np.inf)
    for tau in float(u[-1]) * np.geomspace(0.15, 3.0, 40):
        rise = -np.expm1(-u / tau)
        for n, place in enumerate(places):
            short = np.maximum(u - place, 0.0) ** 2
            # Normal equations of two columns, by hand: this is the inner loop.
            rr, rs, ss = float(rise @ rise), float(rise @ short), float(short @ short)
            rz, sz = float(rise @ z), float(short @ z)
            det = rr * ss - rs * rs
            if det <= 1e-18 * rr * ss:
                continue
            i, c = (rz * ss - sz * rs) / det, (sz * rr - rz * rs) / det
            if c > 0.0 or i <= 0.0:
                continue
            cost[n] = min(cost[n], float(z @ z) - i * rz - c * sz)
    if not bool(np.isfinite(cost).any()):
        return NOTHING
    scale = max(noise**2, float(np.nanmin(cost)) / max(1, u.size - 4))
    best, u_s = _lowest(places, cost / scale)
    # The counter-voltage's law is assumed: a part of what lies between start and peak.
    return Quantity(best, math.sqrt(u_s**2 + (0.04 * (float(u[-1]) - best)) ** 2 + step**2 / 12.0))


def _lowest(places: FloatArray, cost: FloatArray) -> tuple[float, float]:
    """Place of the least chi-square and its standard uncertainty, from the mean under ``exp(-chi2 / 2)``."""
    good = np.isfinite(cost)
    weight = np.where(good, np.exp(-0.5 * (np.where(good, cost, np.inf) - float(cost[good].min()))), 0.0)
    weight /= weight.sum()
    mean = float(weight @ places)
    grid = float(places[1] - places[0])
    return mean, math.sqrt(max(float(weight @ (places - mean) ** 2), 0.0) + grid**2 / 12.0)


def _plateau(
    t: FloatArray, x: FloatArray, begin: float, cut: float, sigma: float, rel: float
) -> tuple[Quantity, float]:
    """Steady current before the cut, and from when it is read: the last third, where it changes by less than 3 %."""
    flat = max(begin, cut - max(0.35 * (cut - begin), 2e-3))
    part = (t > flat) & (t < cut - 0.3e-3)
    if int(part.sum()) < 10:
        return NOTHING, flat
    u, z = t[part], x[part]
    slope, level = np.polyfit(u - float(np.mean(u)), z, 1)
    change = abs(float(slope)) * float(u[-1] - u[0])
    if not level > 0.0 or change > LEAST_FLAT * float(level):
        return NOTHING, flat
    # What is still to come of an exponential that changes by so much is about as much again.
    u_a = math.sqrt((rel * float(level)) ** 2 + (0.5 * change) ** 2 + sigma**2 / u.size)
    return Quantity(float(level), u_a), flat
