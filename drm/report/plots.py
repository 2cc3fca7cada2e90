"""The siblings side by side: resistance over travel as small multiples, one row per pole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from drm.report import svg
from drm.report.curves import Block, Curve, Spread, grid_of, on_grid, spread
from drm.report.decimate import keep
from drm.wording import MARKS, name

WIDTH = 720.0
LEFT, RIGHT, TOP, BOTTOM, GAP = 46.0, 6.0, 20.0, 18.0, 10.0
HEIGHT = 88.0
MOST_COLUMNS = 6
LOUD = ("hold", "inspect", "watch")


@dataclass(frozen=True, eq=False)
class Panel:
    """One interrupter's place in the grid of pictures."""

    interrupter: str
    pole: str
    position: int
    level: str
    marks: tuple[float, float]


@dataclass(frozen=True)
class Axes:
    """What all panels share: window along x with its unit, and the range of resistance in µΩ."""

    window: tuple[float, float]
    unit: str
    uohm: tuple[float, float]


def range_of(all_blocks: tuple[Block, ...]) -> tuple[float, float]:
    """Range of resistance for every panel: 20 to 2000 µΩ, wider only where the bulk of the samples lies outside."""
    parts = [c.uohm[(c.x >= b.window[0]) & (c.x <= b.window[1]) & (c.uohm > 0)] for b in all_blocks for c in b.curves]
    parts = [np.percentile(p, [2, 90]) for p in parts if p.size]
    low, high = 20.0, 2000.0
    if parts:
        low = next((v for v in (20.0, 10.0, 5.0, 2.0, 1.0) if v < 0.9 * min(p[0] for p in parts)), 1.0)
        high = next((v for v in (2e3, 5e3, 1e4, 1e5) if v > max(p[1] for p in parts)), 1e6)
    return low, high


def pole_rows(block: Block, panels: tuple[Panel, ...], uohm: tuple[float, float]) -> list[tuple[str, Markup]]:
    """Pole -> its picture: a row of panels, wrapped where a pole has more than six interrupters."""
    axes = Axes(block.window, block.unit, uohm)
    grid = grid_of(block.window)
    rows = {c.interrupter: on_grid(c, block.window) for c in block.curves}
    curves = {c.interrupter: c for c in block.curves}
    columns = min(MOST_COLUMNS, max((sum(q.pole == p.pole for q in panels) for p in panels), default=1))
    out: list[tuple[str, Markup]] = []
    last = panels[-1].pole if panels else ""
    for pole in dict.fromkeys(p.pole for p in panels):
        mine = sorted((p for p in panels if p.pole == pole), key=lambda p: p.position)
        for at in range(0, len(mine), columns):
            part = mine[at : at + columns]
            others = {p.interrupter: spread(grid, [r for k, r in rows.items() if k != p.interrupter]) for p in part}
            foot = pole == last and at + columns >= len(mine)
            out.append((pole, _row(block, part, columns, axes, curves, others, foot=foot)))
    return out


def _row(
    block: Block, part: list[Panel], columns: int, axes: Axes, curves: dict[str, Curve], others: dict[str, Spread],
    *, foot: bool,
) -> Markup:  # fmt: skip
    # One wide panel would be a poor picture of a single interrupter: at least two columns are laid out.
    width = (WIDTH - LEFT - RIGHT - GAP * (max(columns, 2) - 1)) / max(columns, 2)
    drawn = [
        _panel(p, LEFT + i * (width + GAP), width, axes, curves.get(p.interrupter), others[p.interrupter], first=i == 0)
        for i, p in enumerate(part)
    ]
    names = ", ".join(name(p.interrupter) for p in part)
    along = "travel" if axes.unit == "mm" else "time"
    drawn.append(svg.text(0, TOP - 8, f"Pole {name(part[0].pole)}"[:9], class_="panel-name"))
    if foot:
        words = f"{'travel from the closed position' if axes.unit == 'mm' else 'time'}, {axes.unit}"
        drawn.append(svg.text(LEFT, TOP + HEIGHT + 27, words, class_="tick"))
    return svg.picture(
        WIDTH,
        TOP + HEIGHT + BOTTOM + (13 if foot else 0),
        *drawn,
        title=f"Operation {block.operation} ({block.kind}), pole {name(part[0].pole)}",
        description=f"Resistance in micro-ohms over {along} in {axes.unit} for {names}, each before the spread of its"
        " siblings. The numbers stand in the table of the same operation.",
    )


def _panel(
    panel: Panel, left: float, width: float, axes: Axes, curve: Curve | None, others: Spread, *, first: bool
) -> Markup:
    x = svg.linear(*axes.window, left, left + width)
    y = svg.logarithmic(*axes.uohm, TOP + HEIGHT, TOP)
    parts = [_frame(left, width, axes, first=first), _siblings(others, x, y)]
    for at, kind in zip(panel.marks, ("main", "arcing"), strict=True):
        if np.isfinite(at) and axes.window[0] <= at <= axes.window[1]:
            there = float(x(np.asarray(at)))
            parts.append(svg.line(there, TOP, there, TOP + HEIGHT, class_=f"mark {kind}"))
            if first:
                parts.append(svg.text(there - 3, TOP + HEIGHT - 5, kind, class_="tick halo", text_anchor="end"))
    loud = panel.level in LOUD
    if curve is not None:
        inside = (curve.x >= axes.window[0]) & (curve.x <= axes.window[1])
        px, py = x(curve.x[inside]), y(curve.uohm[inside])
        chosen = keep(px, py)
        parts.append(svg.path(px[chosen], py[chosen], class_="own loud" if loud else "own"))
    if curve is None or not np.isfinite(curve.uohm).any():
        parts.append(svg.text(left + width / 2, TOP + HEIGHT / 2, "not measured", class_="faint", text_anchor="middle"))
    parts.append(svg.text(left, TOP - 8, name(panel.interrupter)[:14], class_="panel-name"))
    if panel.level:
        words = f"{MARKS[panel.level]} {panel.level}"
        parts.append(svg.text(left + width, TOP - 8, words, class_=f"tag {panel.level}", text_anchor="end"))
    return svg.el("g", *parts)


def _frame(left: float, width: float, axes: Axes, *, first: bool) -> Markup:
    y = svg.logarithmic(*axes.uohm, TOP + HEIGHT, TOP)
    x = svg.linear(*axes.window, left, left + width)
    parts = [svg.rect(left, TOP, width, HEIGHT, class_="frame")]
    for value in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1e3, 2e3, 5e3, 1e4, 1e5, 1e6):
        if axes.uohm[0] <= value <= axes.uohm[1]:
            py = float(y(np.asarray(value, dtype=float)))
            parts.append(svg.line(left, py, left + width, py, class_="grid"))
            if first:
                parts.append(svg.text(left - 5, py + 3, f"{value:g}", class_="tick", text_anchor="end"))
    marks = svg.ticks(*axes.window, about=4)
    for value in marks:
        px = float(x(np.asarray(value)))
        parts.append(svg.line(px, TOP + HEIGHT, px, TOP + HEIGHT + 3, class_="axis"))
        parts.append(svg.text(px, TOP + HEIGHT + 13, f"{value:g}", class_="tick", text_anchor="middle"))
    if first:
        place = f"rotate(-90 9 {TOP + HEIGHT / 2:.0f})"
        middle = TOP + HEIGHT / 2
        parts.append(svg.text(9, middle, "resistance, µΩ", class_="tick", text_anchor="middle", transform=place))
    return svg.el("g", *parts)


def _siblings(others: Spread, x: svg.Scale, y: svg.Scale) -> Markup:
    px = x(others.x)
    return svg.area(px, y(others.low), y(others.high), class_="band") + svg.path(px, y(others.median), class_="median")
