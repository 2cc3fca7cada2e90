"""A travel sensor's channel in mm on the record's clock, and the strokes that it shows."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Mechanism
from drm.clock import interval
from drm.coils import bridged, runs
from drm.median import median, percentiles, running_median
from drm.quantity import NOTHING, Quantity
from drm.record import Record

__all__ = ["Stroke", "carried_back", "millimetres", "step_of", "strokes"]

FloatArray = NDArray[np.float64]

#: A stroke below this is noise, mm; missing samples over longer stretches are not bridged, s.
LEAST_STROKE_MM, LONGEST_GAP_S = 2.0, 2e-3
#: What the assumed law of the first movement is off by, as a share of the time carried back: simulated, for forces that
#: fall as a spring's do.
START_LAW = 0.004
#: How far a fitted start may lie from the one by three crossings, s; common practice, no source.
ROUGH_S = 0.5e-3


@dataclass(frozen=True)
class Stroke:
    """One movement from one rest position to the other.

    Attributes
    ----------
    start_s, stop_s : float
        Start of the motion, and the instant at which 95 % of it is done.
    direction : int
        Sign of the movement in the sensor's own sense.
    start_u_s : float
        Standard uncertainty of the start; NaN where too few samples show it.
    """

    start_s: float
    stop_s: float
    direction: int
    start_u_s: float = math.nan


def millimetres(record: Record, mechanism: Mechanism) -> tuple[FloatArray, tuple[str, ...]] | None:
    """The travel channel of `mechanism` in mm, sensor's own sense and zero, on the record's clock.

    Returns
    -------
    mm : ndarray, shape (n,)
        NaN where more than 2 ms are missing.
    flags : tuple of str
        What had to be decided.
    None
        Where the mechanism has no travel channel or it holds no sample.
    """
    sensor = mechanism.travel
    if sensor is None:
        return None
    channel = record.channel(sensor.channel)
    raw, good, flags = channel.samples, np.isfinite(channel.samples), []
    if not bool(good.any()):
        return None
    x = bridged(raw)
    if sensor.curve:
        mm, beyond = _along(np.asarray(sensor.curve, dtype=np.float64), x)
        if beyond:
            flags.append("travel extrapolated beyond the sensor's curve")
    else:
        mm = x * (1.0 if sensor.scale is None else sensor.scale)
    time = record.time_s
    if channel.skew_s:
        mm = np.asarray(np.interp(time, time + channel.skew_s, mm), dtype=np.float64)
    if not bool(good.all()):
        flags.append("missing travel samples bridged")
        step = interval(time)
        wide = [(a, b) for a, b in runs(~good) if (b - a) * step > LONGEST_GAP_S]
        if wide:
            mm = mm.copy()
            flags.append("travel missing over more than 2 ms")
            shift = round(channel.skew_s / step)
            for a, b in wide:
                mm[max(0, a + shift) : max(0, b + shift)] = np.nan
    return mm, tuple(flags)


def _along(curve: FloatArray, x: FloatArray) -> tuple[FloatArray, bool]:
    """Monotone cubic through `curve` (channel unit, mm), straight on beyond its ends; whether that was needed."""
    from scipy.interpolate import PchipInterpolator

    order = np.argsort(curve[:, 0])
    u, mm = curve[order, 0], curve[order, 1]
    out = np.interp(x, u, mm) if u.size < 3 else np.asarray(PchipInterpolator(u, mm)(np.clip(x, u[0], u[-1])))
    if u.size < 2:
        return np.asarray(out, dtype=np.float64), False
    low, high = x < u[0], x > u[-1]
    out = np.where(low, mm[0] + (x - u[0]) * (mm[1] - mm[0]) / (u[1] - u[0]), out)
    out = np.where(high, mm[-1] + (x - u[-1]) * (mm[-1] - mm[-2]) / (u[-1] - u[-2]), out)
    # An encoder's step past the end is not worth a word.
    margin = 0.01 * float(u[-1] - u[0])
    return np.asarray(out, dtype=np.float64), bool((x < u[0] - margin).any() or (x > u[-1] + margin).any())


def step_of(mm: FloatArray) -> float:
    """Smallest repeated step of a quantised trace, mm; 0 where every sample differs (no step can be told)."""
    d = np.abs(np.diff(mm[np.isfinite(mm)]))
    top = float(d.max()) if d.size else 0.0
    d = d[d > max(1e-9, 1e-7 * top)]
    if d.size < 8:
        return median(d) if d.size else 0.0
    ordered = np.sort(d)
    least = float(ordered[max(0, d.size // 100)])
    near = d[(d > 0.5 * least) & (d < 1.5 * least)]
    # Steps of one encoder count are nearly equal; noise has no such cluster.
    tight = np.abs(near - median(near)) < 0.15 * median(near)
    if near.size < max(4, 0.01 * d.size) or float(np.mean(tight)) < 0.8:
        return 0.0
    return median(near[tight])


def strokes(time_s: FloatArray, mm: FloatArray) -> tuple[Stroke, ...]:
    """Every movement between the two rest positions, in order.

    Parameters
    ----------
    time_s, mm : ndarray, shape (n,)
        As :func:`millimetres` gives it.
    """
    x = bridged(mm)
    if x.size < 16:
        return ()
    x = running_median(x, 5)
    low, high = percentiles(x, (0.5, 99.5))
    low, high = _ends(x, low, high)
    span = high - low
    noise, grain = 1.4826 * median(np.abs(np.diff(x))), step_of(mm)
    if span < max(LEAST_STROKE_MM, 20.0 * noise):
        return ()
    # A stroke has left one third and reached the other; rebound and noise stay within theirs.
    state = np.where(x < low + 0.3 * span, -1, np.where(x > low + 0.7 * span, 1, 0))
    known = np.flatnonzero(state)
    turn = np.flatnonzero(np.diff(state[known]))
    out = []
    for k in turn:
        a, b = int(known[k]), int(known[k + 1])
        direction = 1 if state[b] > 0 else -1
        begin = int(known[turn[turn < k][-1] + 1]) if bool((turn < k).any()) else 0
        following = turn[turn > k]
        end = int(known[following[0]]) if following.size else x.size - 1
        y = direction * (x[begin : a + 1] - (low if direction > 0 else high))
        start = _start(time_s[begin : a + 1], y, span, noise, grain)
        z = direction * (x[b : end + 1] - (low if direction > 0 else high))
        done = np.flatnonzero(z > 0.95 * span)
        stop = float(time_s[b + (int(done[0]) if done.size else z.size - 1)])
        out.append(Stroke(start.value, stop, direction, start.u))
    return tuple(out)


def _ends(x: FloatArray, low: float, high: float) -> tuple[float, float]:
    """Rest positions: medians of what lies in the outer tenths, so that overtravel does not count."""
    span = high - low
    if span <= 0.0:
        return low, high
    return median(x[x < low + 0.1 * span]), median(x[x > high - 0.1 * span])


def _start(time: FloatArray, y: FloatArray, span: float, noise: float, grain: float) -> Quantity:
    """Start of a movement away from zero: crossings of 1, 4 and 9 % carried back to rest, and what a fit makes of it.

    From rest under a constant force travel grows with the square of time; a driven slow opening grows with time itself.
    Whichever the three crossings fit better is used.
    """
    # The rest position just before may lie off the common one: overtravel, latch play.
    y = y - _dwelling(y[y < 0.15 * span], max(1e-3 * span, 4.0 * noise))
    t = []
    for share in (0.01, 0.04, 0.09):
        under = np.flatnonzero(y <= max(share * span, 4.0 * noise))
        k = int(under[-1]) if under.size else 0
        if k + 1 < y.size and y[k + 1] != y[k]:
            f = (max(share * span, 4.0 * noise) - y[k]) / (y[k + 1] - y[k])
            t.append(float(time[k] + min(max(f, 0.0), 1.0) * (time[k + 1] - time[k])))
        else:
            t.append(float(time[k]))
    first, second = t[1] - t[0], t[2] - t[1]
    back = first if second < 1.33 * first else first / 3.0
    rough = max(float(time[0]), t[0] - back)
    # From the last rest on: an earlier swing to the same place is none of this movement.
    moving = time > rough - 5e-3
    got = carried_back(time[moving], y[moving], span, step_mm=grain, u_mm=math.hypot(noise, grain / math.sqrt(12.0)))
    # Where the law does not hold, as after a rest with play, the crossings are the safer.
    if got and abs(got.value - rough) < ROUGH_S:
        return Quantity(max(float(time[0]), got.value), got.u)
    return Quantity(rough)


def carried_back(time_s: FloatArray, way_mm: FloatArray, stroke_mm: float, *, step_mm: float, u_mm: float) -> Quantity:
    """Start of a motion, s: its first few per cent carried back to rest; NOTHING where few samples show them.

    Under a force that falls as the way grows, as a spring's does, ``t = t0 + a y^(1/2) + b y^(3/2)`` (from the work
    done); driven by a screw the way grows with time itself, and ``t = t0 + a y^(1/2) + b y`` holds. Fitted from 0.3 %
    (or six steps) to 6 % of the stroke.

    Parameters
    ----------
    time_s, way_mm : ndarray, shape (n,)
        From rest on, the way from there.
    step_mm, u_mm : float
        Encoder's step, and standard uncertainty of one reading.
    """
    low = max(0.003 * stroke_mm, 6.0 * step_mm, 6.0 * u_mm)
    high = max(0.06 * stroke_mm, 4.0 * low)
    over = np.flatnonzero(way_mm >= high)
    if over.size == 0:
        return NOTHING
    end = int(over[0])
    under = np.flatnonzero(way_mm[:end] < low)
    begin = int(under[-1]) + 1 if under.size else 0
    t, y = time_s[begin:end], way_mm[begin:end]
    if t.size < 6:
        return NOTHING
    s, origin = np.sqrt(np.maximum(y, 0.0)), float(t[0])
    fits = []
    for power in (3, 2):
        design = np.stack([np.ones_like(s), s, s**power], axis=1)
        found, *_ = np.linalg.lstsq(design, t - origin, rcond=None)
        left = t - origin - design @ found
        fits.append((float(left @ left), power, design, found, left))
    # A screw's motion is none of a spring's by far; where both fit it is a spring's.
    _, power, design, found, left = fits[1] if fits[1][0] < 0.5 * fits[0][0] else fits[0]
    scatter = float(np.sqrt(np.sum(left**2) / max(1, t.size - 3)))
    weights = np.linalg.pinv(design)[0]
    # The rest position that is left is known to a step of the encoder: its error moves every reading alike.
    root = np.maximum(s, 1e-9)
    slopes = (float(found[1]) + power * float(found[2]) * root ** (power - 1)) / (2.0 * root)
    zero = step_mm / math.sqrt(12.0) * abs(float(weights @ slopes))
    # The curve's own shape below what is fitted is assumed: a part of the time back to rest.
    u = math.sqrt(scatter**2 * float(weights @ weights) + zero**2 + (START_LAW * float(found[0])) ** 2)
    return Quantity(origin + float(found[0]), u)


def _dwelling(y: FloatArray, width: float) -> float:
    """Level at which `y` dwells longest, to within `width`: its rest, however slowly it leaves it."""
    if y.size == 0:
        return 0.0
    ordered = np.sort(y)
    inside = np.searchsorted(ordered, ordered + width, side="right") - np.arange(ordered.size)
    k = int(np.argmax(inside))
    return median(ordered[k : k + int(inside[k])])
