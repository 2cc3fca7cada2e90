"""Where in the record each operation lies."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal
from weakref import WeakKeyDictionary

from drm.breaker import Breaker
from drm.coils import Pulse, pulses
from drm.contacts import Change, auxiliary_changes, interrupter_changes
from drm.errors import RecordError
from drm.motion import Stroke, millimetres, strokes
from drm.record import Record

__all__ = ["Kind", "Operation", "coil_pulses", "find_operations"]

Kind = Literal["open", "close"]

#: Commands of one operation lie within this of each other, s; so do the first movements of its mechanisms.
TOGETHER_S, MOTION_TOGETHER_S = 20e-3, 50e-3
#: A command that is obeyed is obeyed within this, s; common practice, no source.
OBEYED_S = 0.3
#: How much of the record before the command belongs to the operation, s.
LEAD_S = 40e-3
#: How long a mechanism goes on settling after the last that was seen of it, s.
SETTLE_S = 10e-3

#: Record -> coil channel -> pulses: operations and the mechanism table both ask for them, and records are frozen.
_PULSES: WeakKeyDictionary[Record, dict[str, tuple[Pulse, ...]]] = WeakKeyDictionary()


@dataclass(frozen=True)
class Operation:
    """One opening or closing in a record.

    Attributes
    ----------
    number : int
        1, 2, ... in the order in which they happen.
    kind : {'open', 'close'}
    start_s, stop_s : float
        Window of the record that belongs to it.
    reference_s : dict
        Mechanism -> instant from which its times are counted, on the record's clock.
    reference : dict
        Mechanism -> 'coil' or 'motion': what that instant is.
    reference_u_s : dict
        Mechanism -> standard uncertainty of that instant where coil or travel tell it.
    """

    number: int
    kind: Kind
    start_s: float
    stop_s: float
    reference_s: dict[str, float]
    reference: dict[str, str]
    reference_u_s: dict[str, float] = field(default_factory=dict)


@dataclass
class _Group:
    """What was seen of one operation while it is put together."""

    kind: str = ""
    settled: bool = False
    coils: dict[str, Pulse] = field(default_factory=dict)
    moves: dict[str, Stroke] = field(default_factory=dict)
    changes: list[Change] = field(default_factory=list)

    @property
    def acts_s(self) -> float:
        """Start of motion where one was seen, else the command, else the first change."""
        if self.moves:
            return min(m.start_s for m in self.moves.values())
        return min([p.onset_s for p in self.coils.values()] or [c.at_s for c in self.changes])

    @property
    def first_s(self) -> float:
        """First thing seen of it."""
        return min(
            [p.onset_s for p in self.coils.values()] + [m.start_s for m in self.moves.values()]
            or [c.at_s for c in self.changes]
        )

    @property
    def last_s(self) -> float:
        """Last thing seen of it."""
        return max([m.stop_s for m in self.moves.values()] + [c.at_s for c in self.changes] + [self.first_s])


def coil_pulses(record: Record, breaker: Breaker) -> list[tuple[Pulse, str, Kind]]:
    """Every coil's pulses that stand out among the record's: (pulse, mechanism, kind), in order of time."""
    seen: list[tuple[Pulse, str, Kind]] = []
    cache = _PULSES.setdefault(record, {})
    for mechanism in breaker.mechanisms:
        coils: tuple[tuple[str | None, Kind], ...] = ((mechanism.trip_coil, "open"), (mechanism.close_coil, "close"))
        for name, kind in coils:
            if name is not None:
                if name not in cache:
                    cache[name] = pulses(record.time_s, record.channel(name))
                seen += [(p, mechanism.name, kind) for p in cache[name]]
    # A tenth of the greatest pulse is crosstalk from a neighbour, not a command.
    top = max((p.peak_a for p, _, _ in seen), default=0.0)
    return sorted((s for s in seen if s[0].peak_a > 0.1 * top), key=lambda s: s[0].onset_s)


def find_operations(record: Record, breaker: Breaker) -> tuple[Operation, ...]:
    """Find every opening and closing in `record`, in order.

    Any mixture of channels will do: commands are the pulses of the coil currents, movements the strokes of the travel
    sensors, changes of state those of the interrupters and the auxiliary contacts. The kind is that of the electrical
    state before and after, else of the coil, else of the auxiliary contacts, else of the direction of travel, learnt
    from an operation of known kind.

    Raises
    ------
    RecordError
        If the record holds no operation, or one whose kind nothing in the record tells.
    """
    groups = _commands(record, breaker)
    travelling = _add_moves(groups, record, breaker)
    electrical = list(interrupter_changes(record, breaker))
    auxiliary = [c for m in breaker.mechanisms for c in auxiliary_changes(record, m)]
    _add_changes(groups, electrical + auxiliary, travelling)
    stray = bool(groups)
    groups = [g for g in groups if _happened(g, travelling, bool(electrical), {c.mechanism for c in auxiliary})]
    if not groups:
        raise RecordError(
            "a coil was energised but nothing moved" if stray else "no opening or closing is seen in it",
            path=record.path,
            place="operations",
            mend="check that the breaker file names this record's coil, travel and interrupter channels",
        )
    _name_kinds(groups, record, breaker)
    return _operations(groups, record, breaker)


def _commands(record: Record, breaker: Breaker) -> list[_Group]:
    groups: list[_Group] = []
    for pulse, mechanism, kind in coil_pulses(record, breaker):
        for g in reversed(groups):
            if g.kind == kind and mechanism not in g.coils and pulse.onset_s - g.first_s < TOGETHER_S:
                g.coils[mechanism] = pulse
                break
        else:
            groups.append(_Group(kind=kind, coils={mechanism: pulse}))
    return groups


def _add_moves(groups: list[_Group], record: Record, breaker: Breaker) -> set[str]:
    """Give each stroke to the command that it obeys, or to a group of its own; the mechanisms whose travel is known."""
    moves: list[tuple[Stroke, str]] = []
    travelling: set[str] = set()
    for mechanism in breaker.mechanisms:
        got = millimetres(record, mechanism)
        if got is not None:
            travelling.add(mechanism.name)
            moves += [(s, mechanism.name) for s in strokes(record.time_s, got[0])]
    own: list[_Group] = []
    for move, name in sorted(moves, key=lambda m: m[0].start_s):
        # The earliest command that this mechanism has not obeyed: a trip may come before the closing begins to move.
        open_to = [
            g
            for g in groups
            if name not in g.moves
            and (name in g.coils or not _has_coil(breaker, name))
            and -2e-3 <= move.start_s - g.first_s < OBEYED_S
        ]
        beside = [g for g in groups + own if name not in g.moves and g.moves and _beside(g, move)]
        fitting = open_to or beside
        if fitting:
            fitting[0].moves[name] = move
        else:
            own.append(_Group(moves={name: move}))
    groups += own
    return travelling


def _has_coil(breaker: Breaker, name: str) -> bool:
    return any(m.name == name and (m.trip_coil or m.close_coil) for m in breaker.mechanisms)


def _beside(group: _Group, move: Stroke) -> bool:
    """Whether `move` runs along with those of `group`: begins with them, or overlaps a slow one."""
    begin = min(m.start_s for m in group.moves.values())
    end = max(m.stop_s for m in group.moves.values())
    slow = min(end - begin, move.stop_s - move.start_s) > 0.25
    return abs(move.start_s - begin) < MOTION_TOGETHER_S or (slow and move.start_s < end)


def _add_changes(groups: list[_Group], changes: Sequence[Change], travelling: set[str]) -> None:
    """Give each change of state to the operation under way; mechanisms that nothing else tells of make their own."""
    groups.sort(key=lambda g: g.acts_s)
    alone: list[Change] = []
    for change in changes:
        under_way = [g for g in groups if g.acts_s - 2e-3 <= change.at_s]
        if under_way and change.at_s < max(under_way[-1].last_s, under_way[-1].acts_s) + OBEYED_S:
            under_way[-1].changes.append(change)
        elif change.mechanism not in travelling:
            alone.append(change)
    own: list[_Group] = []
    for change in sorted(alone, key=lambda c: c.at_s):
        for g in own:
            if g.kind == change.kind and change.at_s - g.changes[-1].at_s < MOTION_TOGETHER_S:
                g.changes.append(change)
                break
        else:
            own.append(_Group(kind=change.kind, changes=[change]))
    # Current that ends without a voltage over a parted contact is the source being switched off.
    groups += [g for g in own if any(c.volts for c in g.changes)]
    groups.sort(key=lambda g: g.acts_s)


def _happened(group: _Group, travelling: set[str], electrical: bool, auxiliary: set[str]) -> bool:
    """Whether the breaker did what the coil told it, as far as the record can tell."""
    told = bool(travelling & set(group.coils)) or electrical or bool(auxiliary & set(group.coils))
    return bool(group.moves or group.changes) or not told


def _name_kinds(groups: list[_Group], record: Record, breaker: Breaker) -> None:
    """Settle the kind of each group: electrical, coil, auxiliary, then direction of travel."""
    known: dict[tuple[str, int], str] = {}
    for source in ("interrupter", "coil", "auxiliary"):
        for g in groups:
            if source == "coil":
                kind = g.kind if g.coils else ""
            else:
                votes = [c.kind for c in g.changes if c.source == source]
                opens = votes.count("open")
                kind = "" if 2 * opens == len(votes) else "open" if 2 * opens > len(votes) else "close"
            if kind and not g.settled:
                g.kind = kind
                g.settled = True
                for name, move in g.moves.items():
                    known.setdefault((name, move.direction), kind)
    for g in groups:
        if g.settled:
            continue
        other = {"open": "close", "close": "open"}
        says = [
            known.get((n, m.direction)) or other.get(known.get((n, -m.direction), ""), "") for n, m in g.moves.items()
        ]
        kinds = {k for k in says if k}
        if len(kinds) != 1:
            raise RecordError(
                f"nothing tells whether the movement at {g.first_s * 1e3:.1f} ms opens or closes the breaker",
                path=record.path,
                place="operations",
                mend="record a coil current, an auxiliary contact or an interrupter's voltage and current as well",
            )
        g.kind = kinds.pop()


def _operations(groups: list[_Group], record: Record, breaker: Breaker) -> tuple[Operation, ...]:
    begin, end = float(record.time_s[0]), float(record.time_s[-1])
    starts: list[float] = []
    for k, g in enumerate(groups):
        before = groups[k - 1].last_s + SETTLE_S if k else begin
        starts.append(max(begin, min(max(g.first_s - LEAD_S, before), g.first_s)))
    out = []
    for k, g in enumerate(groups):
        stop = max(starts[k + 1], min(g.last_s, groups[k + 1].acts_s)) if k + 1 < len(groups) else end
        reference_s: dict[str, float] = {}
        reference: dict[str, str] = {}
        for m in breaker.mechanisms:
            own = [c.at_s for c in g.changes if c.mechanism == m.name]
            if m.name in g.coils:
                reference_s[m.name], reference[m.name] = g.coils[m.name].onset_s, "coil"
            elif m.name in g.moves:
                reference_s[m.name], reference[m.name] = g.moves[m.name].start_s, "motion"
            else:
                # Nothing of its own but perhaps a change of state; a mechanism that stood still counts from the others.
                reference_s[m.name], reference[m.name] = min(own) if own else g.first_s, "motion"
        kind: Kind = "open" if g.kind == "open" else "close"
        u_s = {name: move.start_u_s for name, move in g.moves.items() if math.isfinite(move.start_u_s)}
        u_s |= {name: pulse.onset_u_s for name, pulse in g.coils.items() if name in reference}
        out.append(Operation(k + 1, kind, starts[k], stop, reference_s, reference, u_s))
    return tuple(out)
