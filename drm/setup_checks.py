"""All that can be wrong with a test, looked for in one record: first in the traces, then beside what they gave."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Breaker
from drm.contacts import auxiliary_changes
from drm.errors import RecordError
from drm.kept import kept
from drm.median import median
from drm.operations import Operation, coil_pulses
from drm.quantity import Quantity
from drm.record import Record
from drm.resistance import Trace
from drm.setup_clamps import loose
from drm.setup_fault import Fault, reasons_for
from drm.setup_pairing import pairing
from drm.setup_scale import closed_levels, scale
from drm.setup_skew import Events
from drm.setup_trace import clipped, dead, flat, reversed_polarity
from drm.setup_travel import ACROSS_MM, Happening, exchanged_across, wrong_pole, wrong_time
from drm.setup_travel_scale import travel_scale
from drm.units import factor

__all__ = ["SetupSeen", "beside_the_rest", "in_the_traces"]

FloatArray = NDArray[np.float64]
Key = tuple[int, str]


@dataclass(frozen=True)
class SetupSeen:
    """What the traces by themselves say about the test.

    Attributes
    ----------
    faults : tuple of Fault
    skew : mapping
        Interrupter -> by how much its voltage came after its current, s: to be taken out.
    unusable : mapping
        (operation, interrupter) -> why its trace cannot be read.
    events : mapping
        (operation, interrupter) -> when its contact parted or touched by its voltage and by its current.
    """

    faults: tuple[Fault, ...] = ()
    skew: Mapping[str, Quantity] = field(default_factory=dict)
    unusable: Mapping[Key, str] = field(default_factory=dict)
    events: Mapping[Key, Events] = field(default_factory=dict)

    def skew_s(self, interrupter: str) -> float:
        """To be taken out of this interrupter's voltage, s."""
        return self.skew[interrupter].value if interrupter in self.skew else 0.0

    def clock_u_s(self, interrupter: str) -> float:
        """Standard uncertainty of its instants for not knowing which of two clocks is the record's, s.

        Either may be, with equal chance: an error of nothing or of the whole skew.
        """
        return abs(self.skew_s(interrupter)) / math.sqrt(2.0)


def in_the_traces(
    record: Record,
    breaker: Breaker,
    operations: Sequence[Operation],
    traces: Mapping[Key, Trace],
    unusable: Mapping[Key, str],
) -> SetupSeen:
    """Polarity, clamps, ranges, pairing and skew.

    Parameters
    ----------
    traces : mapping
        (operation, interrupter) -> trace.
    unusable : mapping
        (operation, interrupter) -> reason, where there is no trace.
    """
    off = tuple(flat(record, breaker, traces))
    # What follows nothing has no polarity, and no clamp that holds now and then.
    traces = {(n, i): t for (n, i), t in traces.items() if not reasons_for(off, i, n)}
    own = (*off, *reversed_polarity(record, breaker, traces), *loose(traces), *clipped(record, breaker, traces))
    # A trace that fails now and then or is cut off says nothing about clocks.
    spoiled = {(n, i) for n, i in traces if reasons_for(own, i, n)}
    pairs = pairing(breaker, operations, {k: t for k, t in traces.items() if k not in spoiled})
    faults = (*own, *pairs.faults, *_exchanged_coils(record, breaker, operations))
    return SetupSeen(faults, pairs.skew, dict(unusable), pairs.events)


def beside_the_rest(
    seen: SetupSeen,
    record: Record,
    breaker: Breaker,
    operations: Sequence[Operation],
    instants: Mapping[Key, tuple[float, float]],
    arcing_uohm: Mapping[str, float],
    travels: Mapping[str, FloatArray],
) -> tuple[Fault, ...]:
    """All faults: those of the traces, and scales, travels and channels against one another.

    Parameters
    ----------
    instants : mapping
        (operation, interrupter) -> main and arcing contact's instants, s on the record's clock; NaN where not known.
    arcing_uohm : mapping
        Interrupter -> resistance of its arcing contact, where measured.
    travels : mapping
        Mechanism -> mm over the record.
    """
    pairs = {n for f in seen.faults if f.spoils == "all" for n in f.interrupters}
    scales = tuple(scale(closed_levels(record, breaker, operations), arcing_uohm))
    moved = {i.name: i for i in breaker.interrupters}
    mine: dict[str, list[str]] = {}
    for i in breaker.interrupters:
        mine.setdefault(i.mechanism, []).append(i.name)
    happenings = [
        Happening(number, kind, moved[name].mechanism, f"{what} {moved[name].position}", at, name)
        for (number, name), both in instants.items()
        if name not in pairs
        for kind in [next(o.kind for o in operations if o.number == number)]
        for what, at in zip(("main", "arcing"), both, strict=True)
        if math.isfinite(at)
    ]
    happenings += _auxiliary(record, breaker, operations)
    travel = tuple(travel_scale(travels, mine))
    # Millimetres of another scale fit no place of the others.
    scaled = {n for f in travel for n in f.interrupters}
    travels = {m: mm for m, mm in travels.items() if not set(mine.get(m, ())) & scaled}
    travel += tuple(wrong_pole(happenings, record.time_s, travels, mine))
    if all(f.code == "travel-scale" for f in travel):
        # The auxiliary contacts fit their own travel, the contacts another: the breaker file has the mechanisms wrong.
        contacts = [h for h in happenings if h.interrupter]
        travel += tuple(wrong_pole(contacts, record.time_s, travels, mine, least_mm=ACROSS_MM))
    if all(f.code == "travel-scale" for f in travel):
        travel += tuple(exchanged_across(happenings, record.time_s, travels))
    exchanged = {n for f in travel for n in f.interrupters}
    late = (
        f
        for f in wrong_time(happenings, record.time_s, travels, operations, mine)
        if not set(f.interrupters) & exchanged
    )
    named = pairs | {n for f in scales for n in f.interrupters}
    rest = chain(late, dead(seen.unusable, named), _not_named(record, breaker))
    return (*seen.faults, *scales, *travel, *rest)


def _auxiliary(record: Record, breaker: Breaker, operations: Sequence[Operation]) -> Iterator[Happening]:
    """Changes of the auxiliary contacts: of the mechanism itself, whatever the interrupters do."""
    for mechanism in breaker.mechanisms:
        for role, name in mechanism.auxiliary.items():
            for change in auxiliary_changes(record, replace(mechanism, auxiliary={role: name})):
                inside = [o for o in operations if o.start_s <= change.at_s <= o.stop_s and o.kind == change.kind]
                if inside:
                    yield Happening(inside[0].number, change.kind, mechanism.name, f"auxiliary {role}", change.at_s)


def _exchanged_coils(record: Record, breaker: Breaker, operations: Sequence[Operation]) -> Iterator[Fault]:
    """Coils that are energised for the other operation than the one they are named for."""
    wrong: dict[str, int] = {}
    right: set[str] = set()
    numbers: set[int] = set()
    for pulse, mechanism, kind in coil_pulses(record, breaker):
        near = [o for o in operations if abs(pulse.onset_s - o.reference_s[mechanism]) < 1e-3]
        if near and near[0].kind != kind:
            wrong[mechanism] = wrong.get(mechanism, 0) + 1
            numbers.add(near[0].number)
        elif near:
            right.add(mechanism)
    names = sorted(set(wrong) - right)
    if names:
        yield Fault(
            code="coils-exchanged",
            level="watch",
            what=f"mechanism {', '.join(names)}: the coil named for the other operation is energised: trip and close "
            "coil are exchanged in the breaker file or at the clamps",
            basis="the contacts' own change of state against the coil that was energised",
            otherwise="Voltage and current channels that do not follow the contacts.",
            check="Exchange trip_coil and close_coil in the breaker file, or the clamps.",
            operations=tuple(sorted(numbers)),
            evidence={"mechanisms": names},
        )


def _not_named(record: Record, breaker: Breaker) -> Iterator[Fault]:
    """Voltages and currents in the record that the breaker file does not name, and channels that it names twice."""
    twice = sorted({i.voltage for i in breaker.interrupters if i.voltage and _count(breaker, i.voltage) > 1})
    if twice:
        yield Fault(
            code="file-channel-twice",
            level="inspect",
            what=f"the breaker file gives them the same voltage channel ({', '.join(twice)})",
            basis="the breaker file",
            otherwise="One pair of voltage leads across both, which measures their sum.",
            check="Name each interrupter's own voltage channel in the breaker file.",
            interrupters=tuple(sorted(i.name for i in breaker.interrupters if i.voltage in twice)),
            spoils="all",
            evidence={"channels": twice},
        )
    used = {i.voltage for i in breaker.interrupters} | {i.current for i in breaker.interrupters}
    spare = [c.name for c in record.channels if c.name not in used and not c.digital and _is_volts(c.unit)]
    if spare and _like_the_named(record, breaker, spare):
        yield Fault(
            code="file-channels-left",
            level="note",
            what=f"the record holds voltages that the breaker file does not name: {', '.join(spare)}",
            basis="the record against the breaker file",
            otherwise="Voltages of something else: control voltage, a sensor's supply.",
            check="See that the breaker file is this breaker's and names all of its interrupters.",
            evidence={"channels": spare},
        )


def _count(breaker: Breaker, channel: str) -> int:
    return sum(i.voltage == channel for i in breaker.interrupters)


def _is_volts(unit: str) -> bool:
    try:
        factor(unit, "V", channel="")
    except RecordError:
        return False
    return True


@kept
def _like_the_named(record: Record, breaker: Breaker, spare: Sequence[str]) -> bool:
    """Whether a spare channel lies between a closed contact's drop and a parted one's as the named ones do."""
    named = [i.voltage for i in breaker.interrupters if i.voltage]
    if not named:
        return False

    def spans(name: str) -> float:
        x = np.abs(record.channel(name).values("V"))
        return float(np.nanpercentile(x, 90.0)) if np.isfinite(x).any() else math.nan

    known = [x for n in named if math.isfinite(x := spans(n))]
    if not known:
        return False
    usual = median(known)
    return any(0.1 * usual < spans(n) < 10.0 * usual for n in spare)
