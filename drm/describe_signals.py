"""What the signals of a record show of each channel, whatever it is called: its part in the test.

A contact's voltage stands where its current is gone, and is small where it flows; a coil's current is a short pulse
from rest ahead of an operation, the motor's a long run; a sensor of travel goes from one rest position to another;
auxiliary contacts have two states and change with every operation, a with the breaker and b against it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from drm.coils import runs
from drm.contact_state import state_of
from drm.describe_seen import BLOCK_S, Course, Part, Seen, is_a, is_still, is_travel, stretches
from drm.describe_signal_coils import see_coils, see_supplies
from drm.describe_signal_contacts import see_contacts
from drm.motion import strokes
from drm.record import Channel, Record

__all__ = ["parts"]

FloatArray = NDArray[np.float64]

#: A contact's own state channel changes with its voltage to so many samples.
STATE_SAMPLES = 2.5


def parts(record: Record, channels: Sequence[Channel]) -> tuple[dict[str, Part], tuple[Course, ...]]:
    """Parts of `channels` by name, and the operations of the record in order.

    Parameters
    ----------
    record : Record
    channels : sequence of Channel
        Those of the record that a breaker file can name.
    """
    many = max(3, round(BLOCK_S * record.sample_rate_hz)) if record.time_s.size > 1 else 3
    seen = Seen(record, many)
    if record.time_s.size < 32 * many:
        return {}, ()
    for c in channels:
        if not c.digital:
            seen.medians[c.name] = stretches(c, many)
    step = many / record.sample_rate_hz
    seen.travels = tuple(
        s
        for c in channels
        if is_travel(c)
        for s in strokes(step * np.arange(seen.medians[c.name].size, dtype=np.float64), seen.medians[c.name])
    )
    see_contacts(seen, [c for c in channels if not c.digital])
    see_coils(seen, [c for c in channels if is_a(c, "current") and c.name not in seen.parts])
    see_supplies(seen, [c for c in channels if is_a(c, "voltage") and c.name not in seen.parts])
    for c in channels:
        if c.name not in seen.parts:
            seen.parts[c.name] = _by_itself(seen, c)
    return seen.parts, seen.courses


def _by_itself(seen: Seen, c: Channel) -> Part:
    """Travel by its unit or its course; contacts with two states by when they change."""
    if is_travel(c):
        return Part("travel", still=is_still(seen.medians[c.name]))
    if not c.digital and is_still(seen.medians[c.name]):
        return Part(still=True)
    if c.digital or not _between(seen.medians[c.name], seen.many / seen.record.sample_rate_hz):
        return _two_states(seen, c)
    if not is_a(c, "current") and _strokes(seen, c):
        return Part("travel", "a channel without a unit of length that goes from rest to rest with the operations")
    return Part()


def _between(x: FloatArray, step_s: float) -> bool:
    """Whether the channel spends some milliseconds between its levels, as nothing does that has two states."""
    low, high = (float(q) for q in np.percentile(x, [0.5, 99.5]))
    span = high - low
    inside = (x > low + 0.2 * span) & (x < low + 0.8 * span)
    return max((b - a for a, b in runs(inside)), default=0) * step_s > 4e-3


def _strokes(seen: Seen, c: Channel) -> bool:
    """Whether the channel rests at another level after each operation than before it."""
    x = seen.medians[c.name]
    step = seen.many / seen.record.sample_rate_hz
    span = float(np.ptp(x))
    moved = 0
    for o in seen.courses:
        before, after = (int(min(max(t / step, 0), x.size - 1)) for t in (o.first_s - 30e-3, o.last_s + 60e-3))
        moved += abs(x[after] - x[before]) > 0.6 * span
    return bool(seen.courses) and moved == len(seen.courses)


def _two_states(seen: Seen, c: Channel) -> Part:
    """Auxiliary contacts and contact states: they change with every operation, the right way round."""
    state = state_of(c)
    if state is None or bool((state == state[0]).all()):
        return Part(still=True)
    turns = np.flatnonzero(np.diff(state)) + 1
    time = seen.record.time_s + c.skew_s
    kinds = set()
    exact = True
    for o in seen.courses:
        at = turns[(time[turns] > o.begin_s) & (time[turns] < o.end_s)]
        if at.size % 2 == 0:
            return Part()
        to = int(state[min(int(at[-1]) + 1, state.size - 1)])
        kinds.add("a" if (to == 1) == (o.kind == "close") else "b")
        own = [t for kind, t in seen.changes if kind == o.kind and o.begin_s < t < o.end_s]
        apart = min((abs(float(time[k]) - t) for k in at for t in own), default=np.inf)
        exact &= apart * seen.record.sample_rate_hz < STATE_SAMPLES
    if len(kinds) != 1:
        return Part()
    kind = kinds.pop()
    if kind == "a" and exact:
        return Part("a", "it changes just when a contact does: it may be that contact's own state")
    return Part(kind)
