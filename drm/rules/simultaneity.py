"""Spread of the contacts' instants between poles and between the interrupters of one pole."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

from drm.findings import Finding
from drm.frames import rows_of
from drm.rules.cautions import look_at_mechanism, measure_again
from drm.rules.context import Context, joined
from drm.setup_fault import clock_u_ms, clocked_by
from drm.siblings_use import usable

__all__ = ["LIMITS_CYCLES", "simultaneity"]

# IEC 62271-100, simultaneity, from memory; they hold where the maker states nothing else; equality passes.
LIMITS_CYCLES = {
    ("poles", "close"): 1 / 4,
    ("poles", "open"): 1 / 6,
    ("within a pole", "close"): 1 / 6,
    ("within a pole", "open"): 1 / 8,
}
#: What is read of the features.
_COLUMNS = ("operation", "kind", "pole", "interrupter", "mechanism", "reference", "arcing_contact_ms",
            "arcing_contact_ms_u", "parting_speed_m_s")  # fmt: skip
Row = dict[str, Any]
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
    every = rows_of(c.features[[n for n in _COLUMNS if n in c.features]])
    good = usable(c.features, "arcing_contact_ms")
    # The limits are for operation at rated speed; a slow operation spreads every instant.
    rows = [r for r, ok in zip(every, good, strict=True) if ok and not r.get("parting_speed_m_s", math.inf) < SLOW_M_S]
    unplaced: set[int] = set()
    for number, mine in _grouped(rows, "operation").items():
        kind = str(mine[0]["kind"])
        placed = _placed(c, number, mine)
        if placed is None:
            unplaced.add(number)
        for pole, group in _grouped(mine, "pole").items():
            if len({r["mechanism"] for r in group}) == 1:
                yield from _spread(c, "within a pole", kind, number, _points(group, "interrupter"))
            elif placed is not None:
                group = [r for r in placed if r["pole"] == pole]
                yield from _spread(c, "within a pole", kind, number, _points(group, "interrupter"))
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


def _grouped(rows: Sequence[Row], column: str) -> dict[Any, list[Row]]:
    """Rows by their value in a column, in its order."""
    out: dict[Any, list[Row]] = {}
    for row in sorted(rows, key=lambda r: r[column]):
        out.setdefault(row[column], []).append(row)
    return out


def _placed(c: Context, number: int, rows: list[Row]) -> list[Row] | None:
    """Rows with instants on one clock, or None where there is none."""
    names = sorted({str(r["mechanism"]) for r in rows})
    if len(names) == 1:
        return rows
    starts = {m: c.facts.get("reference_s", {}).get((number, m), math.nan) for m in names}
    known = [1e3 * float(s) for s in starts.values()]
    apart = max(known) - min(known) if all(map(math.isfinite, known)) else math.inf
    coils = {r.get("reference", "coil") for r in rows} == {"coil"}
    if not coils or apart > _ONE_COMMAND_CYCLES * 1e3 / c.breaker.rated_frequency_hz:
        return None
    shift = {m: 1e3 * float(s) - min(known) for m, s in starts.items()}
    return [r | {"arcing_contact_ms": r["arcing_contact_ms"] + shift[str(r["mechanism"])]} for r in rows]


def _points(rows: Sequence[Row], label: str) -> list[Point]:
    out: list[Point] = []
    for r in rows:
        u = float(r.get("arcing_contact_ms_u", 0.0))
        out.append((float(r["arcing_contact_ms"]), u if u == u else 0.0, str(r[label]), (str(r["interrupter"]),)))
    return out


def _poles(c: Context, rows: Sequence[Row]) -> list[Point]:
    """Last interrupter of each pole of which every interrupter was measured."""
    need: dict[str, int] = {}
    for i in c.breaker.interrupters:
        need[i.pole] = need.get(i.pole, 0) + 1
    return [
        max(_points(group, "pole"))
        for pole, group in _grouped(rows, "pole").items()
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
