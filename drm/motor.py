"""Charging motor: inrush, running current, charging time and energy."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.coils import bridged
from drm.kept import kept
from drm.median import median
from drm.quantity import NOTHING, Quantity
from drm.record import Record

__all__ = ["MotorRun", "motor_runs"]

FloatArray = NDArray[np.float64]
#: Shorter runs are interference, longer pauses part two runs, s; least current that counts, A.
LEAST_S, PAUSE_S, LEAST_A = 50e-3, 0.1, 0.1
#: Part of the run in which it is past its inrush and not yet at the end of the charge.
STEADY = (0.3, 0.9)
#: How long before its threshold an alternating current's beginning is looked for, s.
LEAD_S = 2e-3
#: What the law of an alternating current's beginning is off by, as a share of the sampling interval: simulated over all
#: phases of the voltage.
SMALL = 0.1


@dataclass(frozen=True)
class MotorRun:
    """One run of a motor.

    Attributes
    ----------
    start_s : Quantity
        Instant at which its current begins, on the record's clock; NaN where the record begins with it.
    peak_a : Quantity
        Greatest current, the inrush; NaN where its start was not recorded.
    running_a : Quantity
        Mean between 30 and 90 % of the run: of the current where it is direct, root mean square where it alternates.
    duration_s : Quantity
        Charging time; NaN where start or end was not recorded.
    energy_j : Quantity
        Voltage times current over the run, where the voltage is recorded too.
    """

    start_s: Quantity = NOTHING
    peak_a: Quantity = NOTHING
    running_a: Quantity = NOTHING
    duration_s: Quantity = NOTHING
    energy_j: Quantity = NOTHING
    begin_s: float = math.nan


@kept
def motor_runs(
    record: Record, current: str, *, voltage: str | None = None, current_rel: float = 0.005, voltage_rel: float = 0.002
) -> tuple[MotorRun, ...]:
    """Every run of one motor in a record, in order.

    Parameters
    ----------
    current, voltage : str
        Channels of the motor's current and, where recorded, of its supply.
    current_rel, voltage_rel : float
        Standard relative uncertainties of the two gains.

    Raises
    ------
    RecordError
        If a channel's unit is none of a current or voltage.
    """
    channel = record.channel(current)
    time, x = record.time_s + channel.skew_s, bridged(channel.values("A"))
    if time.size < 32:
        return ()
    step = 1.0 / record.sample_rate_hz
    # Half a line period hides the ripple of a rectified or alternating current.
    many = max(1, round(10e-3 / step))
    offset = _quiet(x, many)
    x = x - offset
    power = np.convolve(x**2, np.ones(many) / many, mode="same")
    level = np.sqrt(np.maximum(power, 0.0))
    quiet = float(np.percentile(level, 5.0))
    top = float(np.max(level))
    if top < max(LEAST_A, 6.0 * quiet) and not float(np.min(level)) > LEAST_A:
        return ()
    out: list[MotorRun] = []
    for a, b in _stretches(level > max(LEAST_A / 2.0, 0.1 * median(level[level > 0.3 * top])), step):
        if (b - a) * step >= LEAST_S:
            out.append(_run(record, time, x, a, b, many, voltage, current_rel, voltage_rel))
    return tuple(out)


def _quiet(x: FloatArray, many: int) -> float:
    """The channel's offset: the level of its quietest tenth; zero where the motor never rests."""
    blocks = x[: x.size // many * many].reshape(-1, many)
    spread, level = np.std(blocks, axis=1), np.mean(blocks, axis=1)
    calm = level[spread <= float(np.percentile(spread, 10.0))]
    # A running motor may be as calm as a resting one, but not near zero.
    low = calm[np.abs(calm) < 0.05 * float(np.max(np.abs(x)))]
    return median(low) if low.size else 0.0


def _stretches(on: NDArray[np.bool_], step: float) -> list[tuple[int, int]]:
    edge = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)))
    out: list[list[int]] = []
    for a, b in zip(edge[::2].tolist(), edge[1::2].tolist(), strict=True):
        if out and (a - out[-1][1]) * step < PAUSE_S:
            out[-1][1] = b
        else:
            out.append([a, b])
    return [(a, b) for a, b in out]


def _run(
    record: Record,
    time: FloatArray,
    x: FloatArray,
    a: int,
    b: int,
    many: int,
    voltage: str | None,
    current_rel: float,
    voltage_rel: float,
) -> MotorRun:
    step = 1.0 / record.sample_rate_hz
    begun, ended = a > many, b < x.size - many
    low, high = max(0, a - 2 * many), min(x.size, b + 2 * many)
    part = x[low:high]
    core = part[(part.size * 3) // 10 : (part.size * 9) // 10]
    rms = float(np.sqrt(np.mean(core**2)))
    outside = np.concatenate([x[max(0, low - 5 * many) : low], x[high : high + 5 * many]])
    sigma = 1.4826 * median(np.abs(outside)) if outside.size >= 8 else 0.0
    # The edges from the samples themselves: the smoothed level is blurred by its window.
    above = low + np.flatnonzero(np.abs(part) > max(6.0 * sigma, 0.05 * rms))
    first, last = int(above[0]), int(above[-1])
    hidden = _hidden(above) * step
    if hidden <= 2.0 * step:
        early = np.abs(x[first : first + max(4, round(2e-3 / step))])
        edge_u = max(hidden, step) / math.sqrt(12.0)
        back, begin_u = _rise(early, step, sigma, edge_u)
        begin = float(time[first]) - back
        end, fall_u = _end(time, np.abs(x), first, last, step)
        end_u = math.hypot(edge_u, fall_u)
    else:
        near, least = np.abs(x[first : last + 1]), max(6.0 * sigma, 0.05 * rms)
        after, end_u = _turned_off(near[-2:], least, step, hidden)
        # Behind its inductance it is small at first: what stands out of the noise belongs to it.
        low, least = max(0, first - round(LEAD_S / step)), max(6.0 * sigma, 1e-3 * rms)
        first = low + int(np.flatnonzero(np.abs(x[low : first + 1]) > least)[0])
        early = np.abs(x[first : first + max(5, round(0.4e-3 / step))])
        before, begin_u = _turned_on(early, step, sigma, least)
        begin, end = float(time[first]) - before, float(time[last]) + after
    length = last - first + 1
    steady = x[first + int(STEADY[0] * length) : first + int(STEADY[1] * length)]
    if steady.size < 8:
        return MotorRun(begin_s=begin)
    mean, square = abs(float(np.mean(steady))), float(np.sqrt(np.mean(steady**2)))
    direct = mean > 0.8 * square
    level = mean if direct else square
    out = MotorRun(
        start_s=Quantity(begin, begin_u) if begun else NOTHING,
        peak_a=_peak(x[first : last + 1], sigma, current_rel) if begun else NOTHING,
        running_a=Quantity(level, math.hypot(current_rel * level, sigma / math.sqrt(steady.size))),
        duration_s=Quantity(end - begin, math.hypot(begin_u, end_u)) if begun and ended else NOTHING,
        energy_j=NOTHING,
        begin_s=begin,
    )
    if voltage is None or not (begun and ended):
        return out
    v = record.channel(voltage)
    volts = np.interp(time[first : last + 1], record.time_s + v.skew_s, bridged(v.values("V")))
    joule = abs(float(np.sum(volts * x[first : last + 1])) * step)
    energy = Quantity(joule, joule * math.hypot(current_rel, voltage_rel))
    return MotorRun(out.start_s, out.peak_a, out.running_a, out.duration_s, energy, begin)


def _hidden(above: NDArray[np.intp]) -> float:
    """How many samples an alternating or rectified current is below the threshold about a zero; 1 where it is not."""
    gaps = np.diff(above)
    wide = gaps[gaps > 1]
    return float(np.percentile(wide, 90.0)) if wide.size >= 3 else 1.0


def _turned_on(x: FloatArray, step: float, sigma: float, least: float) -> tuple[float, float]:
    """How long before its first sample above the threshold an alternating current began, and how sure that is, s.

    Behind an inductance it grows as ``t sin(w t + phase)``, near a zero of that as ``t (t - t0)``: it began at one root
    of the parabola through its first samples, at the later one where the lobe between the two would have been seen
    (above `least`), else at either.
    """
    first, second = float(x[0]), float(x[1])
    if not second > first:
        return 0.5 * step, step / math.sqrt(12.0)
    line = first / (second - first)
    noise = math.hypot(second, first) * sigma / (second - first) ** 2
    bend, slope, level = (float(c) for c in np.polyfit(np.arange(x.size), x, 2))
    if x.size < 4 or not bend > 0.0 or not slope > 0.0:
        return step * line, step * math.hypot(noise, SMALL)
    apex = 0.5 * slope / bend
    depth = bend * apex**2 - level
    half = math.sqrt(max(depth, 0.0) / bend)
    if depth > least or half > line + 1.0:
        return step * (apex - half), step * math.hypot(noise, SMALL)
    return step * apex, step * math.hypot(half, math.hypot(noise, SMALL))


def _turned_off(x: FloatArray, least: float, step: float, hidden: float) -> tuple[float, float]:
    """How long after its last sample an alternating current was cut, and how sure that is, s.

    Where it would still be above the threshold `least` one sample later it was cut between the two, else anywhere in
    the part about its zero that lies below the threshold.
    """
    width = step if 2.0 * float(x[1]) - float(x[0]) > least else hidden
    return 0.5 * width, width / math.sqrt(12.0)


def _end(time: FloatArray, x: FloatArray, first: int, last: int, step: float) -> tuple[float, float]:
    """Where the switch opened: the last sample near the level before it; the current may take a while to die away."""
    back = round(30e-3 / step)
    lead = x[max(first, last - back) : max(first + 4, last - back // 3)]
    level = median(lead)
    near = np.flatnonzero(x[max(first, last - back) : last + 1] > 0.9 * level)
    if near.size == 0:
        return float(time[last]) + 0.5 * step, 0.0
    k = max(first, last - back) + int(near[-1])
    # What it takes to fall by that tenth is a small part of what it takes to die away.
    return float(time[k]) + 0.5 * step, (float(time[last]) - float(time[k])) / 30.0


def _rise(x: FloatArray, step: float, sigma: float, edge_u: float) -> tuple[float, float]:
    """How long before its first sample the current began, and how sure that is, s.

    Time as a polynomial of the current, through the early rise up to half of it, is carried back to none: an
    exponential rise bends that way. A current that is there within a few samples began anywhere in the interval before
    the first.
    """
    top = float(np.max(x)) if x.size else 0.0
    early = np.flatnonzero(x > 0.5 * top)
    k = int(early[0]) + 1 if early.size else 0
    if k < 5:
        return 0.5 * step, edge_u
    t, y, terms = step * np.arange(k), x[:k] / top, 3 if k < 10 else 4
    design = np.vander(y, terms, increasing=True)
    found, *_ = np.linalg.lstsq(design, t, rcond=None)
    scatter = max(float(np.std(t - design @ found)) * math.sqrt(k / (k - terms)), sigma / top * abs(float(found[1])))
    spread = math.sqrt(max(float(np.linalg.pinv(design.T @ design)[0, 0]), 0.0))
    back = min(max(-float(found[0]), 0.0), 2e-3)
    return back, scatter * spread


def _peak(x: FloatArray, sigma: float, rel: float) -> Quantity:
    """Greatest magnitude; the median of three takes single-sample disturbances out."""
    y = np.abs(x)
    if y.size > 4:
        y = np.median(np.stack([y[:-2], y[1:-1], y[2:]]), axis=0)
    value = float(np.max(y))
    return Quantity(value, math.hypot(rel * value, sigma))
