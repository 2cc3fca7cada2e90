"""What changed most since the earlier test: one picture for each unit on its own axis, and a table."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup

from drm.frames import rows_of
from drm.report import svg
from drm.report.tables import Table
from drm.rules.reference import WATCH_P
from drm.wording import figure, measured, name, number, title_of, unit_of

if TYPE_CHECKING:
    from drm.pipeline import Result

__all__ = ["view"]

WIDTH, LEFT, RIGHT, TOP, ROW, BOTTOM = 350.0, 172.0, 12.0, 24.0, 17.0, 32.0
#: Figures of one unit in a picture, rows in the table.
SHOWN, LISTED = 6, 16
Row = dict[str, Any]


def view(result: Result) -> dict[str, Any] | None:
    """Pictures, table and words; None where there was no earlier test or nothing could be compared with it."""
    if result.changes is None or result.reference is None:
        return None
    every: list[Row] = rows_of(result.changes)
    rows = _once([r for r in every if not r["why"]])
    if not rows:
        return None
    units = list(dict.fromkeys(unit_of(r["column"]) for r in rows))
    return {
        "name": name(result.reference.name),
        "compared": len([r for r in every if not r["why"]]),
        "passed_over": len([r for r in every if r["why"]]),
        "changed": len([r for r in every if number(r["p"]) < WATCH_P]),
        "pictures": [_picture([r for r in rows if unit_of(r["column"]) == u][:SHOWN], u) for u in units],
        "table": _table(rows[:LISTED]),
    }


def _once(rows: list[Row]) -> list[Row]:
    """One of the rows that tell one pair twice, as a pole's and as its mechanism's; two names of one figure stay."""
    seen: dict[tuple[str, ...], tuple[str, str]] = {}
    out = []
    for r in rows:
        key = (r["kind"], r["after"], unit_of(r["column"]), f"{r['now']:.3g}", f"{r['change']:.2g}")
        what = (str(r["of"]), str(r["column"]))
        if seen.setdefault(key, what) == what:
            out.append(r)
    return out


def _place(r: Row) -> str:
    kind = str(r["kind"])
    on = f", {kind}" if kind in ("open", "close") else ""
    after = f" after {r['after']}" if r["after"] else ""
    return f"{name(r['name'])}{on}{after}"


def _table(rows: list[Row]) -> Table:
    heads = (
        ("figure", ""), ("of", ""), ("unit", ""), ("now", ""), ("then", ""), ("change ± U", ""),
        ("standard deviations", ""), ("p", ""),
    )  # fmt: skip
    made = tuple(
        (
            title_of(r["column"]),
            _place(r),
            unit_of(r["column"]),
            measured(r["now"], r["now_u"]),
            measured(r["then"], r["then_u"]),
            _signed(measured(r["change"], r["change_u"])),
            f"{number(r['distance']):+.1f}",
            figure(r["p"], digits=2),
        )
        for r in rows
    )
    return Table("What changed most since the earlier test", heads, made)


def _signed(words: str) -> str:
    return words if words.startswith(("-", "–", "0 ")) else f"+{words}"


def _picture(rows: list[Row], unit: str) -> Markup:
    """Changes with what their measurement and healthy scatter allow (k = 2), in the unit, zero in sight."""
    ends = [r["change"] + s * 2.0 * r["change_u"] for r in rows for s in (-1.0, 1.0)]
    low, high = min(0.0, *ends), max(0.0, *ends)
    room = 0.05 * (high - low) or 1.0
    low, high = low - room, high + room
    x = svg.linear(low, high, LEFT, WIDTH - RIGHT)
    base = TOP + ROW * len(rows)
    parts = [svg.rect(LEFT, TOP, WIDTH - LEFT - RIGHT, base - TOP, class_="frame")]
    for value in svg.ticks(low, high, about=5):
        at = float(x(np.asarray(value)))
        parts += [
            svg.line(at, TOP, at, base, class_="grid"),
            svg.text(at, base + 12, f"{value:g}", class_="tick", text_anchor="middle"),
        ]
    zero = float(x(np.asarray(0.0)))
    parts.append(svg.line(zero, TOP - 3, zero, base, class_="median"))
    for k, r in enumerate(rows):
        parts += _whisker(r, TOP + (k + 0.5) * ROW, x)
    words = f"now less then, {unit}" if unit else "now less then"
    parts += [
        svg.text(LEFT - 6, TOP - 8, f"Change in {unit}" if unit else "Change", class_="panel-name", text_anchor="end"),
        svg.text((LEFT + WIDTH - RIGHT) / 2, base + 26, words, class_="tick", text_anchor="middle"),
    ]
    return svg.picture(
        WIDTH,
        base + BOTTOM,
        *parts,
        title=f"Most changed since the earlier test, {unit or 'no unit'}",
        description="Each line is a change with its interval (k = 2) of measurement and healthy scatter; beyond what "
        "chance allows it is drawn thick. The numbers stand in the table below and in changes.csv.",
    )


def _whisker(r: Row, y: float, x: svg.Scale) -> list[Markup]:
    beyond = number(r["p"]) < WATCH_P
    at, a, b = (float(x(np.asarray(r["change"] + s * 2.0 * r["change_u"]))) for s in (0.0, -1.0, 1.0))
    words = f"{'◆ ' if beyond else ''}{_place(r)}: {title_of(r['column'])}"
    if not math.isfinite(at):
        return []
    kind = "own loud" if beyond else "own"
    return [
        svg.text(LEFT - 6, y + 3.5, words if len(words) <= 34 else f"{words[:33]}…", class_="row", text_anchor="end"),
        svg.line(a, y, b, y, class_=kind),
        svg.line(a, y - 3, a, y + 3, class_=kind),
        svg.line(b, y - 3, b, y + 3, class_=kind),
        svg.el("circle", cx=at, cy=float(y), r=3.0 if beyond else 2.2, class_=f"{kind} dot"),
    ]
