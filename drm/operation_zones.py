"""Traces and zones of every interrupter in one operation, those injected in series read together."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Mapping, Sequence

from drm.breaker import Breaker, Interrupter
from drm.denoise import Hum
from drm.edits import Edit, by_hand
from drm.kept import kept
from drm.operations import Operation
from drm.record import Record
from drm.resistance import Trace
from drm.setup_checks import SetupSeen
from drm.setup_skew import without_skew
from drm.threads import WORTH, side_by_side
from drm.traces import Unusable, trace_of
from drm.zones import Zones, segment

__all__ = ["Found", "first_zones", "traces_of", "zones_of"]

#: An interrupter, its trace, its zones and the hum; without a trace where it cannot be used.
Found = tuple[Interrupter, Trace | None, Zones, Hum | None]
#: Fewest other interrupters that say how long a move takes.
FEWEST_ALIKE = 2


def traces_of(
    record: Record, breaker: Breaker, operation: Operation
) -> list[tuple[Interrupter, tuple[Trace, Hum] | Unusable]]:
    """Trace of every interrupter in one operation, or why there is none."""

    def one(interrupter: Interrupter) -> tuple[Interrupter, tuple[Trace, Hum] | Unusable]:
        got = trace_of(
            record,
            interrupter,
            operation,
            frequency_hz=_line_frequency(record, breaker),
            offset_u_v=breaker.instrument.voltage_offset_v,
        )
        return interrupter, got

    return side_by_side(one, breaker.interrupters, most=None if record.time_s.size >= WORTH else 1)


def first_zones(
    breaker: Breaker,
    operation: Operation,
    traces: Mapping[tuple[int, str], tuple[Trace, Hum] | Unusable],
    setup: SetupSeen,
) -> Iterable[Found]:
    """Trace, its skew taken out, and zones of every interrupter in one operation, each from its own trace alone."""

    def one(interrupter: Interrupter) -> Found:
        got = traces[operation.number, interrupter.name]
        if isinstance(got, Unusable):
            return interrupter, None, Zones(reasons=(got.reason,)), None
        trace = without_skew(got[0], setup.skew_s(interrupter.name))
        return interrupter, trace, segment(trace, hum=got[1], offset_u_v=breaker.instrument.voltage_offset_v), got[1]

    samples = max((t[0].time_s.size for t in traces.values() if not isinstance(t, Unusable)), default=0)
    return side_by_side(one, breaker.interrupters, most=None if samples >= WORTH else 1)


def zones_of(
    found: Sequence[Found], operation: Operation, edits: Mapping[str, Sequence[Edit]], offset_u_v: float
) -> Iterable[Found]:
    """Zones of every interrupter in one operation, those injected in series read together, edits by hand applied."""

    def edited(interrupter: Interrupter, trace: Trace | None, zones: Zones) -> Zones:
        if trace is None:
            return zones
        return by_hand(zones, edits.get(interrupter.name, ()), kind=operation.kind, step_s=trace.step_s)

    ends = _injection_ends({i: edited(i, t, z) for i, t, z, _ in found if t is not None}, operation)
    alike = _alike(found)
    for interrupter, trace, zones, hum in found:
        if trace is not None and (interrupter.name in ends or interrupter.name in alike):
            until_s, until_by = ends.get(interrupter.name, (math.nan, ""))
            again = _again(trace, hum, offset_u_v, until_s, until_by, alike.get(interrupter.name, 0.0))
            yield interrupter, trace, edited(interrupter, trace, again), hum
        else:
            yield interrupter, trace, edited(interrupter, trace, zones), hum


@kept
def _again(trace: Trace, hum: Hum | None, offset_u_v: float, until_s: float, until_by: str, alike_s: float) -> Zones:
    """Zones of an interrupter by what the others of its operation say: the injection's end, how long a move takes."""
    return segment(trace, hum=hum, offset_u_v=offset_u_v, until_s=until_s, until_by=until_by, alike_s=alike_s)


def _alike(found: Sequence[Found]) -> dict[str, float]:
    """How long the move takes in the others of one operation, s, for each whose arcing contact fluctuates.

    The contacts of one breaker are made alike. Fewer than two others tell nothing.
    """
    moves = {i.name: z.commutation_s.value for i, _, z, _ in found if z.commutation_s and not z.reasons}
    out: dict[str, float] = {}
    for interrupter, _, zones, _ in found:
        others = [d for name, d in moves.items() if name != interrupter.name]
        if zones.fluctuating and len(others) >= FEWEST_ALIKE:
            out[interrupter.name] = statistics.median(others)
    return out


def _line_frequency(record: Record, breaker: Breaker) -> float:
    return record.frequency_hz if record.frequency_hz > 0 else breaker.rated_frequency_hz


def _injection_ends(zones: Mapping[Interrupter, Zones], operation: Operation) -> dict[str, tuple[float, str]]:
    """When, and by which interrupter of a series injection, the current of the others was ended (or begun).

    Opening: the first to part ends it for all. Closing: the last to touch begins it for all.
    """
    ends: dict[str, tuple[float, str]] = {}
    for channel in {i.current for i in zones}:
        chain = [(z.arcing_s.value, i.name) for i, z in zones.items() if i.current == channel and z.arcing_s]
        if len(chain) < 2:
            continue
        decides = min(chain) if operation.kind == "open" else max(chain)
        ends |= {name: decides for _, name in chain if name != decides[1]}
    return ends
