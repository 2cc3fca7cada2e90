"""When contacts part or touch, and currents end or begin, each channel by itself: for pairing them.

Read as the checks of a named pairing read them (see :mod:`drm.setup_skew`), here for every voltage and every current.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drm.coils import bridged, runs
from drm.describe_seen import Course
from drm.median import nanmedian
from drm.record import Channel, Record
from drm.resistance import Trace
from drm.setup_skew import events_of
from drm.units import factor

__all__ = ["Instants", "instants_of"]

FloatArray = NDArray[np.float64]

#: What is looked at before and after the contacts' changes, s.
BEFORE_S, AFTER_S = 30e-3, 15e-3
#: A fall lasts so long, s; a contact's last state before its loss is read over this, s.
STAYS_S, BESIDE_S = 0.3e-3, 0.5e-3
#: A voltage follows a current's ripple where no more than this share of its own is left, and of what any other current
#: leaves, in each of so many parts of a stretch at rest, of so many samples at least.
LEFT, QUARTERS, LEAST_QUARTER = 0.5, 4, 40


@dataclass(frozen=True)
class Instants:
    """When one operation shows in each channel, s; NaN where it does not.

    Attributes
    ----------
    course : Course
    lost_s : dict
        Voltage -> loss or first gain of metal.
    moved_s : dict
        Current -> beginning of its fall or rise.
    fallen_s : dict
        Voltage or current -> fall below half of its closed level.
    ripple : dict
        Voltage -> the one current whose ripple it follows while the contact is closed and at rest, where one does.
    """

    course: Course
    step_s: float
    lost_s: Mapping[str, float]
    moved_s: Mapping[str, float]
    fallen_s: Mapping[str, float]
    ripple: Mapping[str, str] = field(default_factory=dict)


def instants_of(
    record: Record, courses: Sequence[Course], voltages: Sequence[Channel], currents: Sequence[Channel]
) -> list[Instants]:
    """Instants of every operation in every voltage and current of contacts."""
    out = []
    for n, course in enumerate(courses):
        begin = max(course.first_s - BEFORE_S, courses[n - 1].last_s + 2e-3 if n else -math.inf)
        end = min(course.last_s + AFTER_S, courses[n + 1].first_s - 2e-3 if n + 1 < len(courses) else math.inf)
        # The coarse search tells an instant to a stretch of samples only.
        a, b = (int(np.searchsorted(record.time_s, t)) for t in (begin, end))
        if b - a < 64:
            continue
        volts = {c.name: _level(record, c, "V", slice(a, b), course) for c in voltages}
        amps = {c.name: _level(record, c, "A", slice(a, b), course) for c in currents}
        out.append(_instants(record, course, slice(a, b), voltages, volts, amps))
    return out


@dataclass(frozen=True, eq=False)
class _Level:
    samples: FloatArray
    closed: float


def _rest(course: Course, size: int) -> slice:
    return slice(0, size // 3) if course.kind == "open" else slice(size - size // 4, size)


def _level(record: Record, channel: Channel, unit: str, window: slice, course: Course) -> _Level:
    """Samples on the record's clock, turned so that the closed level is positive."""
    to = factor(channel.unit, unit)
    if channel.skew_s:
        x = np.interp(record.time_s[window], record.time_s + channel.skew_s, channel.samples) * to
    else:
        x = channel.samples[window] * to
    closed = float(nanmedian(x[_rest(course, x.size)])) if np.isfinite(x).any() else math.nan
    return _Level(np.asarray(x * (-1.0 if closed < 0.0 else 1.0)), abs(closed))


def _instants(
    record: Record,
    course: Course,
    window: slice,
    voltages: Sequence[Channel],
    volts: Mapping[str, _Level],
    amps: Mapping[str, _Level],
) -> Instants:
    time = record.time_s[window]
    step = 1.0 / record.sample_rate_hz
    any_a = next((a for a in amps.values() if a.closed > 0.0), None)
    any_v = next((v for v in volts.values() if v.closed > 0.0), None)
    lost, moved = {}, {}
    for c in voltages:
        v = volts[c.name]
        # Which current stands beside it matters for an arc on closing only; the one that fits best is not known yet.
        ceiling = _ceiling(c) * factor(c.unit, "V")
        lost[c.name] = _events(time, v, any_a, course, ceiling)[0] if any_a is not None else math.nan
        if course.kind == "open" and _without_current(time, v, lost[c.name]):
            lost[c.name] = math.nan
    for name, a in amps.items():
        moved[name] = _events(time, any_v, a, course, math.inf)[1] if any_v is not None and a.closed > 0 else math.nan
    fallen = {n: _fallen(time, x, course) for n, x in (*volts.items(), *amps.items())}
    return Instants(course, step, lost, moved, fallen, _ripple(volts, amps, _rest(course, time.size)))


def _ripple(volts: Mapping[str, _Level], amps: Mapping[str, _Level], rest: slice) -> dict[str, str]:
    """Voltages whose ripple is that of one current and of no other, in each quarter of a stretch at rest.

    A closed contact's voltage is its resistance times its current, so that a source's ripple is in both; what several
    sources have in common tells nothing.
    """
    quarter = (rest.stop - rest.start) // QUARTERS
    if quarter < LEAST_QUARTER or len(amps) < 2:
        return {}

    def parts(level: _Level) -> FloatArray:
        x = bridged(level.samples[rest])[: QUARTERS * quarter].reshape(QUARTERS, quarter)
        x = x - x.mean(axis=1, keepdims=True)
        return np.asarray(x / np.maximum(np.sqrt((x**2).sum(axis=1, keepdims=True)), 1e-30))

    v, i = (np.stack([parts(x) for x in levels.values()]) for levels in (volts, amps))
    left = 1.0 - np.einsum("vqn,iqn->viq", v, i) ** 2
    out = {}
    for name, rows in zip(volts, left, strict=True):
        best = int(np.argmin(rows.mean(axis=1)))
        others = np.delete(rows, best, axis=0).min(axis=0)
        if bool((rows[best] < LEFT).all() and (rows[best] < LEFT * others).all()):
            out[name] = list(amps)[best]
    return out


def _ceiling(channel: Channel) -> float:
    """Voltage at which the channel saturates: a greatest value that repeats, else infinite."""
    x = np.abs(channel.samples[np.isfinite(channel.samples)])
    top = float(x.max()) if x.size else math.inf
    return top if int(np.count_nonzero(x >= top * (1 - 1e-9))) >= 5 else math.inf


def _events(time: FloatArray, v: _Level, a: _Level, course: Course, ceiling: float) -> tuple[float, float]:
    rest = _rest(course, time.size)
    sigma = 1.4826 * float(nanmedian(np.abs(v.samples[rest] - v.closed))) if v.closed == v.closed else math.nan
    if not (a.closed > 0.0 and math.isfinite(sigma)):
        return math.nan, math.nan
    e = events_of(Trace(time, v.samples, a.samples, course.kind, rest, a.closed, max(sigma, 1e-7), ceiling))
    return e.voltage_s, e.current_s


def _fallen(time: FloatArray, x: _Level, course: Course) -> float:
    """When it first stayed below half of its closed level, opening only: its current was ended."""
    rest = x.samples[_rest(course, time.size)]
    if course.kind != "open" or not x.closed > 6.0 * 1.4826 * float(nanmedian(np.abs(rest - x.closed))):
        return math.nan
    step = float(time[1] - time[0])
    lasting = [(a, b) for a, b in runs(x.samples < 0.5 * x.closed) if (b - a) * step > STAYS_S]
    return float(time[lasting[0][0]]) if lasting and lasting[0][0] > 0 else math.nan


def _without_current(time: FloatArray, x: _Level, lost_s: float) -> bool:
    """Whether a contact that was lost carried nothing any more: another in series had ended the current."""
    before = x.samples[(time > lost_s - BESIDE_S) & (time < lost_s - 0.2 * BESIDE_S)]
    return before.size > 0 and float(nanmedian(before)) < 0.5 * x.closed
