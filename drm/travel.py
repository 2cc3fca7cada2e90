"""Travel: mm from the closed rest position, positive towards open, whatever the sensor's sign, offset or unit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Instrument, Mechanism
from drm.coils import bridged
from drm.motion import millimetres, step_of
from drm.operations import Operation
from drm.record import Record

__all__ = ["Travel", "at", "speed", "travel_of"]

FloatArray = NDArray[np.float64]

#: Steps of the encoder that a local fit spans at least, and how long it may become for that, s.
STEPS, LONGEST_S = 10.0, 0.1


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
    """

    mechanism: str
    mm: FloatArray
    u_mm: float
    resolution_mm: float
    flags: tuple[str, ...]


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
        closed = [_side(mm, opened)] if opened else [float(np.nanmedian(mm))]
        flags.append("no rest in the closed position: zero of travel from its extreme")
    if not opened:
        opened = [_side(mm, closed)]
        flags.append("no rest in the open position: sign of travel from its extreme")
    zero = closed[0]
    sign = -1.0 if float(np.median(opened)) < zero else 1.0
    stroke = abs(float(np.median(opened)) - zero)
    apart = max(closed) - min(closed)
    if apart > max(0.01 * stroke, 2.0 * instrument.linkage_mm, 2.0 * resolution):
        flags.append(f"the closed rest position differs by {apart:.2f} mm between operations")
    out = np.asarray(sign * (mm - zero), dtype=np.float64)
    return Travel(mechanism.name, out, math.hypot(resolution / math.sqrt(12.0), _noise(mm)), resolution, tuple(flags))


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
    return [float(np.median(good))] if good.size >= 3 else []


def _side(mm: FloatArray, other: list[float]) -> float:
    """The extreme of the travel that lies farther from the level of the other position."""
    low, high = (float(v) for v in np.nanpercentile(mm, [1.0, 99.0]))
    return low if abs(low - other[0]) > abs(high - other[0]) else high


def _noise(mm: FloatArray) -> float:
    """Scatter from sample to sample: second differences, which a steady speed leaves at zero."""
    x = mm[np.isfinite(mm)]
    if x.size < 8:
        return 0.0
    return 1.4826 * float(np.median(np.abs(np.diff(x, 2)))) / math.sqrt(6.0)


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
        opening), never more than 0.1 s.

    Notes
    -----
    A. Savitzky, M. J. E. Golay, "Smoothing and differentiation of data by simplified least squares procedures",
    Analytical Chemistry 36 (1964), 1627.
    """
    from drm._travel_kernels import window_slope

    mm, resolution = (travel.mm, travel.resolution_mm) if isinstance(travel, Travel) else (travel, step_of(travel))
    x = bridged(mm)
    step = float(np.median(np.diff(time_s)))
    window = _window(mm, resolution, step) if window_s is None else window_s
    points = max(5, 2 * round(window / step / 2.0) + 1)
    points = min(points, x.size if x.size % 2 else x.size - 1)
    if points < 5:
        return np.full(x.size, np.nan)
    slope = window_slope(np.ascontiguousarray(x, dtype=np.float64), points // 2) * (1e-3 / step)
    return np.where(np.isfinite(mm), slope, np.nan)


def _window(mm: FloatArray, resolution_mm: float, step_s: float) -> float:
    """Two milliseconds, or as long as the encoder takes for ten steps in the middle half of the stroke."""
    x = mm[np.isfinite(mm)]
    if resolution_mm <= 0.0 or x.size < 8:
        return 2e-3
    low, high = (float(v) for v in np.percentile(x, [0.5, 99.5]))
    span = high - low
    inside = int(np.sum((x > low + 0.25 * span) & (x < low + 0.75 * span)))
    passes = max(1, int(np.sum(np.abs(np.diff((x > low + 0.5 * span).astype(np.int8))))))
    if span <= 0.0 or inside == 0:
        return 2e-3
    pace = 0.5 * span * passes / (inside * step_s)
    return min(max(2e-3, STEPS * resolution_mm / pace), LONGEST_S)


def at(travel: Travel, time_s: FloatArray, t: float, *, half_s: float = 0.5e-3) -> float:
    """Travel at instant `t`, mm: a quadratic fitted about it, so that the encoder's steps do not matter.

    Parameters
    ----------
    half_s : float
        Half width of the fit; doubled until the encoder makes six steps in it or it is 0.1 s long.

    Returns
    -------
    float
        NaN outside the record or where samples are missing.
    """
    if not (math.isfinite(t) and float(time_s[0]) <= t <= float(time_s[-1])):
        return math.nan
    half = half_s
    while True:
        a, b = np.searchsorted(time_s, [t - half, t + half])
        a, b = max(0, min(int(a), time_s.size - 5)), min(time_s.size, max(int(b), int(a) + 5))
        u, y = time_s[a:b] - t, travel.mm[a:b]
        good = np.isfinite(y)
        wide = float(np.ptp(y[good])) if bool(good.any()) else 0.0
        # At rest no width would show six steps: a doubling that shows no more is not taken further.
        if travel.resolution_mm <= 0.0 or wide >= 6.0 * travel.resolution_mm or 2.0 * half > LONGEST_S:
            break
        if wide <= travel.resolution_mm and half >= 4e-3:
            break
        half *= 2.0
    if int(good.sum()) < 3 or float(np.min(np.abs(u[good]))) > 2.0 * half_s:
        return math.nan
    degree = 2 if int(good.sum()) >= 6 else 1
    scaled = u[good] / half
    return float(np.polynomial.polynomial.polyfit(scaled, y[good], degree)[0])
