"""The page of a study: ranking, distributions, patterns, drift, healthy scatter, and what could not be used."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from drm.grounds import CAUTIONS
from drm.report import svg
from drm.wording import MARKS, figure, name, title_of, unit_of

if TYPE_CHECKING:
    from drm.study.drift import Drift
    from drm.study.lessons import Lessons

__all__ = ["histogram", "render"]

FloatArray = NDArray[np.float64]

WIDTH, LEFT, RIGHT, TOP, HEIGHT, BOTTOM = 350.0, 52.0, 12.0, 24.0, 110.0, 34.0
FIGURES = ("arcing_wipe_mm", "main_resistance_uohm", "arcing_resistance_uohm")
#: Rows and pictures at the most; the tables hold the rest.
RANKED, TYPES, PATTERNS, DOTS = 40, 12, 12, 400
BINS = 24


def render(made: Lessons) -> str:
    """The page of a study, a complete HTML document to be written as UTF-8."""
    from drm.report import _environment

    return _environment().get_template("study.html.j2").render(_view(made)) + "\n"


def _view(made: Lessons) -> dict[str, Any]:
    types = sorted(set(made.sample["breaker_type"])) if len(made.sample) else []
    top = made.ranking.head(RANKED)
    return {
        "facts": [
            ("Records", made.records),
            ("Not usable", made.failures),
            ("Breakers", made.breakers),
            ("Types", len(types)),
        ],
        "ranking": [_ranked(r) for r in top.to_dict("records")],
        "more": max(0, len(made.ranking) - len(top)),
        "concerns": _concerns(made) if len(top) else "",
        "pictures": [p for t in types[:TYPES] for f in FIGURES if (p := _distribution(made, t, f))],
        "patterns": _patterns(made),
        "drifts": [_drift(d) for d in made.drifts[: 2 * TYPES]],
        "scatter": _scatter(made),
        "failures": made.failed.to_dict("records") if made.failures else [],
        "unnamed": max(0, made.failures - len(made.failed)),
        "cautions": CAUTIONS,
    }


def _type(of: object) -> str:
    return name(of) or "no type given"


def _ranked(row: dict[Any, Any]) -> tuple[str, ...]:
    level = str(row["level"])
    why = f"{title_of(str(row['because']))} of {name(row['interrupter'])}, {row['kind']}, against the "
    why += "siblings" if row["held_against"] == "siblings" else "type"
    return (
        f"{row['rank']} ({row['rank_low']} to {row['rank_high']})",
        name(row["breaker_id"]),
        _type(row["breaker_type"]),
        f"{MARKS.get(level, '–')} {level}".strip(),
        f"{row['concern']:.1f} ± {2.0 * row['concern_u']:.1f}",
        why,
    )


def _concerns(made: Lessons) -> Markup:
    return histogram(
        made.ranking["concern"].to_numpy(dtype=np.float64),
        "Concern of the fleet",
        "healthy standard deviations",
        "How many breakers have which concern; about zero is what a healthy one shows.",
    )


def _distribution(made: Lessons, of: str, feature: str) -> Markup:
    rows = made.sample[made.sample["breaker_type"] == of]
    kind = "open" if (rows["kind"] == "open").any() else "close"
    values = rows.loc[rows["kind"] == kind, feature].to_numpy(dtype=np.float64)
    title = f"{_type(of)}: {title_of(feature)}, {kind}"
    words = "How many interrupters have which value in the latest test. The columns stand in the table of features."
    return histogram(values, title, unit_of(feature), words)


def histogram(values: FloatArray, title: str, unit: str, description: str) -> Markup:
    """Counts over values, shape (n,), NaN passed over; empty where there are none."""
    known = values[np.isfinite(values)]
    if known.size == 0:
        return Markup("")
    low, high = float(known.min()), float(known.max())
    spare = 0.02 * (high - low) or 0.05 * abs(high) or 1.0
    counts, edges = np.histogram(known, BINS, (low - spare, high + spare))
    x = svg.linear(low - spare, high + spare, LEFT, WIDTH - RIGHT)
    y = svg.linear(0.0, float(counts.max()), TOP + HEIGHT, TOP)
    base = TOP + HEIGHT
    parts = [_axes((low - spare, high + spare), (0.0, float(counts.max())), x, y)]
    for n, left, right in zip(counts, edges[:-1], edges[1:], strict=True):
        if n:
            a, b, top = (float(s(np.asarray(v))) for s, v in ((x, left), (x, right), (y, float(n))))
            parts.append(svg.rect(a + 0.5, top, b - a - 1.0, base - top, class_="zone-main"))
    return _picture(parts, title, unit, description)


def _axes(xs: tuple[float, float], ys: tuple[float, float], x: svg.Scale, y: svg.Scale) -> Markup:
    base = TOP + HEIGHT
    parts = [svg.rect(LEFT, TOP, WIDTH - LEFT - RIGHT, HEIGHT, class_="frame")]
    for value in svg.ticks(*xs, about=5):
        px = float(x(np.asarray(value)))
        parts.append(svg.line(px, base, px, base + 3, class_="axis"))
        parts.append(svg.text(px, base + 13, f"{value:g}", class_="tick", text_anchor="middle"))
    for value in svg.ticks(*ys, about=4):
        py = float(y(np.asarray(value)))
        parts.append(svg.line(LEFT, py, WIDTH - RIGHT, py, class_="grid"))
        parts.append(svg.text(LEFT - 5, py + 3, f"{value:g}", class_="tick", text_anchor="end"))
    return svg.el("g", *parts)


def _picture(parts: list[Markup], title: str, along: str, description: str) -> Markup:
    return svg.picture(
        WIDTH,
        TOP + HEIGHT + BOTTOM,
        *parts,
        svg.text(LEFT, TOP - 9, title[:58], class_="panel-name"),
        svg.text(LEFT, TOP + HEIGHT + 27, along, class_="tick"),
        title=title,
        description=description,
    )


def _patterns(made: Lessons) -> list[tuple[str, ...]]:
    if not len(made.patterns):
        return []
    rows: list[tuple[str, ...]] = []
    for number, group in made.patterns.groupby("pattern", sort=True):
        first = ", ".join(f"{name(b)} {name(i)}" for b, i in group[["breaker_id", "interrupter"]].head(3).to_numpy())
        words = str(group["words"].iloc[0])
        middle = figure(group["severity"].median(), digits=2)
        count = (str(len(group)), str(group["breaker_id"].nunique()))
        rows.append((str(number), words, *count, middle, first))
    return rows[:PATTERNS]


def _drift(d: Drift) -> Markup:
    keep = np.linspace(0, d.x.size - 1, min(d.x.size, DOTS)).astype(int)
    xs, ys = (float(d.x.min()), float(d.x.max())), (float(d.y.min()), float(d.y.max()))
    spare = 0.05 * (ys[1] - ys[0]) or 1.0
    room = 0.03 * (xs[1] - xs[0])
    x = svg.linear(xs[0] - room, xs[1] + room, LEFT, WIDTH - RIGHT)
    y = svg.linear(ys[0] - spare, ys[1] + spare, TOP + HEIGHT, TOP)
    parts = [_axes((xs[0] - room, xs[1] + room), (ys[0] - spare, ys[1] + spare), x, y)]
    for px, py in zip(x(d.x[keep]), y(d.y[keep]), strict=True):
        parts.append(svg.el("circle", cx=float(px), cy=float(py), r=1.8, class_="point"))
    per, what = ("a year", "age in years") if d.along == "age_years" else ("1000", "thousands of operations")
    middle = float(np.median(d.y)), float(np.median(d.x))
    line = middle[0] + d.slope * (np.array(xs) - middle[1])
    if np.isfinite(line).all():
        inside = np.clip(line, ys[0] - spare, ys[1] + spare)
        parts.append(svg.path(x(np.array(xs)), y(inside), class_="median"))
    how = "within breakers" if d.within else "between breakers"
    words = f"{what}; {d.slope:+.3g} {unit_of(d.feature)} {'' if per == 'a year' else 'per '}{per}"
    words += f" ({d.low:+.3g} to {d.high:+.3g})"
    title = f"{_type(d.breaker_type)}: {title_of(d.feature)}, {how}"
    return _picture(parts, title, words, "Worst interrupter of each test, with a robust line.")


def _scatter(made: Lessons) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for of, population in list(made.populations.items())[:TYPES]:
        for feature, prior in population.priors.items():
            if feature in made.sample and not prior.instead_of and made.sample[feature].notna().any():
                sd = f"{100.0 * prior.sd:.2g} %" if prior.log else f"{prior.sd:.2g} {unit_of(feature)}"
                share = f"{100.0 * prior.pole_share:.0f} %", f"{100.0 * prior.position_share:.0f} %"
                head = (_type(of), title_of(feature), str(population.breakers))
                rows.append((*head, sd, f"{prior.dof:.0f}", *share))
    return rows
