"""Verdicts between siblings that would not be drawn had the test been connected otherwise, as it may have been."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from drm.setup_alternatives import Alternative, Instants, alternatives
from drm.setup_reread import read_again
from drm.siblings import Comparison, SiblingCurve, compare
from drm.siblings_prior import Population

if TYPE_CHECKING:
    import pandas as pd

    from drm.observe import Moving
    from drm.reading import Reading
    from drm.setup_checks import SetupSeen

__all__ = ["Doubt", "doubts", "instants_of"]

#: Below this probability an interrupter stands apart (`drm.rules.siblings`).
APART_P = 0.05
#: An exchange explains a departure when it leaves at most this share of the squared scores of all whom it concerns:
#: it then puts right several readings at once, as no departure of one contact would be.
LEFT = 0.5
_NAMES = ("operation", "kind", "pole", "interrupter", "position", "mechanism", "reference", "current_a", "quality")
_PLACES = ("arcing_wipe_mm", "main_contact_mm", "main_resistance_uohm")


@dataclass(frozen=True)
class Doubt:
    """Why no verdict is drawn from how one interrupter, or one pole as a whole, stands among its siblings.

    Attributes
    ----------
    interrupter : str
        Whose verdict; empty where it is a pole's.
    other : Alternative
        The way of testing under which nobody stands apart.
    evidence : dict
        What its figures would be.
    """

    interrupter: str
    other: Alternative
    evidence: Mapping[str, Any]
    pole: str = ""


def instants_of(
    readings: Iterable[Reading], movements: Mapping[str, Moving], setup: SetupSeen, *, steps: int = 0
) -> list[Instants]:
    """Instants of one record's readings.

    Parameters
    ----------
    steps : int
        Operations before this record's first, where several records are numbered through.
    """
    out = []
    for r in readings:
        name, number = r.interrupter.name, r.operation.number
        step_s = 1e-3 * float(r.time_ms[-1] - r.time_ms[0]) / max(r.time_ms.size - 1, 1)
        out.append(
            Instants(
                number + steps,
                r.operation.kind,
                name,
                r.interrupter.mechanism,
                r.interrupter.current,
                r.zones.main_s,
                r.zones.arcing_s,
                movements,
                setup.events.get((number, name)),
                step_s,
                setup.skew_s(name),
                setup.skew[name].u if name in setup.skew else 0.0,
            )
        )
    return out


def doubts(
    seen: Sequence[Instants],
    table: pd.DataFrame,
    comparison: Comparison,
    population: Population,
    curves: Sequence[SiblingCurve] = (),
) -> tuple[Doubt, ...]:
    """For each interrupter or pole that stands apart, the way of testing that is not excluded and that explains it.

    Parameters
    ----------
    seen : sequence of Instants
    table : DataFrame
        Features of the same readings.
    comparison : Comparison
        Of that table, with those curves.
    """
    # What is not compared need not be read again.
    wanted = {*_NAMES, *population.priors, *(f"{n}_u" for n in population.priors)}
    part = table[[n for n in table.columns if n in wanted]]

    def again(other: Alternative) -> Comparison:
        return compare(read_again(part, seen, other), population=population, curves=curves)

    first = [next(_doubted(seen, comparison, again, name), None) for name in sorted(_apart(comparison))]
    poles = {s.name: s.interrupters for s in comparison.shifts if s.what == "pole" and s.interrupters}
    first += [next(_pole_doubted(seen, comparison, again, *each), None) for each in sorted(poles.items())]
    return tuple(d for d in first if d is not None)


def _pole_doubted(
    seen: Sequence[Instants],
    comparison: Comparison,
    compared: Callable[[Alternative], Comparison],
    pole: str,
    members: Sequence[str],
) -> Iterator[Doubt]:
    """Another travel for the whole pole, under which neither it nor anybody else stands apart."""
    for other in alternatives(seen, members[0]):
        if other.kind != "travel" or not set(members) <= set(other.who):
            continue
        again = compared(other)
        shifted = {(s.what, s.name) for s in again.shifts} - {(s.what, s.name) for s in comparison.shifts}
        left = any(s.what == "pole" and s.name == pole for s in again.shifts)
        if not (left or shifted or _apart(again) - _apart(comparison)):
            yield Doubt("", other, {n: _evidence(again, n) for n in members}, pole)


def _doubted(
    seen: Sequence[Instants], comparison: Comparison, compared: Callable[[Alternative], Comparison], name: str
) -> Iterator[Doubt]:
    for other in alternatives(seen, name):
        again = compared(other)
        new = _apart(again) - _apart(comparison)
        shifted = {(s.what, s.name) for s in again.shifts} - {(s.what, s.name) for s in comparison.shifts}
        if new or shifted or _apart(again) & {name, *other.who}:
            continue
        if other.kind == "clock" or _misfit(again, other) <= LEFT * _misfit(comparison, other):
            yield Doubt(name, other, _evidence(again, name))


def _apart(c: Comparison) -> set[str]:
    """Interrupters that a single feature or all together name."""
    alone = {n for n, items in c.contributions.items() if any(i.p < APART_P for i in items)}
    return alone | {n for n, j in c.joint.items() if j.p < APART_P}


def _misfit(c: Comparison, other: Alternative) -> float:
    """Sum of the squared scores of those whom the exchange concerns, in what it moves."""
    items = (i for n in other.who for i in c.contributions.get(n, ()) if i.feature in _PLACES)
    return sum(i.score**2 for i in items if math.isfinite(i.score))


def _evidence(again: Comparison, name: str) -> dict[str, Any]:
    items = [i for i in again.contributions.get(name, ()) if i.feature in _PLACES]
    return {f"{i.feature}_on_{i.kind}": {"value": i.value, "expected": i.expected} for i in items}
