"""Zones as bars: main contact up to its parting, arcing contact from there on, with expanded uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from drm.report import svg
from drm.wording import MARKS, measured, name

WIDTH, LEFT, RIGHT, ROW, TOP, BOTTOM = 720.0, 92.0, 128.0, 16.0, 22.0, 34.0


@dataclass(frozen=True)
class Bar:
    """One interrupter: instants of its contacts and their standard uncertainty, in the picture's unit."""

    interrupter: str
    level: str
    main: float
    main_u: float
    arcing: float
    arcing_u: float
    wipe: float
    wipe_u: float


def zones(bars: tuple[Bar, ...], *, window: tuple[float, float], operation: int, kind: str, unit: str) -> Markup:
    """The bars of one operation, one row per interrupter.

    Over travel the closed position is at the left for both kinds: opening runs to the right, closing to the left.
    Over time the bars run as the time does.
    """
    low, high = window
    x = svg.linear(low, high, LEFT, WIDTH - RIGHT)
    height = TOP + ROW * len(bars) + BOTTOM
    parts = [_axis(low, high, x, height, unit, kind), _medians(bars, x, height)]
    parts += [_bar(bar, TOP + i * ROW, x, low, high, unit, kind) for i, bar in enumerate(bars)]
    parts.append(svg.text(WIDTH - 4, TOP - 8, f"arcing wipe ± U, {unit}", class_="tick", text_anchor="end"))
    along = "travel in mm from the closed position" if unit == "mm" else "time in ms"
    return svg.picture(
        WIDTH,
        height,
        *parts,
        title=f"Zones of operation {operation} ({kind})",
        description=f"For each interrupter the main-contact and the arcing-contact zone over {along}, with expanded"
        " uncertainty (k = 2). The numbers stand in the table of the same operation.",
    )


def window_of(bars: tuple[Bar, ...], unit: str) -> tuple[float, float]:
    """Range of the common axis: all instants and, over travel, the closed position."""
    ends = np.array([v for b in bars for v in (b.main, b.arcing)], dtype=float)
    ends = ends[np.isfinite(ends)]
    if not ends.size:
        return 0.0, 1.0
    low, high = float(ends.min()), float(ends.max())
    if unit == "mm":
        return min(0.0, low), max(high * 1.06, 1.0)
    room = max(0.25 * (high - low), 1.0)
    return low - room, high + room


def _axis(low: float, high: float, x: svg.Scale, height: float, unit: str, kind: str) -> Markup:
    base = height - BOTTOM
    parts = []
    for value in svg.ticks(low, high, about=8):
        px = float(x(np.asarray(value)))
        parts += [
            svg.line(px, TOP, px, base, class_="grid"),
            svg.text(px, base + 12, f"{value:g}", class_="tick", text_anchor="middle"),
        ]
    words = "time, ms"
    if unit == "mm":
        words = "travel from closed, mm " + ("(the contact moves to the right)" if kind == "open" else "(to the left)")
    parts.append(svg.text((LEFT + WIDTH - RIGHT) / 2, base + 26, words, class_="tick", text_anchor="middle"))
    return svg.el("g", *parts)


def _medians(bars: tuple[Bar, ...], x: svg.Scale, height: float) -> Markup:
    if len(bars) < 3:
        return Markup("")
    parts = []
    for values in ([b.main for b in bars], [b.arcing for b in bars]):
        good = np.array(values, dtype=float)
        good = good[np.isfinite(good)]
        if good.size:
            px = float(x(np.asarray(np.median(good))))
            parts.append(svg.line(px, TOP - 3, px, height - BOTTOM, class_="median"))
    return svg.el("g", *parts)


def _bar(bar: Bar, top: float, x: svg.Scale, low: float, high: float, unit: str, kind: str) -> Markup:
    middle, thick = top + ROW / 2, ROW - 7
    mark = f"{MARKS[bar.level]} " if bar.level else ""
    parts = [svg.text(LEFT - 8, middle + 3.5, f"{mark}{name(bar.interrupter)[:14]}", class_="row", text_anchor="end")]
    # Over time a closing begins with the arcing contact: its main zone then reaches to the right end.
    closed = high if unit == "ms" and kind == "close" else low
    if np.isfinite(bar.main):
        start, stop = (float(x(np.asarray(v))) for v in (closed, bar.main))
        parts.append(svg.rect(start, top + 3.5, stop - start, thick, class_="zone-main"))
        if np.isfinite(bar.arcing):
            end = float(x(np.asarray(bar.arcing)))
            parts.append(svg.rect(stop, top + 3.5, end - stop, thick, class_="zone-arcing"))
    elif np.isfinite(bar.arcing):
        start, stop = (float(x(np.asarray(v))) for v in (closed, bar.arcing))
        parts.append(svg.rect(start, top + 3.5, stop - start, thick, class_="zone-unknown"))
    else:
        parts.append(svg.text(LEFT + 6, middle + 3.5, "not measured", class_="faint"))
    parts += [_whisker(bar.main, bar.main_u, middle, x), _whisker(bar.arcing, bar.arcing_u, middle, x)]
    parts.append(svg.text(WIDTH - 4, middle + 3.5, measured(bar.wipe, bar.wipe_u), class_="row", text_anchor="end"))
    return svg.el("g", *parts)


def _whisker(at: float, u: float, middle: float, x: svg.Scale) -> Markup:
    if not (np.isfinite(at) and np.isfinite(u) and u > 0):
        return Markup("")
    a, b = (float(x(np.asarray(v))) for v in (at - 2 * u, at + 2 * u))
    return svg.el(
        "g",
        svg.line(a, middle, b, middle),
        svg.line(a, middle - 3.5, a, middle + 3.5),
        svg.line(b, middle - 3.5, b, middle + 3.5),
        class_="whisker",
    )
