"""Vector pictures by hand: escaped elements, paths and axes. No dependency but the escaping itself."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from drm.wording import clean

FloatArray = NDArray[np.float64]
Scale = Callable[[FloatArray], FloatArray]


def el(tag: str, *children: object, **attributes: object) -> Markup:
    """One element; children and attribute values are escaped, ``_`` in an attribute's name stands for ``-``."""
    # Strings are escaped one by one and joined plainly: formatting through Markup costs five times as much.
    pairs = "".join(f' {k.rstrip("_").replace("_", "-")}="{escape(_plain(v))}"' for k, v in attributes.items())
    inner = "".join(c if isinstance(c, Markup) else escape(clean(c)) for c in children)
    return Markup(f"<{tag}{pairs}>{inner}</{tag}>")


def _plain(value: object) -> str:
    if isinstance(value, (float, np.floating)):
        return f"{value:.1f}".removesuffix(".0")
    # A path is as long as it must be; it is made of figures only and marked as such by its maker.
    return value if isinstance(value, Markup) else clean(value)


def picture(width: float, height: float, *children: Markup, title: str, description: str) -> Markup:
    """The outer element: drawn as wide as the column allows, read out by its title and description."""
    head = el("title", title) + el("desc", description)
    label = clean(f"{title}. {description}")
    return el(
        "svg", head, *children, viewBox=f"0 0 {width:.0f} {height:.0f}", role="img", aria_label=label, width="100%"
    )


def text(x: float, y: float, words: object, **attributes: object) -> Markup:
    """Words at a place."""
    return el("text", words, x=float(x), y=float(y), **attributes)


def line(x1: float, y1: float, x2: float, y2: float, **attributes: object) -> Markup:
    """A straight line."""
    return el("line", x1=float(x1), y1=float(y1), x2=float(x2), y2=float(y2), **attributes)


def rect(x: float, y: float, width: float, height: float, **attributes: object) -> Markup:
    """A rectangle; a negative width is drawn to the left."""
    left = min(x, x + width)
    return el("rect", x=float(left), y=float(y), width=float(abs(width)), height=float(height), **attributes)


def path(x: FloatArray, y: FloatArray, **attributes: object) -> Markup:
    """A line through the points, lifted wherever one of them is not finite; empty where none is left."""
    d = path_data(x, y)
    return el("path", d=Markup(d), fill="none", **attributes) if d else Markup("")


def path_data(x: FloatArray, y: FloatArray) -> str:
    """The ``d`` of a line through the points, shape (n,) each, lifted at gaps."""
    parts: list[str] = []
    for run in runs(np.isfinite(x) & np.isfinite(y)):
        points = _points(x[run], y[run])
        # A lone point is drawn as a short dash, else it would not be seen at all.
        parts.append("M" + "L".join(points) if len(points) > 1 else f"M{points[0]}h.5")
    return "".join(parts)


def _points(x: FloatArray, y: FloatArray) -> list[str]:
    # As Python's own numbers, which are written in a third of the time.
    return [f"{a:.1f} {b:.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True)]


def area(x: FloatArray, low: FloatArray, high: FloatArray, **attributes: object) -> Markup:
    """The region between two lines, one piece for each stretch where both are finite."""
    pieces: list[str] = []
    for run in runs(np.isfinite(x) & np.isfinite(low) & np.isfinite(high)):
        there, back = _points(x[run], high[run]), _points(x[run], low[run])
        pieces.append("M" + "L".join(there + back[::-1]) + "Z")
    return el("path", d=Markup("".join(pieces)), **attributes) if pieces else Markup("")


def runs(good: NDArray[np.bool_]) -> Iterable[slice]:
    """Slices of the unbroken stretches of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], good.astype(np.int8), [0]))))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def linear(low: float, high: float, start: float, stop: float) -> Scale:
    """Map [low, high] to [start, stop] px; what lies beyond is drawn at the edge."""
    span = (high - low) or 1.0

    def scale(v: FloatArray) -> FloatArray:
        return np.asarray(start + (np.clip(v, low, high) - low) / span * (stop - start), dtype=np.float64)

    return scale


def logarithmic(low: float, high: float, start: float, stop: float) -> Scale:
    """As :func:`linear` in the logarithm; values of zero or less have no place and become NaN."""
    inner = linear(float(np.log10(low)), float(np.log10(high)), start, stop)

    def scale(v: FloatArray) -> FloatArray:
        values = np.asarray(v, dtype=np.float64)
        positive = np.where(values > 0, values, np.nan)
        return inner(np.log10(positive))

    return scale


def ticks(low: float, high: float, *, about: int = 5) -> list[float]:
    """Round figures between `low` and `high`, about `about` of them."""
    span = high - low
    if not np.isfinite(span) or span <= 0:
        return [low] if np.isfinite(low) else []
    raw = span / about
    base = 10.0 ** np.floor(np.log10(raw))
    step = float(next(m * base for m in (1, 2, 5, 10) if m * base >= raw * 0.999))
    first = np.ceil(low / step - 1e-9) * step
    return [float(round(v, 9)) + 0.0 for v in np.arange(first, high + step * 1e-6, step)]
