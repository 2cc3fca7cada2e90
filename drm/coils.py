"""Pulses of coil currents, and the instant at which each leaves its baseline."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.clock import interval
from drm.errors import RecordError
from drm.levenberg import fit_curve
from drm.median import median
from drm.record import Channel

__all__ = ["Pulse", "bridged", "pulses", "runs"]

FloatArray = NDArray[np.float64]

#: Least peak of a coil current that counts, A; common practice, no source.
LEAST_A = 0.06
#: Shorter pulses are interference, longer gaps part two pulses, s.
LEAST_S, GAP_S = 2e-3, 5e-3
#: A fall from sample to sample by this share of the peak says no more than that it was between the two.
SUDDEN = 1.0 / 3.0
#: Over how long a peak's level is averaged, s: shorter than the bend that the armature makes in it.
LEVEL_S = 0.6e-3
#: Residual in standard deviations from which the fit of an onset minds outliers less. Such a fit's curvature overstates
#: its variance: of normal noise that is ``E[psi^2] / E[psi']`` of the inverse curvature, here 0.884 (0.776 by 0.878;
#: P. J. Huber, Robust Statistics (1981), 7.6, from memory).
SOFT, SOFT_SHARE = 3.0, 0.884
#: Error of the onset's law without noise, as a share of the sampling interval.
ONSET_LAW = 0.002
#: What a round peak lies above that mean, as a share of it.
ROUND = 1.5e-3


@dataclass(frozen=True)
class Pulse:
    """One current pulse of a coil.

    Attributes
    ----------
    onset_s, onset_u_s : float
        Instant at which the current leaves its baseline, and its standard uncertainty.
    stop_s, stop_u_s : float
        Instant at which it falls through half its peak for the last time, between two samples, and its standard
        uncertainty.
    peak_a : float
        Greatest current above the baseline, whatever the sensor's sign.
    """

    onset_s: float
    onset_u_s: float
    stop_s: float
    peak_a: float
    stop_u_s: float = 0.0


def bridged(samples: FloatArray) -> FloatArray:
    """Samples with NaN replaced by the straight line between their neighbours, shape (n,); zeros where all are NaN."""
    good = np.isfinite(samples)
    if bool(good.all()):
        return samples
    if not bool(good.any()):
        return np.zeros_like(samples)
    at = np.arange(samples.size, dtype=np.float64)
    return np.asarray(np.interp(at, at[good], samples[good]), dtype=np.float64)


def runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Half-open index ranges in which `mask` is True."""
    edge = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edge[::2], edge[1::2], strict=True)]


def pulses(time_s: FloatArray, channel: Channel) -> tuple[Pulse, ...]:
    """Every pulse of one coil current, in order.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        The record's clock; the channel's skew is added here.
    channel : Channel
        Of a current; a unit that is no current's is taken as it stands.

    Returns
    -------
    tuple of Pulse
        Empty for a channel that shows noise only. One under way when the record begins has no onset and is left out.
    """
    try:
        raw, floor = channel.values("A"), LEAST_A
    except RecordError:
        # A shunt's voltage is as good a clock; only the absolute floor has no meaning then.
        raw, floor = channel.samples, 0.0
    if time_s.size < 16 or not bool(np.isfinite(raw).any()):
        return ()
    time, x = (time_s + channel.skew_s if channel.skew_s else time_s), bridged(raw)
    step = interval(time)
    level, sigma = _baseline(x)
    x = x - level
    far = np.abs(x) > max(8.0 * sigma, floor / 2)
    if not bool(far.any()):
        return ()
    # The sensor's sign is the one that the current keeps for longest.
    x = x * (1.0 if float(x[far].sum()) > 0 else -1.0)
    long_runs = [(a, b) for a, b in runs(x > max(8.0 * sigma, floor / 2)) if (b - a) * step >= LEAST_S / 2]
    if not long_runs:
        return ()
    top = max(median(np.sort(x[a:b])[-max(3, (b - a) // 10) :]) for a, b in long_runs)
    if top < max(12.0 * sigma, floor):
        return ()
    found: list[list[int]] = []
    for a, b in runs(x > max(0.1 * top, 6.0 * sigma)):
        if found and (a - found[-1][1]) * step < GAP_S:
            found[-1][1] = b
        else:
            found.append([a, b])
    out = []
    for a, b in found:
        peak = float(np.max(_median3(x[a:b]))) if b - a >= 3 else 0.0
        if (b - a) * step < LEAST_S or peak < max(12.0 * sigma, floor, 0.2 * top) or a < 3:
            continue
        onset, u = _onset(time, x, a, peak, sigma)
        stop, stop_u = _stop(time[a : b + 1], x[a : b + 1], _half(x[a:b], max(5, round(LEVEL_S / step))), sigma)
        out.append(Pulse(onset, u, stop, peak, stop_u))
    return tuple(out)


def _half(x: FloatArray, many: int) -> float:
    """Half of a pulse's peak: of the greatest mean of `many` samples, which noise raises less than a single one."""
    many = min(many, x.size)
    sums = np.concatenate([[0.0], np.cumsum(x)])
    return 0.5 * float(np.max(sums[many:] - sums[:-many])) / many


def _stop(time: FloatArray, x: FloatArray, half: float, sigma: float) -> tuple[float, float]:
    """Where the current falls through `half` for the last time, s: along an exponential between two samples.

    A current that falls by more than a third of its peak between two samples was cut anywhere between them.
    """
    last = int(np.flatnonzero(x > half)[-1])
    if last + 1 >= x.size:
        return float(time[last]), 0.0
    step, fall = float(time[last + 1] - time[last]), float(x[last] - x[last + 1])
    if fall > SUDDEN * 2.0 * half:
        return float(time[last]) + 0.5 * step, step / np.sqrt(12.0)
    low, high = last, last + 1
    while low > 0 and 0.7 * half < x[low - 1] < 1.4 * half and last - low < 60:
        low -= 1
    while high + 1 < x.size and 0.7 * half < x[high + 1] < 1.4 * half and high - last < 60:
        high += 1
    t, y = time[low : high + 1] - time[last], np.log(np.maximum(x[low : high + 1], 0.1 * half) / half)
    rate, level = np.polyfit(t, y, 1)
    if not rate < 0.0:
        return float(time[last]) + 0.5 * step, step / np.sqrt(12.0)
    # The samples' noise, half a peak that noise has raised by some of its size, and a peak's own roundness.
    noise = np.hypot(sigma / half * np.sqrt(1.0 / t.size + 1.0 / 16.0), ROUND)
    return float(time[last] - level / rate), float(noise / -rate)


def _median3(x: FloatArray) -> FloatArray:
    return np.median(np.stack([np.roll(x, 1), x, np.roll(x, -1)]), axis=0)[1:-1] if x.size > 3 else x


def _baseline(x: FloatArray) -> tuple[float, float]:
    """Level and scatter without current: the samples near zero where there are enough, else the densest part."""
    near = x[np.abs(x) < 0.15 * float(np.max(np.abs(x)))]
    if near.size < 0.05 * x.size:
        ordered = np.sort(x)
        half = max(2, int(0.4 * x.size))
        at = int(np.argmin(ordered[half - 1 :] - ordered[: ordered.size - half + 1]))
        near = ordered[at : at + half]
    level = median(near)
    sigma = 1.4826 * median(np.abs(near - level))
    # The feet of rise and decay are small currents, not scatter: they go by what scatter there is at most.
    quiet = near[np.abs(near - level) <= 4.0 * sigma]
    level = median(quiet)
    return level, max(1.4826 * median(np.abs(quiet - level)), 1e-9)


def _onset(time: FloatArray, x: FloatArray, first: int, peak: float, sigma: float) -> tuple[float, float]:
    """Instant at which the rise begins: ``b + s (1 - exp(-r (t - t0))) / r`` fitted to the early rise.

    Early is below 35 % of the peak: later the plunger's motion bends the current.
    """
    step = interval(time)
    later = np.flatnonzero(x[first:] > 0.35 * peak)
    end = first + (int(later[0]) if later.size else 1) + 1
    back = first
    while back > 0 and x[back - 1] > 2.5 * sigma:
        back -= 1
    start = max(0, back - max(20, round(4e-3 / step)))
    if end - back < 4:
        # A step: between the last sample without current and the first with it.
        early = float(time[max(back - 1, 0)])
        return (early + float(time[back])) / 2.0, (float(time[back]) - early) / np.sqrt(12.0)
    t, y = time[start:end] - time[back], x[start:end]
    many = max(1, t.size // 600)
    if many > 1:
        keep = t.size // many * many
        t, y = t[-keep:].reshape(-1, many).mean(axis=1), y[-keep:].reshape(-1, many).mean(axis=1)
    before = y[t < -2.0 * step]
    level = median(before) if before.size >= 5 else 0.0
    rise = max(float(t[-1]), step)

    def curve(t0: float, rate: float, slope: float) -> FloatArray:
        dt = np.maximum(t - t0, 0.0)
        r = max(rate, 1e-3 / rise)
        return np.asarray(slope * -np.expm1(-r * dt) / r, dtype=np.float64)

    best, cost = (0.0, 0.0, peak / rise), np.inf
    for rate in (0.0, 0.5 / rise, 1.0 / rise, 2.0 / rise):
        starts = np.linspace(max(float(t[0]), -2.0 * rise), 0.5 * rise, 80)
        steep = max(rate, 1e-3 / rise)
        shapes = -np.expm1(-steep * np.maximum(t[None, :] - starts[:, None], 0.0)) / steep
        slopes = shapes @ (y - level) / np.maximum(np.sum(np.square(shapes), axis=1), 1e-30)
        rest = np.abs(y - level - slopes[:, None] * shapes)
        costs = np.sum(np.square(np.minimum(rest, 10.0 * sigma)), axis=1)
        k = int(np.argmin(costs))
        if float(costs[k]) < cost:
            best, cost = (float(starts[k]), rate, float(slopes[k])), float(costs[k])
    unit = np.array([rise, 1.0 / rise, peak / rise, max(sigma, 1e-6 * peak)])
    seed = np.array([best[0], max(best[1], 1e-3 / rise), best[2], level]) / unit
    seed[1] = min(max(seed[1], 2e-3), 19.0)

    def residual(p: FloatArray) -> FloatArray:
        q = p * unit
        return np.asarray((q[3] + curve(q[0], q[1], q[2]) - y) / max(sigma, 1e-6 * peak), dtype=np.float64)

    low, high = np.array([-np.inf, 1e-3, 0.0, -np.inf]), np.array([np.inf, 20.0, np.inf, np.inf])
    seed[2] = max(seed[2], 1e-6)
    x_best, jacobian = fit_curve(residual, seed, low=low, high=high, soft=SOFT)
    try:
        u = float(np.sqrt(SOFT_SHARE * np.linalg.inv(jacobian.T @ jacobian)[0, 0])) * rise
    except np.linalg.LinAlgError:
        u = step
    t0 = min(max(float(x_best[0]) * rise, float(t[0])), rise)
    return t0 + float(time[back]), float(np.hypot(u, ONSET_LAW * step))
