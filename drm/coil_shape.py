"""Shape of a coil's current: armature's start and stop, plateau, resistance, and what cut it off."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.coils import Pulse, bridged
from drm.kept import kept
from drm.median import median
from drm.quantity import NOTHING, Quantity
from drm.record import Record

__all__ = ["CoilShape", "shape_of"]

FloatArray = NDArray[np.float64]

#: A dip counts as the armature's from this share of the peak on; a plateau may change by this share of its level.
LEAST_DIP, LEAST_FLAT = 0.02, 0.03
#: The auxiliary contact cut the current if it changed within this of the cut, s; common practice, no source.
SAME_S = 2e-3
#: Error of a line's end where it is laid through an exponential, as a share of what that changes.
BENT = 0.1
#: Order of the polynomial up to the armature's stop -> what the true motion moves the corner by, as a share of half the
#: span that is fitted: simulated.
CORNER = {2: 0.003, 3: 0.0007}
#: What a sample is worth to a scatter by medians, by what it is worth to a standard deviation, for normal noise
#: (F. R. Hampel, J. Am. Stat. Ass. 69 (1974), 383, from memory).
MEDIAN_WORTH = 0.37
#: Power of the time since the armature's start by which the current falls short.
POWER = 3.0


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


@kept
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
    level = median(before)
    x = x - level
    sigma = max(1.4826 * median(np.abs(before - level)), 1e-4 * pulse.peak_a)
    x = x * (1.0 if float(np.sum(x)) > 0 else -1.0)
    y = _smooth(x, max(1, round(0.2e-3 / step)))
    cut, cut_u = _cut(t, x, pulse.stop_s - pulse.onset_s, pulse.peak_a, sigma, step)
    on = (t > 0.0) & (t < cut - 2.0 * step)
    if int(on.sum()) < 16:
        return CoilShape(peak_a=Quantity(pulse.peak_a, current_rel * pulse.peak_a))
    t_on, y_on, x_on = t[on], y[on], x[on]
    start, stop = _armature(t_on, x_on, y_on, sigma, step, pulse.peak_a, before.size)
    plateau, flat = _plateau(t_on, x_on, stop.value if stop else 0.3 * cut, cut, sigma, current_rel)
    volts, ohm = NOTHING, NOTHING
    if voltage is not None:
        v = record.channel(voltage)
        clock = record.time_s + v.skew_s - pulse.onset_s
        u_on = np.abs(np.interp(t_on, clock, bridged(v.values("V"))))
        begin = stop.value + 0.5e-3 if stop else flat if plateau else math.inf
        part = (t_on > begin) & (t_on < cut - 0.3e-3)
        if int(part.sum()) >= 16:
            value = float(np.mean(u_on[part]))
            volts = Quantity(value, math.hypot(voltage_rel * value, float(np.std(u_on[part])) / math.sqrt(part.sum())))
            ohm = _resistance(t_on[part], x_on[part], u_on[part], math.hypot(current_rel, voltage_rel))
        else:
            # Too short for the resistance, but the supply is the same throughout.
            part = (t_on > 0.2 * cut) & (t_on < cut - 0.3e-3)
            if int(part.sum()) >= 4:
                value = float(np.mean(u_on[part]))
                volts = Quantity(
                    value, math.hypot(voltage_rel * value, float(np.std(u_on[part])) / math.sqrt(part.sum()))
                )
    return CoilShape(
        Quantity(pulse.peak_a, math.hypot(current_rel * pulse.peak_a, sigma)),
        _later(start, pulse),
        _later(stop, pulse),
        plateau,
        volts,
        ohm,
        Quantity(cut + pulse.onset_s, cut_u),
    )


def _resistance(t: FloatArray, i: FloatArray, v: FloatArray, rel: float) -> Quantity:
    """Resistance of the coil while its armature stands: ``V = R i + L di/dt``, integrated so that noise averages."""
    step = median(np.diff(t))
    charge, flux = np.cumsum(i) * step, np.cumsum(v) * step
    many = max(1, round(0.3e-3 / step))
    smooth = _smooth(i, many)
    design = np.stack([charge, smooth - smooth[0], np.ones_like(t)], axis=1)
    scale = np.max(np.abs(design), axis=0)
    scale[scale == 0.0] = 1.0
    found, *_ = np.linalg.lstsq(design / scale, flux, rcond=None)
    left = flux - design @ (found / scale)
    covariance = np.linalg.pinv((design / scale).T @ (design / scale))
    # Integrated noise wanders: its samples are not independent, so few of them count.
    sigma = math.sqrt(float(left @ left) / max(1, t.size - 3)) * math.sqrt(t.size / 10.0)
    value = float(found[0] / scale[0])
    if not value > 0.0:
        return NOTHING
    return Quantity(value, math.hypot(rel * value, sigma * math.sqrt(max(float(covariance[0, 0]), 0.0)) / scale[0]))


def _later(q: Quantity, pulse: Pulse) -> Quantity:
    return Quantity(q.value + pulse.onset_s, q.u) if q else NOTHING


def _smooth(x: FloatArray, many: int) -> FloatArray:
    if many < 2:
        return x
    many += 1 - many % 2
    padded = np.pad(x, many // 2, mode="edge")
    return np.asarray(np.convolve(padded, np.ones(many) / many, mode="valid"), dtype=np.float64)


def _cut(t: FloatArray, x: FloatArray, fall_s: float, peak: float, sigma: float, step: float) -> tuple[float, float]:
    """Where the last fall begins: the decay carried back to the level before it.

    The level is a line through the 3 ms before the fall, the decay a parabola through the logarithm of the current.
    """
    near = max(4.0 * sigma, 0.02 * peak)
    late = np.flatnonzero((t > max(0.0, fall_s - 20e-3)) & (t <= fall_s))
    if late.size < 8:
        return fall_s, step
    tail = x[late][late.size // 2 :]
    above = late[x[late] > float(np.percentile(tail, 80.0)) - near]
    k = int(above[-1])
    lead = slice(max(int(late[0]), k - max(8, round(3e-3 / step))), max(k - 1, int(late[0]) + 4))
    slope, level = np.polyfit(t[lead] - float(t[k]), x[lead], 1)
    fall = np.flatnonzero((t > t[k]) & (x > max(6.0 * sigma, 0.1 * float(level))) & (x < 0.97 * float(level)))
    fall = fall[: max(3, min(fall.size, round(3e-3 / step)))]
    low = int(np.argmax(np.diff(np.concatenate([fall, [fall[-1] + 9]])) > 1)) + 1 if fall.size else 0
    fall = fall[:low]
    rough = step / math.sqrt(12.0)
    if fall.size < 3 or not float(level) > 0.0:
        return float(t[k]) + 0.5 * step, rough
    y, u = np.log(x[fall] / float(level)), t[fall] - float(t[k])
    # A logarithm's noise is the noise by the current.
    form = np.polyfit(u, y, 2 if fall.size >= 6 else 1, w=x[fall])
    # A slow decay leaves the level by less than the noise for some samples.
    early = min(2.0 * step + near / float(level) / max(-float(np.polyval(np.polyder(form), 0.0)), 1.0), 20.0 * step)
    grid = np.linspace(-early, 2.0 * step, 321)
    # Where decay and level meet; the level's own slope is nothing over so short a time.
    at = float(
        grid[int(np.argmin(np.abs(np.polyval(form, grid) - np.log1p(np.clip(slope * grid / level, -0.5, 1.0)))))]
    )
    at = min(max(at, -early), 1.5 * step)
    steep = max(abs(float(np.polyval(np.polyder(form), at)) - float(slope / level)), 1e-9)
    above_u = sigma / float(level) * _far_u(t[lead] - float(t[k]), at, 1)
    decay_u = sigma * _far_u(u, at, form.size - 1, weight=x[fall])
    return float(t[k]) + at, min(math.hypot(above_u, decay_u) / steep + step / 320.0, rough)


def _far_u(t: FloatArray, at: float, order: int, *, weight: FloatArray | None = None) -> float:
    """Standard uncertainty of a fitted polynomial at `at`, for a noise of 1 by `weight` in each sample."""
    w = np.ones_like(t) if weight is None else weight
    design = np.vander(t / float(np.ptp(t)), order + 1) * w[:, None]
    here = np.vander(np.array([at / float(np.ptp(t))]), order + 1)[0]
    return math.sqrt(max(float(here @ np.linalg.pinv(design.T @ design) @ here), 0.0))


def _armature(
    t: FloatArray, x: FloatArray, y: FloatArray, sigma: float, step: float, peak: float, still: int
) -> tuple[Quantity, Quantity]:
    """Start and stop of the armature from the dip that it makes, s from the onset."""
    before, after = np.maximum.accumulate(y), np.maximum.accumulate(y[::-1])[::-1]
    depth = np.minimum(before - y, after - y)
    k = int(np.argmax(depth))
    if float(depth[k]) < max(5.0 * sigma, LEAST_DIP * peak) or k < 6 or k > t.size - 6:
        return NOTHING, NOTHING
    top = int(np.argmax(y[:k]))
    return _start(t, x, top, sigma, step), _stop(t, x, top, k, sigma, step, still)


def _stop(t: FloatArray, x: FloatArray, top: int, k: int, sigma: float, step: float, still: int) -> Quantity:
    """Corner of the dip: two polynomials that meet in it, by least squares over every place about the lowest sample.

    Up to the corner the armature gains speed: a parabola leaves a part of that, a cubic minds the noise more. The one
    that is known better counts.
    """
    half = max(6, min(k - top, t.size - 1 - k, round(1.5e-3 / step)))
    a, b = max(0, k - half), min(t.size, k + half + 1)
    u, z = t[a:b], x[a:b]
    low, high = float(t[max(a + 2, k - half // 2)]), float(t[min(b - 3, k + half // 2)])
    found = []
    for order, law in CORNER.items():
        best, u_s = 0.5 * (low + high), 0.25 * (high - low)
        for many in (21, 31):
            places = np.linspace(max(low, best - 4.0 * u_s), min(high, best + 4.0 * u_s), many)
            cost = _corners(u, z, places, half * step, order)
            best, u_s = _lowest(places, cost / _variance(sigma, still, float(cost.min()), u.size - 4 - order))
        found.append(Quantity(best, math.hypot(u_s, law * half * step)))
    return min(found, key=lambda q: q.u)


def _variance(sigma: float, still: int, cost: float, free: int) -> float:
    """Variance of the noise, from what it was at rest and from what a fit leaves.

    Each is known from few samples: the greater of the two would be too great by some tenth, so they count together,
    unless the fit leaves more than chance does.

    Parameters
    ----------
    sigma, still : float, int
        Standard deviation at rest, a median's, and from how many samples.
    cost, free : float, int
        Sum of squares that the fit leaves, and its degrees of freedom.
    """
    rest, left, free = MEDIAN_WORTH * still, cost / max(1, free), max(1, free)
    if left > sigma**2 * (1.0 + 3.0 * math.sqrt(2.0 / free + 2.0 / rest)):
        return left
    return (rest * sigma**2 + free * left) / (rest + free)


def _corners(u: FloatArray, z: FloatArray, places: FloatArray, wide: float, order: int) -> FloatArray:
    """Sum of squares that a polynomial of `order` (2 or 3) up to each of `places` and a parabola from there leave.

    A parabola over both sides is common to all places: what each adds to it is made orthogonal to that and to one
    another (modified Gram-Schmidt), and taken out of `z` in turn.
    """
    common = np.linalg.qr(np.vander((u - float(np.mean(u))) / wide, 3))[0]
    away = (u - places[:, None]) / wide
    right = np.maximum(away, 0.0)
    left = np.minimum(away, 0.0)
    rest = np.broadcast_to(z - common @ (common.T @ z), away.shape)
    done: list[FloatArray] = []
    for own in (right, right**2, left**2 * left)[:order]:
        x = own - (own @ common) @ common.T
        for known in done:
            x = x - np.sum(known * x, axis=1)[:, None] * known
        long = np.sqrt(np.sum(x * x, axis=1))[:, None]
        # Where a side has too few samples for one more power there is nothing left of it.
        x = np.where(long > 1e-10 * np.sqrt(np.sum(own * own, axis=1))[:, None], x, 0.0) / np.maximum(long, 1e-300)
        rest = rest - np.sum(x * rest, axis=1)[:, None] * x
        done.append(x)
    return np.asarray(np.sum(rest * rest, axis=1), dtype=np.float64)


def _start(t: FloatArray, x: FloatArray, top: int, sigma: float, step: float) -> Quantity:
    """Where the current leaves the exponential of the coil at rest.

    An armature that starts when the pull passes its spring is driven by a force that grows with time, so its
    counter-voltage grows with the square, and the current falls short by the cube of the time since its start:
    ``I (1 - exp(-t/tau)) - c max(t - t1, 0)^3``, fitted up to the first peak.
    """
    u, z = t[: top + 1], x[: top + 1]
    many = max(1, u.size // 150)
    if many > 1:
        keep = u.size // many * many
        u, z = u[:keep].reshape(-1, many).mean(axis=1), z[:keep].reshape(-1, many).mean(axis=1)
    if u.size < 10:
        return NOTHING
    noise = sigma / math.sqrt(many)
    places = np.linspace(0.1 * float(u[-1]), 0.95 * float(u[-1]), 60)
    cost, found = np.full(places.size, np.inf), np.zeros(places.size)
    wide = float(u[-1]) * np.geomspace(0.15, 3.0, 40)
    _try(u, z, places, wide, cost, found)
    if not bool(np.isfinite(cost).any()):
        return NOTHING
    for spread in (0.08, 0.02):
        # Each place wants its own time constant, and the grid's step would cost more than the noise.
        likely = cost < float(np.min(cost)) * (1.0 + 60.0 / u.size) + 60.0 * noise**2
        near = np.unique(np.round(np.log(found[likely & np.isfinite(cost)]), 3))
        fine = np.exp(np.concatenate([near + spread * f for f in (-0.75, -0.5, -0.25, 0.25, 0.5, 0.75)]))
        _try(u, z, places, fine, cost, found)
    scale = max(noise**2, float(np.nanmin(cost)) / max(1, u.size - 4))
    best, u_s = _lowest(places, cost / scale)
    # The counter-voltage's law is assumed: a part of what lies between start and peak.
    return Quantity(best, math.sqrt(u_s**2 + (0.025 * (float(u[-1]) - best)) ** 2))


def _try(
    u: FloatArray, z: FloatArray, places: FloatArray, taus: FloatArray, cost: FloatArray, found: FloatArray
) -> None:
    """Lower `cost`, and note the time constant in `found`, wherever one of `taus` does better at a place."""
    short = np.maximum(u - places[:, None], 0.0) ** POWER
    ss, sz, zz = np.sum(short**2, axis=1), short @ z, float(z @ z)
    for tau in taus:
        rise = -np.expm1(-u / tau)
        rr, rz, rs = float(rise @ rise), float(rise @ z), short @ rise
        det = rr * ss - rs * rs
        safe = det > 1e-18 * rr * ss
        det = np.where(safe, det, 1.0)
        i, c = (rz * ss - sz * rs) / det, (sz * rr - rz * rs) / det
        now = np.where(safe & (c <= 0.0) & (i > 0.0), zz - i * rz - c * sz, np.inf)
        better = now < cost
        cost[better], found[better] = now[better], tau


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
    """Steady current at the cut, and from when it is read: the last third, where it changes by less than 3 %."""
    flat = max(begin, cut - max(0.35 * (cut - begin), 2e-3))
    part = (t > flat) & (t < cut - 0.3e-3)
    if int(part.sum()) < 10:
        return NOTHING, flat
    u, z = t[part], x[part]
    slope, middle = np.polyfit(u - float(np.mean(u)), z, 1)
    change = abs(float(slope)) * float(u[-1] - u[0])
    # The line's end, at the cut: twice the noise of its middle.
    level = float(middle) + float(slope) * (cut - float(np.mean(u)))
    if not level > 0.0 or change > LEAST_FLAT * float(level):
        return NOTHING, flat
    # An exponential bends away from its line by a small part of what it changes.
    u_a = math.sqrt((rel * level) ** 2 + (BENT * change) ** 2 + 4.0 * sigma**2 / u.size)
    return Quantity(level, u_a), flat
