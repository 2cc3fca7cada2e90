"""Which mechanism a contact, a release or an auxiliary contact belongs to, by when things happen along its travel."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.coils import bridged, pulses
from drm.contact_state import state_of
from drm.describe_instants import Instants
from drm.describe_seen import Course
from drm.describe_signal_coils import OBEYED_S
from drm.record import Channel, Record
from drm.setup_travel import Happening, wrong_pole

__all__ = ["Place", "Test", "changes_at", "exchanged", "latches", "parts_at", "places"]

FloatArray = NDArray[np.float64]

#: Strokes are told apart from noise above this share of the channel's span.
LEAST_STROKE = 0.3
#: Long enough beside an operation for its travel to be at rest, s.
REST_S = 10e-3


@dataclass(frozen=True, eq=False)
class Test:
    """One record with what was found in it."""

    record: Record
    courses: tuple[Course, ...]
    instants: tuple[Instants, ...] = ()


@dataclass(frozen=True, eq=False)
class Place:
    """A travel as a share of the stroke, 0 closed and 1 open, and when each operation's motion began."""

    share: FloatArray
    begun_s: tuple[float, ...]

    def at(self, time_s: FloatArray, when_s: float) -> float:
        """Share of the stroke at an instant; NaN where that is."""
        return float(np.interp(when_s, time_s, self.share)) if math.isfinite(when_s) else math.nan


def _place(test: Test, channel: Channel) -> Place | None:
    record = test.record
    x = bridged(channel.samples)
    if channel.skew_s:
        x = np.asarray(np.interp(record.time_s, record.time_s + channel.skew_s, x))
    ends: dict[bool, list[float]] = {True: [], False: []}
    for o in test.courses:
        for opened, begin in ((o.kind != "open", o.begin_s - REST_S), (o.kind == "open", o.end_s)):
            a, b = (int(k) for k in np.searchsorted(record.time_s, [begin, begin + REST_S]))
            part = x[max(a, 0) : b] if b - a >= 4 else x[:4] if begin < record.time_s[0] else x[-4:]
            ends[opened].append(float(np.median(part)))
    if not test.courses:
        return None
    closed, opened_at = float(np.median(ends[False])), float(np.median(ends[True]))
    if not abs(opened_at - closed) > LEAST_STROKE * float(np.ptp(x)) > 0.0:
        return None
    share = (x - closed) / (opened_at - closed)
    return Place(np.asarray(share), tuple(_begun(record.time_s, share, o) for o in test.courses))


def _begun(time_s: FloatArray, share: FloatArray, o: Course) -> float:
    """When an operation's travel had left its rest by 2 % of the stroke, s."""
    part = slice(*(int(k) for k in np.searchsorted(time_s, [o.begin_s, o.end_s])))
    away = share[part] if o.kind == "open" else 1.0 - share[part]
    moved = np.flatnonzero(away > 0.02)
    return float(time_s[part][moved[0]]) if moved.size else math.nan


def places(
    tests: Sequence[Test], travels: Sequence[str], items: Sequence[str], when: Callable[[Test, str, int], float]
) -> FloatArray:
    """Share of the stroke at which each item's event lies on each travel, shape (items, travels, events).

    Parameters
    ----------
    when : callable
        Instant of an item in the n-th operation of a test, s; NaN where there is none.
    """
    columns: list[FloatArray] = []
    for test in tests:
        seen = [_place(test, test.record.channel(t)) if t in test.record.names else None for t in travels]
        for n in range(len(test.courses)):
            at = [when(test, item, n) for item in items]
            columns.append(
                np.array([[p.at(test.record.time_s, a) if p else math.nan for p in seen] for a in at]).reshape(
                    len(items), len(travels)
                )
            )
    shape = (len(items), len(travels), 0)
    return np.stack(columns, axis=2) if columns else np.empty(shape)


def latches(tests: Sequence[Test], travels: Sequence[str], coils: Sequence[str]) -> FloatArray:
    """From each coil's onset to each travel's begin, s, shape (coils, travels, events)."""
    columns: list[FloatArray] = []
    for test in tests:
        seen = [_place(test, test.record.channel(t)) if t in test.record.names else None for t in travels]
        onset = {c: [p.onset_s for p in pulses(test.record.time_s, test.record.channel(c))] for c in coils}
        for n, o in enumerate(test.courses):
            at = [max((t for t in onset[c] if 0.0 < o.first_s - t < OBEYED_S), default=math.nan) for c in coils]
            columns.append(np.array([[p.begun_s[n] - a if p else math.nan for p in seen] for a in at]))
    return np.stack(columns, axis=2) if columns else np.empty((len(coils), len(travels), 0))


def parts_at(test: Test, voltage: str, n: int) -> float:
    """When a contact parted or touched in the n-th operation, s."""
    mine = [i for i in test.instants if i.course is test.courses[n]]
    return mine[0].lost_s.get(voltage, math.nan) if mine else math.nan


def changes_at(test: Test, name: str, n: int) -> float:
    """When an auxiliary contact first changed in the n-th operation, s."""
    channel, o = test.record.channel(name), test.courses[n]
    state = state_of(channel)
    if state is None:
        return math.nan
    at = test.record.time_s[np.flatnonzero(np.diff(state)) + 1] + channel.skew_s
    inside = at[(at > o.begin_s) & (at < o.end_s)]
    return float(inside[0]) if inside.size else math.nan


def exchanged(
    tests: Sequence[Test],
    travels: Mapping[str, str],
    contacts: Mapping[str, Sequence[str]],
    auxiliary: Mapping[str, Mapping[str, str]],
    percent: float = 160.0,
) -> dict[str, str]:
    """Mechanisms whose travel fits what happens at another, and why, as the check of a finished file finds them.

    Parameters
    ----------
    travels : mapping
        Mechanism -> channel.
    contacts : mapping
        Mechanism -> voltages of its contacts.
    auxiliary : mapping
        Mechanism -> kind of contact -> channel.
    percent : float
        What the whole stroke is taken for, mm: the check's limits are in mm.
    """
    out: dict[str, str] = {}
    for test in tests:
        seen = {m: p for m, c in travels.items() if (p := _place(test, test.record.channel(c))) is not None}
        happenings = []
        for n, o in enumerate(test.courses):
            for m in seen:
                for k, voltage in enumerate(contacts.get(m, ())):
                    happenings.append(Happening(n, o.kind, m, f"arcing {k}", parts_at(test, voltage, n), voltage))
                for kind, channel in auxiliary.get(m, {}).items():
                    happenings.append(Happening(n, o.kind, m, f"auxiliary {kind}", changes_at(test, channel, n)))
        mm = {m: percent * p.share for m, p in seen.items()}
        for fault in wrong_pole(happenings, test.record.time_s, mm, contacts):
            out |= dict.fromkeys(fault.evidence["mechanisms"], fault.what)
    return out
