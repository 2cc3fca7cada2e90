"""Travel over time: one picture per kind of operation, one labelled line per mechanism and operation."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from drm.report import svg
from drm.report.decimate import keep
from drm.wording import name

if TYPE_CHECKING:
    from drm.pipeline import Reading

FloatArray = NDArray[np.float64]
WIDTH, LEFT, RIGHT, TOP, HEIGHT, BOTTOM = 350.0, 40.0, 62.0, 22.0, 150.0, 32.0
STROKES = ("m1", "m2", "m3", "m4")
Line = tuple[str, FloatArray, FloatArray]


def pictures(readings: tuple[Reading, ...]) -> list[Markup]:
    """A picture per operation in which some mechanism has travel."""
    out: list[Markup] = []
    for number in sorted({r.operation.number for r in readings}):
        mine = [r for r in readings if r.operation.number == number]
        lines: dict[str, Line] = {}
        for r in mine:
            who = r.interrupter.mechanism
            if who not in lines and r.travel_mm is not None and np.isfinite(r.travel_mm).any():
                lines[who] = (who, r.time_ms, r.travel_mm)
        if lines:
            out.append(_picture(list(lines.values()), number, mine[0].operation.kind))
    return out


def _moving(line: Line) -> tuple[float, float]:
    """Stretch of time in which the travel goes from 1 % to 99 % of its range."""
    _, t, s = line
    low, high = np.nanmin(s), np.nanmax(s)
    inside = np.flatnonzero((s > low + 0.01 * (high - low)) & (s < high - 0.01 * (high - low)))
    return (float(t[inside[0]]), float(t[inside[-1]])) if inside.size else (float(t[0]), float(t[-1]))


def _picture(lines: list[Line], number: int, kind: str) -> Markup:
    spans = [_moving(x) for x in lines]
    t0, t1 = min(a for a, _ in spans), max(b for _, b in spans)
    room = max(0.1 * (t1 - t0), 1.0)
    t0, t1 = t0 - room, t1 + room
    s0, s1 = min(float(np.nanmin(s)) for _, _, s in lines), max(float(np.nanmax(s)) for _, _, s in lines)
    x = svg.linear(t0, t1, LEFT, WIDTH - RIGHT)
    y = svg.linear(s0, s1, TOP + HEIGHT, TOP)
    parts = [
        _frame((t0, t1), (s0, s1), x, y),
        svg.text(LEFT, TOP - 8, f"Operation {number}, {kind}", class_="panel-name"),
    ]
    for i, (who, t, s) in enumerate(lines):
        inside = (t >= t0) & (t <= t1)
        px, py = x(t[inside]), y(s[inside])
        chosen = keep(px, py)
        parts.append(svg.path(px[chosen], py[chosen], class_=f"motion {STROKES[i % 4]}"))
        # Labels stand in a column beside the end of the lines, each with a sample of its stroke.
        at = TOP + 10 + i * 14
        parts.append(svg.line(WIDTH - RIGHT + 6, at - 3, WIDTH - RIGHT + 22, at - 3, class_=f"motion {STROKES[i % 4]}"))
        parts.append(svg.text(WIDTH - RIGHT + 26, at, name(who)[:6], class_="row"))
    return svg.picture(
        WIDTH,
        TOP + HEIGHT + BOTTOM,
        *parts,
        title=f"Travel in operation {number} ({kind})",
        description="Travel in mm from the closed position over time in ms, one line per mechanism.",
    )


def _frame(time: tuple[float, float], travel: tuple[float, float], x: svg.Scale, y: svg.Scale) -> Markup:
    base = TOP + HEIGHT
    parts = [svg.rect(LEFT, TOP, WIDTH - LEFT - RIGHT, HEIGHT, class_="frame")]
    for value in svg.ticks(*time, about=5):
        px = float(x(np.asarray(value)))
        parts += [
            svg.line(px, base, px, base + 3, class_="axis"),
            svg.text(px, base + 13, f"{value:g}", class_="tick", text_anchor="middle"),
        ]
    for value in svg.ticks(*travel, about=5):
        py = float(y(np.asarray(value)))
        parts += [
            svg.line(LEFT, py, WIDTH - RIGHT, py, class_="grid"),
            svg.text(LEFT - 5, py + 3, f"{value:g}", class_="tick", text_anchor="end"),
        ]
    middle = TOP + HEIGHT / 2
    turned = f"rotate(-90 9 {middle:.0f})"
    parts += [
        svg.text((LEFT + WIDTH - RIGHT) / 2, base + 26, "time, ms", class_="tick", text_anchor="middle"),
        svg.text(9, middle, "travel, mm", class_="tick", text_anchor="middle", transform=turned),
    ]
    return svg.el("g", *parts)
