"""Spread of the contacts' instants between poles and between the interrupters of one pole."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from drm.findings import Finding
from drm.rules.cautions import look_at_mechanism, measure_again
from drm.rules.context import Context, joined, trusted
from drm.setup_fault import clock_u_ms, clocked_by

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["LIMITS_CYCLES", "simultaneity"]

# IEC 62271-100, simultaneity, from memory; they hold where the maker states nothing else; equality passes.
LIMITS_CYCLES = {
    ("poles", "close"): 1 / 4,
    ("poles", "open"): 1 / 6,
    ("within a pole", "close"): 1 / 6,
    ("within a pole", "open"): 1 / 8,
}
#: Instant, its uncertainty, name, and the interrupters that it is of.
Point = tuple[float, float, str, tuple[str, ...]]
# Coil onsets further apart than this were separate commands.
_ONE_COMMAND_CYCLES = 1.0
_EXACT_MS = 1e-9
# Rated speeds are 2 to 10 m/s, slow openings 0.002 to 0.2 m/s: common practice and Landry et al., from memory.
SLOW_M_S = 0.5


def simultaneity(c: Context) -> Iterator[Finding]:
    """Spread of last loss (open) or first gain (close) of metallic contact, on one clock.

    Instants are counted from each mechanism's own reference. They are put on the record's clock by ``reference_s`` of
    the facts; without it only interrupters of one mechanism are compared. The instant of a pole is that of its last
    interrupter (from memory of the standard's definitions).
    """
    rows = trusted(c.features, "arcing_contact_ms")
    if "parting_speed_m_s" in rows:
        # The limits are for operation at rated speed; a slow operation spreads every instant.
        rows = rows[~(rows["parting_speed_m_s"] < SLOW_M_S)]
    if rows.empty:
        return
    unplaced: set[int] = set()
    for _, mine in rows.groupby("operation", sort=True):
        number, kind = int(mine["operation"].iloc[0]), str(mine["kind"].iloc[0])
        placed = _placed(c, number, mine)
        if placed is None:
            unplaced.add(number)
        for _, group in mine.groupby("pole", sort=True):
            if group["mechanism"].nunique() == 1:
                yield from _spread(c, "within a pole", kind, number, _points(group, "interrupter"))
            elif placed is not None:
                yield from _spread(c, "within a pole", kind, number, _points(placed.loc[group.index], "interrupter"))
        if placed is not None:
            yield from _spread(c, "poles", kind, number, _poles(c, placed))
    if unplaced:
        yield Finding(
            code="timing.no-common-reference",
            level="note",
            subject="setup",
            message="Simultaneity of the poles is not judged: the mechanisms' instants share no time reference, or "
            "they were not commanded together.",
            basis="instants are counted from each mechanism's own coil onset or start of motion",
            advice=measure_again("Record all mechanisms and their coil currents in one record, with one command."),
            operations=tuple(sorted(unplaced)),
        )


def _placed(c: Context, number: int, rows: pd.DataFrame) -> pd.DataFrame | None:
    """Rows with instants on one clock, or None where there is none."""
    names = sorted(set(rows["mechanism"].astype(str)))
    if len(names) == 1:
        return rows
    starts = {m: c.facts.get("reference_s", {}).get((number, m), math.nan) for m in names}
    known = [1e3 * float(s) for s in starts.values()]
    apart = max(known) - min(known) if all(map(math.isfinite, known)) else math.inf
    coils = "reference" not in rows or set(rows["reference"]) == {"coil"}
    if not coils or apart > _ONE_COMMAND_CYCLES * 1e3 / c.breaker.rated_frequency_hz:
        return None
    shift = rows["mechanism"].astype(str).map({m: 1e3 * float(s) - min(known) for m, s in starts.items()})
    return rows.assign(arcing_contact_ms=rows["arcing_contact_ms"] + shift)


def _points(rows: pd.DataFrame, label: str) -> list[Point]:
    us = rows["arcing_contact_ms_u"].fillna(0.0) if "arcing_contact_ms_u" in rows else 0.0 * rows["arcing_contact_ms"]
    return [
        (float(t), float(u), str(n), (str(i),))
        for t, u, n, i in zip(rows["arcing_contact_ms"], us, rows[label], rows["interrupter"], strict=True)
    ]


def _poles(c: Context, rows: pd.DataFrame) -> list[Point]:
    """Last interrupter of each pole of which every interrupter was measured."""
    need: dict[str, int] = {}
    for i in c.breaker.interrupters:
        need[i.pole] = need.get(i.pole, 0) + 1
    return [
        max(_points(group, "pole"))
        for pole, group in rows.groupby("pole", sort=True)
        if len(group) >= need.get(str(pole), 1)
    ]


def _shared(c: Context, first: Point, last: Point) -> float:
    """What two instants' squared uncertainties hold in common, ms²: one clock that is off is off for both alike."""
    clocks = [clock_u_ms(f) for f in c.facts.get("setup_faults", ()) if {*first[3], *last[3]} <= set(clocked_by(f))]
    return 2.0 * sum(u * u for u in clocks)


def _spread(c: Context, what: str, kind: str, number: int, points: list[Point]) -> Iterator[Finding]:
    if len(points) < 2:
        return
    first, last = min(points), max(points)
    spread, wide = last[0] - first[0], 2.0 * math.sqrt(max(first[1] ** 2 + last[1] ** 2 - _shared(c, first, last), 0.0))
    limit = LIMITS_CYCLES[what, kind] * 1e3 / c.breaker.rated_frequency_hz
    if spread + wide <= limit + _EXACT_MS:
        return
    outside = spread - wide > limit + _EXACT_MS
    names = first[3] + last[3]
    yield Finding(
        code="timing.poles" if what == "poles" else "timing.pole-units",
        level="inspect" if outside else "watch",
        subject="timing",
        message=f"Operation {number} ({kind}), {what}: {first[2]} and {last[2]} are {spread:.2f} ms apart, "
        f"{'beyond' if outside else 'too near, within the uncertainty, to'} the limit of {limit:.3f} ms.",
        basis="published limit: IEC 62271-100, simultaneity (quoted from memory), where the maker states nothing else",
        advice=look_at_mechanism(
            "Repeat the test; check that all poles were commanded together and that control voltage, drive energy and "
            "gas are the same; then the linkage. The maker's own limit comes first. Named are the first and the last: "
            f"which of {joined([first[2], last[2]])} is off, the spread does not say."
        ),
        interrupters=tuple(sorted(names)),
        operations=(number,),
        evidence={
            "spread_ms": spread,
            "spread_expanded_u_ms": wide,
            "limit_ms": limit,
            "first": first[2],
            "last": last[2],
            "rated_frequency_hz": c.breaker.rated_frequency_hz,
        },
    )
