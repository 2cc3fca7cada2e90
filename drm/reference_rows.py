"""Rows of two tests that belong together: the same name, kind of operation and place in its record."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drm.quantity import NOTHING, Quantity
from drm.reference_conditions import NEVER, SAME_VOLTAGE

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CHARGING", "Group", "Rows", "Volts", "figures_in", "groups", "placed", "taken", "volts_of", "with_voltage"]

FloatArray = NDArray[np.float64]
#: (mechanism, kind) -> operation -> voltage at its coil.
Volts = Mapping[tuple[str, str], Mapping[int, Quantity]]
#: Kind given to runs of the motor in a record without an operation.
CHARGING = "charging"
#: Table -> column that names what a row is of, and the word for it; the times have it in their ``scope``.
NAMED = {
    "mechanisms": ("mechanism", "mechanism"),
    "timing": ("name", ""),
    "static": ("interrupter", "interrupter"),
    "pick_up": ("mechanism", "mechanism"),
    "motors": ("mechanism", "mechanism"),
}


@dataclass(frozen=True, eq=False)
class Rows:
    """Some rows of a table as plain columns: thousands of cells are looked at one by one."""

    columns: Mapping[str, NDArray[np.generic]]
    at: NDArray[np.intp]

    def __contains__(self, column: str) -> bool:
        return column in self.columns

    def numbers(self, column: str) -> FloatArray:
        """Its values, shape (rows,); NaN where the table has no such column."""
        got = self.columns.get(column)
        return np.full(self.at.size, math.nan) if got is None else np.asarray(got[self.at], dtype=np.float64)

    def words(self, column: str) -> list[str]:
        """Its values as text; empty where the table has no such column."""
        got = self.columns.get(column)
        return [""] * self.at.size if got is None else [v if isinstance(v, str) else "" for v in got[self.at]]

    def operations(self) -> list[int]:
        """Numbers of the operations; none where the table has none."""
        return [int(n) for n in self.columns["operation"][self.at]] if "operation" in self.columns else []

    def only(self, good: Iterable[bool]) -> Rows:
        """Those for which `good` holds."""
        return replace(self, at=self.at[np.fromiter(good, dtype=np.bool_, count=self.at.size)])


@dataclass(frozen=True, eq=False)
class Group:
    """Rows of both tests that can be set side by side."""

    table: str
    of: str
    name: str
    kind: str
    after: str
    now: Rows
    then: Rows


def placed(frame: pd.DataFrame) -> list[str]:
    """For each row the operations that precede its own in its record, such as ``OC``; empty for the first.

    Two operations of one kind cannot follow one another: there begins another record of the same name.
    """
    if "operation" not in frame or "record" not in frame:
        return [""] * len(frame)
    rows = list(zip(frame["operation"], frame["record"], frame["kind"], strict=True))
    before: dict[tuple[int, str], str] = {}
    running: dict[str, str] = {}
    for number, record, kind in sorted(set(rows)):
        letter = "O" if kind == "open" else "C"
        so_far = running.get(record, "")
        so_far = "" if so_far.endswith(letter) else so_far
        before[number, record] = so_far
        running[record] = so_far + letter
    return [before[number, record] for number, record, _ in rows]


_Key = tuple[str, str, str, str, str]


def groups(now: Mapping[str, pd.DataFrame], then: Mapping[str, pd.DataFrame]) -> tuple[list[Group], dict[_Key, str]]:
    """Every group that both tests have, and (table, of, name, kind, after) -> why there is none."""
    found: list[Group] = []
    alone: dict[_Key, str] = {}
    for table in NAMED:
        here, there = ({k: r for t in side if t == table for k, r in _parts(side[t], t)} for side in (now, then))
        for key in sorted({*here, *there}):
            if key in here and key in there:
                found.append(Group(*key, here[key], there[key]))
            else:
                alone[key] = "not in the earlier test" if key in here else "in the earlier test only"
    return found, alone


def _parts(frame: pd.DataFrame, table: str) -> Iterator[tuple[_Key, Rows]]:
    column, of = NAMED[table]
    if column not in frame:
        return
    columns = {str(c): frame[c].to_numpy() for c in frame.columns}
    whole = Rows(columns, np.arange(len(frame)))
    kinds = whole.words("kind") if "kind" in frame else [CHARGING if table == "motors" else ""] * len(frame)
    after = placed(frame) if table in ("mechanisms", "timing") else [""] * len(frame)
    at: dict[_Key, list[int]] = {}
    for k, (scope, name, kind, before) in enumerate(
        zip(whole.words("scope"), whole.words(column), kinds, after, strict=True)
    ):
        at.setdefault((table, scope or of, name, kind, before), []).append(k)
    for key, mine in at.items():
        yield key, Rows(columns, np.array(mine, dtype=np.intp))


def figures_in(group: Group) -> list[str]:
    """Columns with a standard uncertainty that both sides have."""
    here, there = group.now, group.then
    return [c for c in here.columns if f"{c}_u" in here and c in there and f"{c}_u" in there and c not in NEVER]


@dataclass(frozen=True)
class Taken:
    """One side's value: median, its standard uncertainty, operations, squares about the mean and their freedom."""

    value: Quantity
    operations: tuple[int, ...]
    squares: float
    freedom: int


def taken(rows: Rows, column: str) -> Taken:
    """The value of one side; NaN where no row has one."""
    x, u = rows.numbers(column), rows.numbers(f"{column}_u")
    good = np.isfinite(x)
    if not bool(good.any()):
        return Taken(NOTHING, (), 0.0, 0)
    numbers = tuple(sorted({n for n, g in zip(rows.operations(), good, strict=False) if g}))
    known = u[good & np.isfinite(u)]
    value = Quantity(float(np.median(x[good])), float(np.median(known)) if known.size else 0.0)
    return Taken(value, numbers, float(np.sum((x[good] - np.mean(x[good])) ** 2)), int(good.sum()) - 1)


def volts_of(mechanisms: pd.DataFrame | None) -> Volts:
    """Voltage at the coil of every mechanism and kind, operation by operation, where it is known."""
    out: dict[tuple[str, str], dict[int, Quantity]] = {}
    if mechanisms is None or "coil_voltage_v" not in mechanisms:
        return out
    names = ("mechanism", "kind", "operation", "coil_voltage_v", "coil_voltage_v_u")
    for name, kind, number, v, u in zip(*(mechanisms[c] for c in names), strict=True):
        if math.isfinite(v):
            out.setdefault((str(name), str(kind)), {})[int(number)] = Quantity(float(v), float(u))
    return out


def with_voltage(
    group: Group, of: Sequence[str], now: Volts, then: Volts
) -> tuple[Group, tuple[Quantity, Quantity], str]:
    """`group` with those of its operations whose coil voltages are alike in both tests, and what they were.

    Parameters
    ----------
    of : sequence of str
        Mechanisms on which the group's figures rest.
    now, then : mapping
        Of both tests, as :func:`volts_of` gives them.

    Returns
    -------
    group : Group
    voltages : tuple of Quantity
        Now and then; those furthest apart where there are several mechanisms, NaN where they are not known.
    why : str
        Why there are no such operations; empty where there are.
    """
    kept = group
    told = (NOTHING, NOTHING)
    for name in of:
        every = (now.get((name, group.kind), {}), then.get((name, group.kind), {}))
        sides = [{n: v[n] for n in g.operations() if n in v} for v, g in zip(every, (kept.now, kept.then), strict=True)]
        if not sides[0] or not sides[1]:
            return group, (NOTHING, NOTHING), ""
        at = _shared(*([q.value for q in s.values()] for s in sides))
        if math.isnan(at):
            middle = [_median(s.values()) for s in sides]
            return group, (NOTHING, NOTHING), differing("coil voltages", middle[0].value, middle[1].value)
        near = [{n: q for n, q in s.items() if _near(q.value, at)} for s in sides]
        rows = [
            g.only(n in mine or n not in s for n in g.operations())
            for g, mine, s in zip((kept.now, kept.then), near, sides, strict=True)
        ]
        kept = replace(kept, now=rows[0], then=rows[1])
        pair = (_median(near[0].values()), _median(near[1].values()))
        told = max((told, pair), key=lambda p: abs(p[0].value - p[1].value) if p[0] else -1.0)
    return kept, told, ""


def differing(what: str, now: float, then: float) -> str:
    """Why two supplies are not comparable."""
    return f"{what} differ: {now:.4g} V now, {then:.4g} V then"


def _median(values: Iterable[Quantity]) -> Quantity:
    every = list(values)
    return Quantity(float(np.median([q.value for q in every])), float(np.median([q.u for q in every])))


def _near(volts: float, other: float) -> bool:
    return abs(volts - other) <= SAME_VOLTAGE * other


def _shared(now: Sequence[float], then: Sequence[float]) -> float:
    """The voltage at which most operations of both tests were made, the higher of two; NaN where there is none."""
    best = max(sorted(now, reverse=True), key=lambda v: min(sum(_near(x, v) for x in s) for s in (now, then)))
    return best if any(_near(x, best) for x in then) else math.nan
