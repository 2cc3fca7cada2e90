"""Every figure of mechanisms, times, static resistance, pick-up and motors against the earlier test."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from drm.quantity import Quantity
from drm.reference import Change, Reference, surroundings
from drm.reference_conditions import Surroundings, driven, moved
from drm.reference_rows import Group, Rows, Volts, figures_in, groups, placed, taken, volts_of, with_voltage
from drm.reference_scatter import healthy, pooled
from drm.siblings_use import reasons

if TYPE_CHECKING:
    import pandas as pd

    from drm.breaker import Breaker

__all__ = ["Gap", "figures"]

#: Static currents further apart than this factor are not comparable; common practice, no source.
SAME_STATIC = 2.0
#: Commands further apart than this, ms, are another sequence; common practice, no source.
SAME_COMMAND_MS = 2.0
#: Instants that count from the reference of their operation, and figures that no travel enters.
_FROM_REFERENCE = ("opening_time", "closing_time", "auxiliary_a_ms", "auxiliary_b_ms", "auxiliary_a_settled",
                   "auxiliary_b_settled")  # fmt: skip
_NO_TRAVEL = ("coil_", "motor_", "armature_", "auxiliary_", "opening_time", "closing_time", "first_", "last_",
              "spread_", "open_close", "close_open", "bounce", "resistor_", "static_", "pick_up")  # fmt: skip


@dataclass(frozen=True)
class Gap:
    """A figure, or all figures of a name where `column` is empty, that could not be compared, and why."""

    table: str
    of: str
    name: str
    kind: str
    after: str
    column: str
    why: str


@dataclass(frozen=True, eq=False)
class _Both:
    """Both tests as the comparison needs them."""

    now: Mapping[str, pd.DataFrame]
    then: Mapping[str, pd.DataFrame]
    here: Surroundings
    there: Surroundings
    breaker: Breaker
    stated: Mapping[str, Mapping[str, object]]
    volts: tuple[Volts, Volts]
    spoiled: tuple[set[tuple[int, str]], set[tuple[int, str]]]


def figures(
    tables: Mapping[str, pd.DataFrame], earlier: Reference, breaker: Breaker
) -> tuple[tuple[Change, ...], tuple[Gap, ...]]:
    """Compare what both tests have.

    Parameters
    ----------
    tables : mapping
        This result's ``features`` and those of :data:`drm.reference.TABLES` that it has.
    earlier : Reference
    breaker : Breaker

    Returns
    -------
    changes : tuple of Change
        Their probability still without an allowance for how many were compared.
    gaps : tuple of Gap
    """
    here, there = surroundings(breaker, earlier)
    then = earlier.tables
    volts = (volts_of(tables.get("mechanisms")), volts_of(then.get("mechanisms")))
    spoiled = (_spoiled(tables["features"]), _spoiled(earlier.features))
    both = _Both(tables, then, here, there, breaker, earlier.stated, volts, spoiled)
    found, alone = groups(tables, then)
    out: list[Change] = []
    gaps = [Gap(*key, "", why) for key, why in alone.items()]
    squares: dict[tuple[str, ...], list[float]] = {}
    for group in found:
        for got in _compared(group, both):
            if isinstance(got, Gap):
                gaps.append(got)
            else:
                change, s, freedom = got
                pool = squares.setdefault(_pool(change), [0.0, 0.0])
                pool[0], pool[1] = pool[0] + s, pool[1] + freedom
                out.append(change)
    return tuple(_weighed(c, *squares[_pool(c)]) for c in out), tuple(gaps)


def _pool(c: Change) -> tuple[str, ...]:
    """Figures that share one repeatability: all names of one kind."""
    return (c.table, c.of, c.kind, c.after, c.feature)


def _weighed(c: Change, squares: float, freedom: float) -> Change:
    """`c` with the healthy scatter of both tests in its uncertainty; until here `u` is all the rest.

    `healthy` is as stated until here, and joined with the repeatability of both tests from here on.
    """
    again = pooled(c.healthy, squares, freedom)
    u = math.hypot(c.u, math.sqrt(2.0) * again)
    return replace(c, u=u, healthy=again, distance=c.by / u if u > 0.0 else 0.0)


def _compared(group: Group, both: _Both) -> Iterator[tuple[Change, float, float] | Gap]:
    at = (group.table, group.of, group.name, group.kind, group.after)
    if group.table == "pick_up":
        if any(bool(np.isfinite(r.numbers("refused_v")).any()) for r in (group.now, group.then)):
            yield _picked_up(group, at)
        return
    mechanisms = _mechanisms_of(group, both.breaker)
    alike, volts, apart = with_voltage(group, mechanisms, *both.volts)
    moving = _without(group, both.spoiled, mechanisms)
    for column in figures_in(group):
        rows = alike if driven(column) else group
        if group.table in ("mechanisms", "timing") and not column.startswith(_NO_TRAVEL):
            rows = _without(alike, both.spoiled, mechanisms) if driven(column) else moving
        a, b = taken(rows.now, column), taken(rows.then, column)
        if not (a.value or b.value):
            continue
        why = "" if a.value and b.value else f"no value to be trusted {'in the earlier test' if a.value else 'now'}"
        why = why or (apart if driven(column) else "") or _otherwise(column, rows, both)
        sides = [
            replace(s, coil_v=v, motor_v=_motor_supply(r))
            for s, v, r in ((both.here, volts[0], rows.now), (both.there, volts[1], rows.then))
        ]
        got = moved(column, a.value.value, b.value.value, *sides)
        if why or got.why:
            yield Gap(*at, column, why or got.why)
            continue
        value, before, u = a.value.value, b.value.value, math.hypot(a.value.u, b.value.u, got.more_u)
        stated = _stated(column, rows, 0.5 * (abs(value) + abs(before)), several=len(mechanisms) > 1)
        change = Change(
            group.name, group.kind, column, value, before, a.value.u, b.value.u, got.now_20, got.then_20, math.nan,
            math.nan, a.operations, group.table, group.of, group.after, got.by, u, stated,
        )  # fmt: skip
        yield change, a.squares + b.squares, a.freedom + b.freedom


def _stated(column: str, group: Group, value: float, *, several: bool) -> float:
    """Healthy standard deviation; that of a spread between mechanisms is what two of them may move by."""
    if column == "spread_ms" and several:
        return math.sqrt(2.0) * healthy("last_ms", taken(group.now, "last_ms").value.value)
    return healthy(column, value)


def _mechanisms_of(group: Group, breaker: Breaker) -> tuple[str, ...]:
    if group.of == "mechanism":
        return (group.name,)
    units = breaker.interrupters
    if group.of != "breaker":
        units = tuple(i for i in units if group.name == (i.pole if group.of == "pole" else i.name))
    return tuple(sorted({i.mechanism for i in units}))


def _spoiled(features: pd.DataFrame) -> set[tuple[int, str]]:
    """(operation, mechanism) whose travel a fault of the test spoils."""
    if "quality" not in features or "mechanism" not in features:
        return set()
    return {
        (int(n), str(m))
        for n, m, q in zip(features["operation"], features["mechanism"], features["quality"], strict=True)
        if any(r.startswith("setup, travel:") for r in reasons(q))
    }


def _without(
    group: Group, spoiled: tuple[set[tuple[int, str]], set[tuple[int, str]]], mechanisms: tuple[str, ...]
) -> Group:
    """`group` without rows whose travel the sensor or the test made."""
    if group.table not in ("mechanisms", "timing"):
        return group
    sides = [
        rows.only(
            not flags and not any((n, m) in bad for m in mechanisms)
            for n, flags in zip(rows.operations(), rows.words("travel_flags"), strict=True)
        )
        for rows, bad in zip((group.now, group.then), spoiled, strict=True)
    ]
    return replace(group, now=sides[0], then=sides[1])


def _motor_supply(rows: Rows) -> float:
    """Energy over charge, V: not quite the mean voltage at the motor, but it follows that from test to test."""
    charge = rows.numbers("motor_running_a") * rows.numbers("motor_duration_s")
    x = rows.numbers("motor_energy_j") / np.where(charge > 0.0, charge, np.nan)
    good = x[np.isfinite(x)]
    return float(np.median(good)) if good.size else math.nan


def _words(rows: Rows, column: str) -> set[str]:
    return {w for w in rows.words(column) if w}


def _otherwise(column: str, group: Group, both: _Both) -> str:
    """Why a figure means something else than then; empty where it does not."""
    if group.table == "mechanisms":
        return _otherwise_moved(column, group, both)
    if group.table == "timing":
        sources = [_words(r, "source") for r in (group.now, group.then)]
        if column != "bounce_ms" and not column.startswith("resistor") and sources[0] != sources[1]:
            told = ["+".join(sorted(s)) or "nothing" for s in sources]
            return f"instants come from {told[0]} now, from {told[1]} then"
        if column in ("open_close_time_ms", "close_open_time_ms"):
            gaps = [_command_gap(t["timing"], column, group.after) for t in (both.now, both.then)]
            if not all(map(math.isfinite, gaps)):
                return "the time between the commands of one of the two tests is not known"
            if abs(gaps[0] - gaps[1]) > SAME_COMMAND_MS:
                return f"the commands follow one another after {gaps[0]:.1f} ms now, {gaps[1]:.1f} ms then"
    if group.table == "static":
        amps = [taken(r, "static_current_a").value.value for r in (group.now, group.then)]
        if not 1.0 / SAME_STATIC <= amps[0] / amps[1] <= SAME_STATIC:
            return f"the test currents differ: {amps[0]:.4g} A now, {amps[1]:.4g} A then"
    return ""


def _otherwise_moved(column: str, group: Group, both: _Both) -> str:
    references = [_words(r, "reference") for r in (group.now, group.then)]
    if column.startswith(_FROM_REFERENCE) and references[0] != references[1]:
        return "the times count from another reference instant (coil or motion) than then"
    zones = [_words(r, "speed_zone") for r in (group.now, group.then)]
    if column == "speed_m_s" and zones[0] != zones[1]:
        told = [" and ".join(sorted(z)) for z in zones]
        return f"the speed is taken over {told[0]} now, over {told[1]} then"
    mine = next((m for m in both.breaker.mechanisms if m.name == group.name), None)
    before = both.stated.get(group.name)
    if mine is None or before is None:
        return ""
    if column.startswith("damping_"):
        # What is not stated is a tenth of the stroke.
        now, then = getattr(mine.damping, f"{group.kind}_mm"), _of(before.get("damping"), f"{group.kind}_mm")
        if now != then:
            return f"the damper begins {_mm(now)} before the end now, {_mm(then)} then"
    name = column.removeprefix("speed_").removesuffix("_m_s")
    here = [(z.from_mm, z.to_mm, z.for_ms) for z in mine.speed_zones if (z.name, z.kind) == (name, group.kind)]
    listed = before.get("speed_zones")
    there = [
        (_of(z, "from_mm"), _of(z, "to_mm"), _of(z, "for_ms"))
        for z in (listed if isinstance(listed, list | tuple) else ())
        if (_of(z, "name"), _of(z, "kind")) == (name, group.kind)
    ]
    return "the speed zone is another one than then" if here and here != there else ""


def _of(told: object, key: str) -> object:
    return told.get(key) if isinstance(told, Mapping) else None


def _mm(value: object) -> str:
    return "a tenth of the stroke" if value is None else f"{value:g} mm"


def _command_gap(timing: pd.DataFrame, column: str, after: str) -> float:
    """Time between the commands of two operations, ms, from the breaker's rows; NaN where it is not known.

    The time from contact to contact, less what the second operation took to its contact, and what the first did.
    """
    rows = timing.assign(_after=placed(timing))
    rows = rows[rows["scope"] == "breaker"]
    second = rows[(rows["_after"] == after) & np.isfinite(rows[column].to_numpy(dtype=float))]
    ends = ("last_ms", "first_ms") if column == "open_close_time_ms" else ("first_ms", "last_ms")
    gaps = []
    for row in second.to_dict("records"):
        first = rows[(rows["record"] == row["record"]) & (rows["operation"] == row["operation"] - 1)]
        if len(first):
            gaps.append(float(row[column]) + float(first[ends[0]].iloc[0]) - float(row[ends[1]]))
    return float(np.median(gaps)) if gaps else math.nan


def _picked_up(group: Group, at: tuple[str, str, str, str, str]) -> tuple[Change, float, float] | Gap:
    """Pick-up voltages lie somewhere between refusal and operation: they moved by what is between the two stretches."""
    sides = []
    for rows in (group.now, group.then):
        if why := rows.words("quality")[0]:
            return Gap(*at, "pick_up_v", why)
        three = ("refused_v", "least_v", "pick_up_v")
        sides.append([Quantity(float(rows.numbers(c)[0]), float(rows.numbers(f"{c}_u")[0])) for c in three])
    (low, high, now), (low_then, high_then, then) = sides
    by, u = 0.0, math.hypot(now.u if now else 0.0, then.u if then else 0.0)
    if low and high_then and low.value > high_then.value:
        by, u = low.value - high_then.value, math.hypot(low.u, high_then.u)
    elif high and low_then and high.value < low_then.value:
        by, u = high.value - low_then.value, math.hypot(high.u, low_then.u)
    elif not (now and then):
        return Gap(*at, "pick_up_v", "no refusal brackets it in both tests")
    value, before = now or high or low, then or high_then or low_then
    change = Change(
        group.name, group.kind, "pick_up_v", value.value, before.value, value.u, before.u, math.nan, math.nan,
        math.nan, math.nan, (), group.table, group.of, group.after, by, u, healthy("pick_up_v", before.value),
    )  # fmt: skip
    return change, 0.0, 0.0
