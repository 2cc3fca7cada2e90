"""The trend's page: a picture for each figure that moves or has a limit, and the table of all."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup

from drm.grounds import CAUTIONS
from drm.report import svg
from drm.trend_slope import YEAR_S
from drm.wording import figure, measured, name, title_of, unit_of

if TYPE_CHECKING:
    from drm.trend import Series, Trend
    from drm.trend_slope import Line

__all__ = ["picture", "render"]

WIDTH, LEFT, RIGHT, TOP, HEIGHT, BOTTOM = 350.0, 52.0, 12.0, 24.0, 120.0, 34.0
#: Most pictures on one page, the steepest first.
MOST = 60
#: Figures shown whether they move or not.
ALWAYS = ("arcing_wipe_mm", "main_resistance_uohm", "static_resistance_uohm", "opening_time_ms", "closing_time_ms")


def render(made: Trend) -> str:
    """The page of a trend, a complete HTML document to be written as UTF-8."""
    from drm.report import _environment

    return _environment().get_template("trend.html.j2").render(_view(made)) + "\n"


def _view(made: Trend) -> dict[str, Any]:
    shown = sorted((s for s in made.series if _worth(s)), key=_rank)
    return {
        "breaker": name(made.breaker),
        "tests": [(t.date, name(t.folder)) for t in made.tests],
        "crossings": [_crossing_words(s) for s in shown if s.crossing is not None],
        "pictures": [picture(s) for s in shown[:MOST]],
        "more": max(0, len(shown) - MOST),
        "rows": [_row(s) for s in made.series if s.line is not None],
        "short": len(made.tests) < 3,
        "cautions": CAUTIONS,
    }


def _worth(s: Series) -> bool:
    limited = s.limit.min is not None or s.limit.max is not None
    return bool(s.line and s.line.moves) or limited or (s.column in ALWAYS and s.of != "pole")


def _rank(s: Series) -> tuple[int, int, str, str, str]:
    moves = bool(s.line and s.line.moves)
    return (0 if s.crossing else 1, 0 if moves else 1, s.column, s.kind, s.name)


def _title(s: Series) -> str:
    return f"{s.name}{f', {s.kind}' if s.kind else ''}: {title_of(s.column)}"


def _slope_words(line: Line, unit: str) -> str:
    per = f"{unit} a year".strip()
    return f"{line.slope:+.3g} {per} ({line.low:+.3g} to {line.high:+.3g})"


def _day(s: Series, years: float) -> str:
    return datetime.fromtimestamp(float(s.time_s[0]) + years * YEAR_S, UTC).date().isoformat()


def _crossing_words(s: Series) -> str:
    c = s.crossing
    if c is None:
        return ""
    unit = unit_of(s.column)
    late = f"and {_day(s, c.latest)}" if np.isfinite(c.latest) else f"and some day after {_day(s, c.horizon)}"
    between = f"between {_day(s, c.earliest)} {late}"
    return f"{_title(s)}: if it goes on so, the limit {figure(c.limit)} {unit} is crossed {between}."


def _row(s: Series) -> tuple[str, ...]:
    line = s.line
    if line is None:
        return ()
    unit = unit_of(s.column)
    return (
        f"{name(s.name)}",
        s.kind,
        title_of(s.column),
        unit,
        str(s.value.size),
        measured(s.value[0], s.u[0]),
        measured(s.value[-1], s.u[-1]),
        f"{line.slope:+.3g}",
        f"{line.low:+.3g} to {line.high:+.3g}",
        "moves" if line.moves else "–",
    )


def picture(s: Series) -> Markup:
    """Values with expanded uncertainty over the years, the line with its band, and the limits where there are any."""
    years = s.years
    end = s.crossing.horizon if s.crossing else float(years[-1])
    t0, t1 = float(years[0]), max(end, float(years[-1]))
    room = 0.05 * (t1 - t0)
    limits = [v for v in (s.limit.min, s.limit.max) if v is not None]
    wide = np.where(np.isfinite(s.u), 2.0 * s.u, 0.0)
    edges = [float(np.min(s.value - wide)), float(np.max(s.value + wide)), *limits]
    low, high = min(edges), max(edges)
    spare = 0.08 * (high - low) or 0.05 * abs(high) or 1.0
    x = svg.linear(t0 - room, t1 + room, LEFT, WIDTH - RIGHT)
    y = svg.linear(low - spare, high + spare, TOP + HEIGHT, TOP)
    parts = [_frame(s, (t0 - room, t1 + room), (low - spare, high + spare), x, y)]
    if s.line is not None:
        grid = np.linspace(t0, t1, 60)
        band = np.array([s.line.at(float(g)) for g in grid])
        px = x(grid)
        parts.append(svg.area(px, y(band[:, 1]), y(band[:, 2]), class_="band"))
        # Where the line leaves the picture it ends; only what is drawn as an area may lie on the edge.
        seen = np.where((band[:, 0] >= low - spare) & (band[:, 0] <= high + spare), band[:, 0], np.nan)
        parts.append(svg.path(px, y(seen), class_="median"))
    for limit in limits:
        at = float(y(np.asarray(limit)))
        parts.append(svg.line(LEFT, at, WIDTH - RIGHT, at, class_="limit"))
        parts.append(svg.text(WIDTH - RIGHT - 3, at - 3, "limit", class_="tick", text_anchor="end"))
    for t, v, u in zip(years, s.value, wide, strict=True):
        px_, top, base = (
            float(x(np.asarray(t))),
            float(y(np.asarray(v + u))),
            float(y(np.asarray(v - u))),
        )
        middle = float(y(np.asarray(v)))
        parts.append(svg.el("g", svg.line(px_, top, px_, base), class_="whisker"))
        parts.append(svg.el("circle", cx=px_, cy=middle, r=2.6, class_="point"))
    words = _slope_words(s.line, unit_of(s.column)) if s.line else "two tests: no slope"
    parts.append(svg.text(LEFT, TOP - 9, _title(s)[:58], class_="panel-name"))
    return svg.picture(
        WIDTH,
        TOP + HEIGHT + BOTTOM,
        *parts,
        svg.text(LEFT, TOP + HEIGHT + 27, words, class_="tick"),
        title=f"Trend of {_title(s)}",
        description="Value with expanded uncertainty (k = 2) over the years of the tests, with a robust line and its"
        " band. The numbers stand in the table below.",
    )


def _frame(s: Series, time: tuple[float, float], values: tuple[float, float], x: svg.Scale, y: svg.Scale) -> Markup:
    base = TOP + HEIGHT
    parts = [svg.rect(LEFT, TOP, WIDTH - LEFT - RIGHT, HEIGHT, class_="frame")]
    first = datetime.fromtimestamp(float(s.time_s[0]), UTC)
    start = first.year + (first.timetuple().tm_yday - 1) / 365.25
    for value in svg.ticks(start + time[0], start + time[1], about=5):
        px = float(x(np.asarray(value - start)))
        words = f"{value:.0f}" if abs(value - round(value)) < 1e-6 else f"{value:.1f}"
        parts += [
            svg.line(px, base, px, base + 3, class_="axis"),
            svg.text(px, base + 13, words, class_="tick", text_anchor="middle"),
        ]
    for value in svg.ticks(*values, about=4):
        py = float(y(np.asarray(value)))
        parts += [
            svg.line(LEFT, py, WIDTH - RIGHT, py, class_="grid"),
            svg.text(LEFT - 5, py + 3, f"{value:g}", class_="tick", text_anchor="end"),
        ]
    middle = TOP + HEIGHT / 2
    unit = unit_of(s.column)
    turned = f"rotate(-90 9 {middle:.0f})"
    parts.append(svg.text(9, middle, unit, class_="tick", text_anchor="middle", transform=turned))
    return svg.el("g", *parts)
