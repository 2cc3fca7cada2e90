"""Travel: mm from the closed rest position, positive towards open, whatever the sensor's sign, offset or unit.

A reading is fitted over many steps of the encoder, so that its own error is far below a step. The zero is not: at rest
the encoder stands on one count, and its error, a step's uniform distribution, is common to every reading from there.
Simulated (steps of 0.05 to 0.5 mm, 20 mm/s to 6.5 m/s): the fit's standard error is 0.01 to 0.1 of a step, 0.17 where
whole steps go by between samples, the zero's 0.289; it cancels between two instants.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Instrument, Mechanism
from drm.clock import interval
from drm.coils import bridged
from drm.median import median, nanmedian, percentiles
from drm.motion import millimetres, step_of
from drm.operations import Operation
from drm.record import Record
from drm.travel_uncertainty import level_u, slope_u

__all__ = ["Reading", "Travel", "at", "pace_of", "reading", "speed", "travel_of"]

FloatArray = NDArray[np.float64]

#: Steps of the encoder that a local fit spans at least, and how long it may become for that, s.
STEPS, LONGEST_S = 10.0, 0.1
#: What the travel's bend within the window of the speed costs of it, simulated at parting.
BEND = 1e-3


@dataclass(frozen=True, eq=False)
class Travel:
    """Travel of one mechanism over the whole record.

    Attributes
    ----------
    mechanism : str
    mm : ndarray, shape (n,)
        On the record's clock; NaN where samples are missing for more than 2 ms.
    u_mm : float
        Standard uncertainty of one reading from resolution and noise, without the scale's and the linkage's.
    resolution_mm : float
        Step of the encoder; 0 where none can be told.
    flags : tuple of str
        What had to be decided.
    zero_u_mm : float
        Standard uncertainty of the closed rest position's reading, common to the whole record.
    """

    mechanism: str
    mm: FloatArray
    u_mm: float
    resolution_mm: float
    flags: tuple[str, ...]
    zero_u_mm: float = 0.0


@dataclass(frozen=True)
class Reading:
    """Travel and speed at one instant, from fits about it.

    Attributes
    ----------
    mm, u_mm : float
        Travel; the standard uncertainty is the fit's alone, without those of zero, scale and linkage.
    speed_u_m_s : float
        Standard uncertainty of :func:`speed` there, without the scale's.
    """

    mm: float = math.nan
    u_mm: float = math.nan
    speed_u_m_s: float = math.nan


#: Travel -> clock and pace, as :func:`pace_of` gives it.
_PACES: WeakKeyDictionary[Travel, tuple[FloatArray, FloatArray]] = WeakKeyDictionary()


def travel_of(
    record: Record, mechanism: Mechanism, operations: Sequence[Operation], *, instrument: Instrument
) -> Travel | None:
    """Travel of `mechanism` in mm; None where it has no travel channel.

    The zero is the median of a rest in the closed position (before the first opening, else after a closing), and
    positive is the side on which the rests in the open position lie.

    Parameters
    ----------
    operations : sequence of Operation
        As :func:`drm.operations.find_operations` gives them.
    instrument : Instrument
        Its linkage play is the least by which rests in one position must differ to be flagged.
    """
    got = millimetres(record, mechanism)
    if got is None:
        return None
    mm, flags = got[0], list(got[1])
    resolution = step_of(mm)
    closed, opened = _rests(record.time_s, mm, mechanism.name, operations)
    if not closed:
        # The record begins or ends in motion: the extreme on the side of the closed position is the next best.
        closed = [_side(mm, opened)] if opened else [nanmedian(mm)]
        flags.append("no rest in the closed position: zero of travel from its extreme")
    if not opened:
        opened = [_side(mm, closed)]
        flags.append("no rest in the open position: sign of travel from its extreme")
    zero = closed[0]
    sign = -1.0 if median(opened) < zero else 1.0
    stroke = abs(median(opened) - zero)
    apart = max(closed) - min(closed)
    if apart > max(0.01 * stroke, 2.0 * instrument.linkage_mm, 2.0 * resolution):
        flags.append(f"the closed rest position differs by {apart:.2f} mm between operations")
    out = np.asarray(sign * (mm - zero), dtype=np.float64)
    # Where the encoder's step is lost in noise the recorder's own step is the least that the zero can be wrong by.
    step = resolution or _channel_step(record, mechanism)
    u = math.hypot(resolution / math.sqrt(12.0), _noise(mm))
    return Travel(mechanism.name, out, u, resolution, tuple(flags), step / math.sqrt(12.0))


def _channel_step(record: Record, mechanism: Mechanism) -> float:
    """Step of the travel channel in mm as the recorder states it; 0 where it is not stated or a curve bends it."""
    sensor = mechanism.travel
    if sensor is None or sensor.scale is None:
        return 0.0
    step = abs(sensor.scale) * record.channel(sensor.channel).resolution
    return step if math.isfinite(step) else 0.0


def _rests(
    time: FloatArray, mm: FloatArray, name: str, operations: Sequence[Operation]
) -> tuple[list[float], list[float]]:
    """Levels of the rests in the closed and in the open position, in order of time."""
    levels: dict[str, list[float]] = {"closed": [], "open": []}
    for k, op in enumerate(operations):
        # Nothing moves before the coil is energised; a start of motion is not known to the sample.
        until = op.reference_s[name] - (1e-3 if op.reference[name] == "motion" else 0.0)
        before = (time >= op.start_s) & (time < until)
        if k == 0:
            levels["closed" if op.kind == "open" else "open"] += _level(mm[before])
        later = operations[k + 1].reference_s[name] if k + 1 < len(operations) else math.inf
        end = min(op.stop_s, later)
        after = (time > end - 0.25 * (end - op.reference_s[name])) & (time <= end)
        levels["open" if op.kind == "open" else "closed"] += _level(mm[after])
    return levels["closed"], levels["open"]


def _level(samples: FloatArray) -> list[float]:
    good = samples[np.isfinite(samples)]
    return [median(good)] if good.size >= 3 else []


def _side(mm: FloatArray, other: list[float]) -> float:
    """The extreme of the travel that lies farther from the level of the other position."""
    low, high = (float(v) for v in np.nanpercentile(mm, [1.0, 99.0]))
    return low if abs(low - other[0]) > abs(high - other[0]) else high


def _noise(mm: FloatArray) -> float:
    """Scatter from sample to sample: second differences, which a steady speed leaves at zero."""
    x = mm[np.isfinite(mm)]
    if x.size < 8:
        return 0.0
    return 1.4826 * median(np.abs(np.diff(x, 2))) / math.sqrt(6.0)


def speed(travel: Travel | FloatArray, time_s: FloatArray, *, window_s: float | None = None) -> FloatArray:
    """Speed in m/s, shape (n,), positive towards open: slope of a quadratic fitted over a window about each sample.

    Parameters
    ----------
    travel : Travel or ndarray, shape (n,)
        The whole record's, or a part of it in mm.
    time_s : ndarray, shape (n,)
        The clock of these samples.
    window_s : float, optional
        Whole width; by default 2 ms, longer where the encoder makes fewer than ten steps in it at mid-stroke (a slow
        opening), never more than 0.1 s. Noise counts as a step of the same standard deviation.

    Notes
    -----
    A. Savitzky, M. J. E. Golay, "Smoothing and differentiation of data by simplified least squares procedures",
    Analytical Chemistry 36 (1964), 1627. Simulated at 6.5 m/s: the bend of the travel within 2 ms costs 0.1 % of the
    speed at parting.
    """
    from drm._travel_kernels import window_slope

    mm = travel.mm if isinstance(travel, Travel) else travel
    x = bridged(mm)
    step = interval(time_s)
    if window_s is None:
        window_s = _window(mm, _grain(travel) if isinstance(travel, Travel) else _grain_of(travel), step)
    points = _points(window_s, step, x.size)
    if points < 5:
        return np.full(x.size, np.nan)
    slope = window_slope(np.ascontiguousarray(x, dtype=np.float64), points // 2) * (1e-3 / step)
    return np.where(np.isfinite(mm), slope, np.nan)


def pace_of(travel: Travel, time_s: FloatArray) -> FloatArray:
    """Size of :func:`speed` over the whole record, m/s, shape (n,); worked out once, and written to by nobody."""
    if travel not in _PACES or _PACES[travel][0] is not time_s:
        _PACES[travel] = (time_s, np.abs(speed(travel, time_s)))
    return _PACES[travel][1]


def _grain(travel: Travel) -> float:
    """Step of a uniform distribution with the standard deviation that steps and noise have together, mm."""
    return math.sqrt(12.0) * travel.u_mm


def _grain_of(mm: FloatArray) -> float:
    return math.hypot(step_of(mm), math.sqrt(12.0) * _noise(mm))


def _points(window_s: float, step_s: float, size: int) -> int:
    points = max(5, 2 * round(window_s / step_s / 2.0) + 1)
    return min(points, size if size % 2 else size - 1)


def _window(mm: FloatArray, grain_mm: float, step_s: float) -> float:
    """Two milliseconds, or as long as the travel takes for ten grains in the middle half of the stroke."""
    x = mm[np.isfinite(mm)]
    if grain_mm <= 0.0 or x.size < 8:
        return 2e-3
    low, high = percentiles(x, (0.5, 99.5))
    span = high - low
    inside = int(np.sum((x > low + 0.25 * span) & (x < low + 0.75 * span)))
    # From one quarter to the other: noise crosses the middle many times in one slow passage.
    ends = np.sign(x - low - 0.5 * span)[np.abs(x - low - 0.5 * span) > 0.25 * span]
    passes = max(1, int(np.count_nonzero(np.diff(ends))))
    if span <= 0.0 or inside == 0:
        return 2e-3
    pace = 0.5 * span * passes / (inside * step_s)
    return min(max(2e-3, STEPS * grain_mm / pace), LONGEST_S)


def at(travel: Travel, time_s: FloatArray, t: float, *, half_s: float = 0.5e-3) -> float:
    """Travel at instant `t`, mm: the value of :func:`reading`."""
    return reading(travel, time_s, t, half_s=half_s).mm


def reading(
    travel: Travel, time_s: FloatArray, t: float, *, half_s: float = 0.5e-3, pace_m_s: float = math.nan
) -> Reading:
    """Travel at instant `t`: a quadratic fitted about it, so that the encoder's steps do not matter.

    Parameters
    ----------
    half_s : float
        Half width of the fit; doubled until the travel goes six grains (steps, or noise as wide) in it or it is 0.1 s
        long.
    pace_m_s : float, optional
        Speed there, where it is known already: how many steps fall into the window of :func:`speed`.

    Returns
    -------
    Reading
        NaN outside the record or where samples are missing.
    """
    if not (math.isfinite(t) and float(time_s[0]) <= t <= float(time_s[-1])):
        return Reading()
    half, grain = half_s, _grain(travel)
    while True:
        a, b = np.searchsorted(time_s, [t - half, t + half])
        a, b = max(0, min(int(a), time_s.size - 5)), min(time_s.size, max(int(b), int(a) + 5))
        u, y = time_s[a:b] - t, travel.mm[a:b]
        good = np.isfinite(y)
        wide = float(np.ptp(y[good])) if bool(good.any()) else 0.0
        if grain <= 0.0 or wide >= 6.0 * grain or 2.0 * half > LONGEST_S:
            break
        half *= 2.0
    n = int(good.sum())
    if n < 3 or float(np.min(np.abs(u[good]))) > 2.0 * half_s:
        return Reading()
    scaled = u[good] / half
    fit = np.polynomial.polynomial.polyfit(scaled, y[good], 2 if n >= 6 else 1)
    step = float(time_s[b - 1] - time_s[a]) / (b - 1 - a)
    noise = math.sqrt(max(travel.u_mm**2 - travel.resolution_mm**2 / 12.0, 0.0))
    per_sample = abs(float(fit[1])) / half * step
    u_mm = level_u(travel.resolution_mm, noise, per_sample_mm=per_sample, n=n)
    if math.isfinite(pace_m_s):
        per_sample = 1e3 * abs(pace_m_s) * step
    # At the pace of this instant: the window of speed() is that of mid-stroke, which is seldom the narrower.
    window = min(max(2e-3, STEPS * grain * step / max(per_sample, 1e-12)), LONGEST_S)
    points = _points(window, step, time_s.size)
    u_speed = slope_u(travel.resolution_mm, noise, per_sample_mm=per_sample, n=points, step_s=step)
    return Reading(float(fit[0]), u_mm, math.hypot(u_speed, 1e-3 * BEND * per_sample / step))
