"""What happened when: coil, motion, contacts and auxiliary contacts of each mechanism, from the release on."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup

from drm.coverage import told
from drm.frames import rows_of
from drm.report import svg
from drm.report.tables import Table
from drm.wording import measured, name, number

if TYPE_CHECKING:
    from drm.pipeline import Result

__all__ = ["pictures", "tables"]

WIDTH, LEFT, RIGHT, ROW, TOP, BOTTOM = 720.0, 120.0, 10.0, 14.0, 24.0, 32.0


@dataclass(frozen=True)
class Row:
    """A line of the picture: `on` is when the thing is in its state, `doubt` when it is changing (bounce, spread)."""

    label: str
    on: tuple[float, float]
    doubt: tuple[float, float] = (math.nan, math.nan)
    mark: float = math.nan
    style: str = "zone-main"


def pictures(result: Result) -> list[Markup]:
    """One picture per operation whose mechanisms have a time to show."""
    out: list[Markup] = []
    mechanisms = rows_of(result.mechanisms)
    for o in result.operations:
        rows: list[Row] = []
        for m in (r for r in mechanisms if r.get("operation") == o.number):
            rows += _rows(result, m, o.kind == "open")
        if rows:
            out.append(_picture(rows, o.number, o.kind))
    return out


def _rows(result: Result, m: dict[str, Any], opening: bool) -> list[Row]:
    who = str(m.get("mechanism", ""))
    short = name(who)[:8]
    out: list[Row] = []
    cut = number(m.get("coil_cut_ms"))
    cut = cut if math.isfinite(cut) else number(m.get("coil_duration_ms"))
    if math.isfinite(cut):
        out.append(Row(f"{short} coil", (0.0, cut), mark=number(m.get("armature_stop_ms")), style="zone-unknown"))
    start, last = number(m.get("motion_start_ms")), _rest(result, m)
    if math.isfinite(start) and math.isfinite(last):
        out.append(Row(f"{short} moving", (start, last), style="zone-unknown"))
    first, final = _contacts(result, m, who)
    if math.isfinite(first):
        on = (-math.inf, first) if opening else (final, math.inf)
        out.append(Row(f"{short} contacts", on, (first, final)))
    for role in ("a", "b"):
        begins, settles = number(m.get(f"auxiliary_{role}_ms")), number(m.get(f"auxiliary_{role}_settled_ms"))
        if math.isfinite(begins):
            settles = settles if math.isfinite(settles) else begins
            closes = (role == "a") != opening
            on = (settles, math.inf) if closes else (-math.inf, begins)
            out.append(Row(f"{short} auxiliary {role}", on, (begins, settles)))
    return out


def _rest(result: Result, m: dict[str, Any]) -> float:
    """When the mechanism has come to rest, as its travel curve shows it."""
    c = result.curves
    if c is None or not len(c):
        return math.nan
    mine = c[(c["operation"] == m["operation"]) & (c["mechanism"] == m["mechanism"])]
    if len(mine) < 4:
        return math.nan
    mm, t = mine["travel_mm"].to_numpy(dtype=float), mine["time_ms"].to_numpy(dtype=float)
    off = np.flatnonzero(np.abs(mm - mm[-1]) > 0.01 * float(np.ptp(mm)))
    return float(t[off[-1]]) if off.size else math.nan


def _contacts(result: Result, m: dict[str, Any], who: str) -> tuple[float, float]:
    """First and last of the mechanism's interrupters."""
    if result.timing is None:
        return math.nan, math.nan
    names = {i.name for i in result.breaker.interrupters if i.mechanism == who}
    t = result.timing
    mine = t[(t["operation"] == m["operation"]) & (t["scope"] == "interrupter") & t["name"].isin(names)]
    column = "opening_time_ms" if m.get("kind") == "open" else "closing_time_ms"
    values = mine[column].to_numpy(dtype=float)
    values = values[np.isfinite(values)]
    return (float(values.min()), float(values.max())) if values.size else (math.nan, math.nan)


def _picture(rows: list[Row], number_: int, kind: str) -> Markup:
    ends = [v for r in rows for v in (*r.on, *r.doubt, r.mark) if math.isfinite(v)]
    low, high = min(0.0, *ends), max(ends)
    room = 0.06 * (high - low) or 1.0
    low, high = low - 0.3 * room, high + room
    x = svg.linear(low, high, LEFT, WIDTH - RIGHT)
    base = TOP + ROW * len(rows)
    parts = [svg.text(0, TOP - 9, f"Operation {number_}, {kind}", class_="panel-name")]
    for value in svg.ticks(low, high, about=9):
        px = float(x(np.asarray(value)))
        parts += [
            svg.line(px, TOP, px, base, class_="grid"),
            svg.text(px, base + 12, f"{value:g}", class_="tick", text_anchor="middle"),
        ]
    for k, row in enumerate(rows):
        top = TOP + k * ROW
        parts.append(svg.text(LEFT - 8, top + 10, row.label, class_="row", text_anchor="end"))
        a, b = (float(x(np.asarray(min(max(v, low), high)))) for v in row.on)
        parts.append(svg.rect(a, top + 3, b - a, ROW - 6, class_=row.style))
        if all(map(math.isfinite, row.doubt)):
            c, d = (float(x(np.asarray(v))) for v in row.doubt)
            parts.append(svg.rect(c, top + 3, max(d - c, 1.2), ROW - 6, class_="zone-arcing"))
        if math.isfinite(row.mark):
            at = float(x(np.asarray(row.mark)))
            parts.append(svg.line(at, top + 1, at, top + ROW - 1, class_="mark main"))
    parts.append(
        svg.text(
            (LEFT + WIDTH - RIGHT) / 2, base + 25, "time from the release, ms", class_="tick", text_anchor="middle"
        )
    )
    return svg.picture(
        WIDTH,
        base + BOTTOM,
        *parts,
        title=f"Events of operation {number_} ({kind})",
        description="For each mechanism the coil's current, the motion, the closed contacts and auxiliary contacts over"
        " time in ms. The numbers stand in the tables of the same operation.",
    )


def tables(result: Result) -> list[Table]:
    """Times of breaker and poles, one table per operation."""
    t = result.timing
    if t is None or not len(t):
        return []
    out: list[Table] = []
    every = rows_of(t)
    for o in result.operations:
        mine = [r for r in every if r["operation"] == o.number]
        rows = [r for r in mine if r["scope"] != "interrupter"]
        units = [r for r in mine if r["scope"] == "interrupter"]
        timed = "opening_time_ms" if o.kind == "open" else "closing_time_ms"
        heads: list[tuple[str, str]] = [
            ("of", ""),
            (f"{'opening' if o.kind == 'open' else 'closing'} time", "ms"),
            ("spread", "ms"),
            ("limit of spread", "ms"),
            ("first", ""),
            ("last", ""),
        ]
        gap = "close_open_time_ms" if o.kind == "open" else "open_close_time_ms"
        has_gap = any(math.isfinite(number(r.get(gap))) for r in rows)
        if has_gap:
            heads.append(("close-open time" if o.kind == "open" else "open-close time", "ms"))
        body = tuple(
            (
                "breaker" if r["scope"] == "breaker" else f"pole {name(r['name'])}",
                told(r, timed),
                told(r, "spread_ms"),
                measured(r["spread_limit_ms"]),
                name(r["first"]) or "–",
                name(r["last"]) or "–",
                *((told(r, gap),) if has_gap else ()),
            )
            for r in rows
        )
        if any(cell != "–" for row in body for cell in row[1:]):
            out.append(Table(f"Operation {o.number} ({o.kind}): breaker and poles", tuple(heads), body))
        out += _unit_table(units, o.number, o.kind)
    return out


def _unit_table(units: list[dict[str, Any]], operation: int, kind: str) -> list[Table]:
    """Bounce, resistor and parts of the time of each interrupter, as far as something is known."""
    columns = (
        ("bounce_ms", "bounce", "ms"),
        ("resistor_insertion_ms", "resistor inserted", "ms"),
        ("resistor_duration_ms", "resistor alone", "ms"),
        ("resistor_ohm", "resistor", "Ω"),
        ("latch_ms", "latch", "ms"),
        ("run_ms", "run", "ms"),
        ("offset_ms", "contact's offset", "ms"),
    )
    kept = [c for c in columns if any(math.isfinite(number(r.get(c[0]))) for r in units)]
    if not kept:
        return []
    heads = (("interrupter", ""), *((title, unit) for _, title, unit in kept))
    body = tuple((name(r["name"]), *(told(r, c) for c, _, _ in kept)) for r in units)
    return [Table(f"Operation {operation} ({kind}): interrupters", heads, body)]
