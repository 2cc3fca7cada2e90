"""What the signals of a record show of each channel, whatever it is called: its part in the test.

A contact's voltage stands where its current is gone, and is small where it flows; a coil's current is a short pulse
from rest ahead of an operation, the motor's a long run; a sensor of travel goes from one rest position to another;
auxiliary contacts have two states and change with every operation, a with the breaker and b against it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Breaker, Interrupter, Mechanism
from drm.coils import Pulse, bridged, pulses, runs
from drm.contact_state import state_of
from drm.contacts import CLOSED_VOLT, LEAST_PARTED_S, PARTED_VOLT, interrupter_changes
from drm.motion import Stroke, strokes
from drm.record import Channel, Record
from drm.units import canonical, factor, units

__all__ = ["Course", "Part", "parts", "together"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Stretch whose median stands for it, s: long for an impulse, short beside what is looked for.
BLOCK_S = 0.25e-3
#: Share of all stretches in either of two states that must be in both, for the two to be of one circuit.
ALIKE = 0.7
#: Closed contacts read between these, ohm, with all that may lie within the leads (see the limits of a trace).
CLOSED_OHM = (1e-6, 5e-3)
#: Least current that is injected, A; less tells no micro-ohms.
LEAST_INJECTED_A = 5.0
#: What a parted contact may read at the most while the current goes round it through both earths, V.
MOST_LOOP_VOLT = 1.5
#: Largest share of its span that a sensor of travel passes within one stretch: an operation takes many of them.
GLIDE = 0.1
#: Operations of poles and interrupters lie within this of each other, s.
TOGETHER_S = 50e-3
#: A command acts within this, s; a coil's pulse is shorter than the first, a motor's run longer than the second.
OBEYED_S, LONGEST_PULSE_S, SHORTEST_RUN_S = 0.2, 0.35, 0.5
#: An auxiliary contact changes so long before the first contact, or after the last, at most, s.
BESIDE_S = (40e-3, 80e-3)
#: A contact's own state channel changes with its voltage to so many samples.
STATE_SAMPLES = 2.5


@dataclass(frozen=True)
class Course:
    """One opening or closing as the contacts' voltages and currents show it.

    `first_s`, `last_s`: first and last change; from `begin_s` to `end_s` whatever else belongs to it may happen.
    """

    kind: str
    first_s: float
    last_s: float
    begin_s: float = 0.0
    end_s: float = 0.0


@dataclass(frozen=True)
class Part:
    """The part that one channel plays, as far as its signal tells.

    Attributes
    ----------
    role : str
        ``voltage current trip close coil motor travel a b state``, or empty where nothing is told.
    doubt : str
        Why it may be another.
    partner : str
        For the voltage of a coil or motor, the channel of its current.
    still : bool
        Whether the channel shows nothing but its level.
    """

    role: str = ""
    doubt: str = ""
    partner: str = ""
    still: bool = False


@dataclass
class _Seen:
    """A record while it is looked at: stretches' medians, and what is known so far."""

    record: Record
    many: int
    medians: dict[str, FloatArray] = field(default_factory=dict)
    parts: dict[str, Part] = field(default_factory=dict)
    courses: tuple[Course, ...] = ()
    changes: tuple[tuple[str, float], ...] = ()
    travels: tuple[Stroke, ...] = ()
    pulses: dict[str, tuple[Pulse, ...]] = field(default_factory=dict)


def parts(record: Record, channels: Sequence[Channel]) -> tuple[dict[str, Part], tuple[Course, ...]]:
    """Parts of `channels` by name, and the operations of the record in order.

    Parameters
    ----------
    record : Record
    channels : sequence of Channel
        Those of the record that a breaker file can name.
    """
    many = max(3, round(BLOCK_S * record.sample_rate_hz)) if record.time_s.size > 1 else 3
    seen = _Seen(record, many)
    if record.time_s.size < 32 * many:
        return {}, ()
    for c in channels:
        if not c.digital:
            seen.medians[c.name] = _blocks(c, many)
    step = many / record.sample_rate_hz
    seen.travels = tuple(
        s
        for c in channels
        if _travels(c)
        for s in strokes(step * np.arange(seen.medians[c.name].size, dtype=np.float64), seen.medians[c.name])
    )
    _contacts(seen, [c for c in channels if not c.digital])
    _coils(seen, [c for c in channels if _is(c, "current") and c.name not in seen.parts])
    _supplies(seen, [c for c in channels if _is(c, "voltage") and c.name not in seen.parts])
    for c in channels:
        if c.name not in seen.parts:
            seen.parts[c.name] = _by_itself(seen, c)
    return seen.parts, seen.courses


def _is(channel: Channel, kind: str) -> bool:
    return not channel.digital and canonical(channel.unit) in units(kind)


def _travels(channel: Channel) -> bool:
    return _is(channel, "length") or _is(channel, "angle")


def _blocks(channel: Channel, many: int) -> FloatArray:
    x = bridged(channel.samples)
    return np.asarray(np.median(x[: x.size // many * many].reshape(-1, many), axis=1))


def together(one: BoolArray, other: BoolArray) -> float:
    """Share of what is in either of two sets that is in both; 0 where both are empty."""
    either = int(np.count_nonzero(one | other))
    return int(np.count_nonzero(one & other)) / either if either else 0.0


@dataclass(frozen=True, eq=False)
class _Volts:
    channel: Channel
    signed: FloatArray
    size: FloatArray
    high: BoolArray
    low: BoolArray


@dataclass(frozen=True, eq=False)
class _Amps:
    channel: Channel
    size: FloatArray
    top: float
    flows: BoolArray
    gone: BoolArray


def _volts(seen: _Seen, c: Channel) -> _Volts:
    signed = seen.medians[c.name] * factor(c.unit, "V")
    x = np.abs(signed)
    top = float(x.max())
    parted = min(PARTED_VOLT, 0.9 * top) if top > CLOSED_VOLT else PARTED_VOLT
    return _Volts(c, signed, x, x > parted, x < min(CLOSED_VOLT, 0.5 * parted))


def _glides(v: _Volts) -> bool:
    """Whether a voltage never jumps: a contact's does when it parts, a travel sensor's never."""
    span = float(np.ptp(v.signed))
    return span > CLOSED_VOLT and float(np.max(np.abs(np.diff(v.signed)))) < GLIDE * span


def _amps(seen: _Seen, c: Channel) -> _Amps:
    x = np.abs(seen.medians[c.name] * factor(c.unit, "A"))
    # The greatest level that lasts some milliseconds, so that neither a ring nor an impulse is one.
    size = x.size // 8 * 8
    top = float(np.median(x[:size].reshape(-1, 8), axis=1).max()) if size else 0.0
    return _Amps(c, x, top, x > 0.3 * top, x < 0.1 * top)


def _contacts(seen: _Seen, channels: Sequence[Channel]) -> None:
    """Voltages of contacts and the currents injected through them; and from both, the operations."""
    volts = [v for c in channels if _is(c, "voltage") for v in [_volts(seen, c)] if not _glides(v)]
    amps = [_amps(seen, c) for c in channels if _is(c, "current")]
    amps = [a for a in amps if a.top > 0.0]
    pairs: dict[str, str] = {}
    flowing: dict[str, _Amps] = {}
    for v in volts:
        fits = [(min(together(v.high, a.gone), together(v.low, a.flows)), n) for n, a in enumerate(amps)]
        best, n = max(fits, default=(0.0, -1))
        if best > ALIKE and amps[n].top > LEAST_INJECTED_A:
            pairs[v.channel.name] = amps[n].channel.name
            flowing.update({amps[k].channel.name: amps[k] for fit, k in fits if fit > max(ALIKE, best - 0.05)})
    injected = _injected(amps, flowing, volts)
    for v in volts:
        if v.channel.name not in pairs:
            partner = next((a.channel.name for a in injected if _drops(v, a)), "")
            if partner:
                pairs[v.channel.name] = partner
    seen.parts |= {name: Part("voltage") for name in pairs}
    seen.parts |= {a.channel.name: Part("current") for a in injected}
    seen.courses = _courses(seen, volts, pairs)


def _injected(amps: Sequence[_Amps], flowing: dict[str, _Amps], volts: Sequence[_Volts]) -> list[_Amps]:
    """Currents through contacts: those that a voltage answers to, and those that flow with them and like them."""
    if not flowing:
        # No contact parts in this record, or not so that its voltage shows it: a steady current with a drop.
        steady = [a for a in amps if a.top > LEAST_INJECTED_A and _steady(a)]
        return [a for a in steady if any(_drops(v, a) for v in volts)]
    top = max(a.top for a in flowing.values())
    return [
        a
        for a in amps
        if a.channel.name in flowing
        or (
            a.top > 0.05 * top
            and a.top > LEAST_INJECTED_A
            and _steady(a)
            and max(together(a.flows, f.flows) for f in flowing.values()) > 0.9
        )
    ]


def _steady(a: _Amps) -> bool:
    """Whether the current keeps its level while it flows, as a source's does and neither a coil's nor a motor's."""
    level = a.size[a.flows]
    return level.size >= 80 and float(np.mean(np.abs(level - np.median(level)) < 0.15 * a.top)) > 0.9


def _drops(v: _Volts, a: _Amps) -> bool:
    """Whether a small voltage stands there while the current flows, such as a closed contact drops."""
    closed = a.flows & v.low
    if int(np.count_nonzero(closed)) < 40:
        return False
    level = v.signed[closed]
    middle = abs(float(np.median(level)))
    noise = 1.4826 * float(np.median(np.abs(level - np.median(level))))
    # Without the current it must not be the same: a channel's offset or a sensor's rest is no drop.
    gone = v.signed[a.gone & v.low]
    differs = gone.size < 40 or abs(middle - abs(float(np.median(gone)))) > 0.3 * middle
    plausible = CLOSED_OHM[0] < middle / a.top < CLOSED_OHM[1]
    # A parted contact in an earthed loop may read a volt; a coil's or a motor's supply reads more.
    beyond = float(np.mean(v.size[a.flows] > MOST_LOOP_VOLT))
    return plausible and differs and beyond < 0.02 and middle > 0.5 * noise


def _courses(seen: _Seen, volts: Sequence[_Volts], pairs: dict[str, str]) -> tuple[Course, ...]:
    record = seen.record
    found = Breaker("", (Mechanism(""),), tuple(Interrupter(v, "", 1, v, v, i) for v, i in pairs.items()))
    changes = [c for c in (interrupter_changes(record, found) if pairs else ()) if c.volts]
    at = [(c.kind, c.at_s) for c in changes] or [x for v in volts if v.channel.name in pairs for x in _steps(seen, v)]
    seen.changes = tuple(at)
    out: list[list[Course]] = []
    for kind, when in sorted(at, key=lambda x: x[1]):
        mine = [g for g in out if g[0].kind == kind and when - g[-1].last_s < TOGETHER_S]
        if mine:
            mine[-1].append(Course(kind, when, when))
        else:
            out.append([Course(kind, when, when)])
    return tuple(_whole(seen, g[0].kind, g[0].first_s, g[-1].last_s) for g in out)


def _whole(seen: _Seen, kind: str, first_s: float, last_s: float) -> Course:
    """With the stretch in which auxiliary contacts change: about it, and as long as its travel moves."""
    moving = [s for s in seen.travels if s.start_s < last_s and s.stop_s > first_s]
    begin = min([first_s - BESIDE_S[0], *(s.start_s for s in moving)])
    return Course(kind, first_s, last_s, begin, max([last_s + BESIDE_S[1], *(s.stop_s for s in moving)]))


def _steps(seen: _Seen, v: _Volts) -> list[tuple[str, float]]:
    """Changes of a voltage that keeps below what no metal survives: where an earthed loop takes the current over."""
    top = float(np.percentile(v.size, 98.0))
    closed = float(np.percentile(v.size, 10.0))
    if not top > 15.0 * closed:
        return []
    step = seen.many / seen.record.sample_rate_hz
    lasting = [(a, b) for a, b in runs(v.size > 0.5 * top) if (b - a) * step > LEAST_PARTED_S or b == v.size.size]
    out = [("open", a * step) for a, _ in lasting if a > 0]
    return out + [("close", b * step) for _, b in lasting if b < v.size.size]


def _coils(seen: _Seen, channels: Sequence[Channel]) -> None:
    """Coils and motors, by how long their currents last; coils by the operation that they command."""
    step = seen.many / seen.record.sample_rate_hz
    for c in channels:
        begin, end = _longest(seen.medians[c.name])
        lasting, cut = (end - begin) * step, end == seen.medians[c.name].size
        found = pulses(seen.record.time_s, c)
        if lasting > SHORTEST_RUN_S:
            seen.parts[c.name] = Part("motor")
        elif found and cut:
            seen.parts[c.name] = Part("motor", "its current still flows at the end of the record: motor or coil")
        elif found and lasting < LONGEST_PULSE_S:
            seen.pulses[c.name] = found
        elif lasting >= LONGEST_PULSE_S:
            seen.parts[c.name] = Part("motor", f"a current of {lasting:.2f} s is long for a coil, short for a motor")
    commands = _commands([p.onset_s for ps in seen.pulses.values() for p in ps])
    for name, ps in seen.pulses.items():
        kinds = {_obeyed(p.onset_s, commands, seen.courses) for p in ps}
        if kinds == {"open"} or kinds == {"close"}:
            seen.parts[name] = Part("trip" if kinds == {"open"} else "close")
        else:
            seen.parts[name] = Part("coil", "its pulses do not tell by themselves which operation they command")


def _longest(x: FloatArray) -> tuple[int, int]:
    """The longest stretch in which a channel is away from its rest, (0, 0) where it never is."""
    rest = float(np.median(x[np.abs(x) <= np.percentile(np.abs(x), 20.0)]))
    y = np.abs(x - rest)
    noise = 1.4826 * float(np.median(np.abs(np.diff(x))))
    on = y > max(0.05 * float(y.max()), 8.0 * noise)
    return max(runs(on), key=lambda r: r[1] - r[0], default=(0, 0)) if float(y.max()) > 12.0 * noise else (0, 0)


def _commands(onsets: Sequence[float]) -> list[float]:
    """First instants of commands: pulses of several mechanisms begin together."""
    out: list[float] = []
    last = -np.inf
    for at in sorted(onsets):
        if at - last > 20e-3:
            out.append(at)
        last = at
    return out


def _obeyed(onset_s: float, commands: Sequence[float], courses: Sequence[Course]) -> str:
    """Kind of the operation that a command led to; empty where that is not clear.

    Commands and operations keep their order, though a trip may come before the closing has begun to move.
    """
    number = sum(c <= onset_s + 1e-9 for c in commands) - 1
    if len(commands) == len(courses):
        course = courses[number]
        return course.kind if 0.0 < course.first_s - onset_s < OBEYED_S else ""
    after = [c for c in courses if 0.0 < c.first_s - onset_s < OBEYED_S]
    kinds = {c.kind for c in after}
    return kinds.pop() if len(kinds) == 1 else ""


def _supplies(seen: _Seen, channels: Sequence[Channel]) -> None:
    """Voltages of coils and motors: there while their current flows."""
    supplied = ("trip", "close", "coil", "motor")
    currents = {n: np.abs(seen.medians[n]) for n, p in seen.parts.items() if p.role in supplied}
    on = {n: x > 0.05 * float(x.max()) for n, x in currents.items()}
    for c in channels:
        x = np.abs(seen.medians[c.name])
        top = float(x.max())
        noise = 1.4826 * float(np.median(np.abs(np.diff(seen.medians[c.name]))))
        if not top > 20.0 * noise or not on:
            continue
        fits = sorted(((together(x > 0.3 * top, flows), n) for n, flows in on.items()), reverse=True)
        alike = [n for fit, n in fits if fit > max(0.5, fits[0][0] - 0.03)]
        if alike:
            doubt = f"it stands with the currents of {len(alike)} channels alike" if len(alike) > 1 else ""
            seen.parts[c.name] = Part(seen.parts[alike[0]].role, doubt or seen.parts[alike[0]].doubt, alike[0])


def _by_itself(seen: _Seen, c: Channel) -> Part:
    """Travel by its unit or its course; contacts with two states by when they change."""
    if _travels(c):
        return Part("travel", still=_still(seen.medians[c.name]))
    if not c.digital and _still(seen.medians[c.name]):
        return Part(still=True)
    if c.digital or not _between(seen.medians[c.name], seen.many / seen.record.sample_rate_hz):
        return _two_states(seen, c)
    if not _is(c, "current") and _strokes(seen, c):
        return Part("travel", "a channel without a unit of length that goes from rest to rest with the operations")
    return Part()


def _still(x: FloatArray) -> bool:
    noise = float(np.median(np.abs(np.diff(x)))) if x.size > 1 else 0.0
    return float(np.ptp(x)) <= 12.0 * noise + 1e-12


def _between(x: FloatArray, step_s: float) -> bool:
    """Whether the channel spends some milliseconds between its levels, as nothing does that has two states."""
    low, high = (float(q) for q in np.percentile(x, [0.5, 99.5]))
    span = high - low
    inside = (x > low + 0.2 * span) & (x < low + 0.8 * span)
    return max((b - a for a, b in runs(inside)), default=0) * step_s > 4e-3


def _strokes(seen: _Seen, c: Channel) -> bool:
    """Whether the channel rests at another level after each operation than before it."""
    x = seen.medians[c.name]
    step = seen.many / seen.record.sample_rate_hz
    span = float(np.ptp(x))
    moved = 0
    for o in seen.courses:
        before, after = (int(min(max(t / step, 0), x.size - 1)) for t in (o.first_s - 30e-3, o.last_s + 60e-3))
        moved += abs(x[after] - x[before]) > 0.6 * span
    return bool(seen.courses) and moved == len(seen.courses)


def _two_states(seen: _Seen, c: Channel) -> Part:
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
