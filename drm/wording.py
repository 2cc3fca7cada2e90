"""Words, units and figures for people: shared by the report and the terminal summary."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable
from typing import Any

LEVELS: tuple[str, ...] = ("hold", "inspect", "watch", "note")
"""From the most to the least serious."""

MARKS = {"hold": "■", "inspect": "▲", "watch": "◆", "note": "●", "": "–"}
"""A sign for each level, so that no level is told by colour alone."""

VERDICTS = {
    "hold": "Hold. Not to be returned to service before a qualified person has looked.",
    "inspect": "Inspect. At least one reading calls for a closer look by a qualified person.",
    "watch": "Watch. Nothing stands out far, but at least one reading is worth following.",
    "note": "No reading stands out against the grounds below; there are notes to read.",
    "": "No reading stands out against the grounds below.",
}

UNITS = (
    ("_uohm_mm", "µΩ·mm"), ("_uohm", "µΩ"), ("_m_s", "m/s"), ("_a_s", "A·s"), ("_mm", "mm"), ("_ms", "ms"),
    ("_a", "A"), ("_v", "V"), ("_hz", "Hz"), ("_pct", "%"), ("_percent", "%"), ("_j", "J"), ("_ohm", "Ω"), ("_s", "s"),
    ("_c", "°C"),
)  # fmt: skip
"""Suffix of a column -> unit; the longer suffix comes first."""

_HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


def clean(text: object, *, limit: int = 4000) -> str:
    """`text` on one line, control and direction characters shown as ``<U+202E>``, at most `limit` characters.

    Names come from the record and the breaker file: they must not be able to move a terminal's cursor
    nor to turn the reading direction of the words around them.
    """
    raw = str(text)
    raw = raw if len(raw) <= limit else raw[: limit - 1] + "…"
    raw = raw.replace("\r\n", " ").replace("\n", " ").replace("\t", " ")
    if raw.isprintable():
        # Nothing that is hidden is printable, and nearly every word is.
        return raw
    return "".join(f"<U+{ord(c):04X}>" if unicodedata.category(c) in _HIDDEN else c for c in raw)


def name(text: object) -> str:
    """A name short enough for a cell of a table."""
    return clean(text, limit=40)


def unit_of(column: str) -> str:
    """Unit told by a column's suffix, empty where there is none."""
    return next((unit for suffix, unit in UNITS if column.endswith(suffix)), "")


def title_of(column: str) -> str:
    """A column's name in words, without the suffix of its unit."""
    stem = next((column.removesuffix(s) for s, _ in UNITS if column.endswith(s)), column)
    return clean(stem.replace("_", " ").strip() or column, limit=60)


def reasons(quality: object) -> tuple[str, ...]:
    """The reasons in a ``;``-joined quality text, in words."""
    if not isinstance(quality, str):
        return ()
    parts = (re.sub(r"[_\s]+", " ", p).strip() for p in quality.split(";"))
    return tuple(clean(p, limit=300) for p in parts if p)


def number(value: object) -> float:
    """`value` as float, NaN where it is none."""
    try:
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return math.nan


def figure(value: object, *, digits: int = 4) -> str:
    """A bare number with `digits` significant digits, a dash where it is missing."""
    v = number(value)
    if not math.isfinite(v):
        return "–"
    if v == 0:
        return "0"
    if not 1e-4 <= abs(v) < 1e7:
        return f"{v:.1e}" if abs(v) < 1 else f"{v:.{digits - 1}e}"
    return f"{v:.{max(0, digits - 1 - math.floor(math.log10(abs(v))))}f}"


def measured(value: object, u: object = math.nan, *, k: float = 2.0) -> str:
    """``value ± U`` with U = k·u on two significant digits, the value rounded alike (JCGM 100, 7.2.6).

    Parameters
    ----------
    value : float
        The value; a dash is given where it is missing.
    u : float
        Its standard uncertainty (k = 1); left out where it is not known.
    k : float
        Coverage factor (:func:`drm.coverage.factor_of`).
    """
    v, wide = number(value), k * number(u)
    if not math.isfinite(v):
        return "–"
    if not math.isfinite(wide) or wide <= 0:
        return figure(v)
    decimals = 1 - math.floor(math.log10(wide))
    shown = min(max(decimals, 0), 6)
    return f"{round(v, decimals):.{shown}f} ± {round(wide, decimals):.{shown}f}"


def worst(levels: Iterable[str]) -> str:
    """The most serious of `levels`, empty where there is none."""
    found = [level for level in levels if level in LEVELS]
    return min(found, key=LEVELS.index, default="")


def value_words(value: Any) -> str:
    """Evidence of any shape in words."""
    if isinstance(value, bool) or value is None:
        return {True: "yes", False: "no", None: "–"}[value]
    if isinstance(value, str):
        return _text_words(value)
    if isinstance(value, dict):
        told = {str(k): v for k, v in value.items() if v is not None and v == v}
        return clean("; ".join(f"{title_of(k)} {value_words(v)} {unit_of(k)}".strip() for k, v in told.items()))
    if isinstance(value, (list, tuple, set)):
        return clean(", ".join(value_words(v) for v in value))
    if isinstance(value, int):
        return str(value)
    v = number(value)
    return figure(v) if math.isfinite(v) or isinstance(value, float) else clean(value, limit=400)


def _text_words(value: str) -> str:
    """A text as it is; the name of a column as the tables tell it."""
    if re.fullmatch(r"[a-z]+(_[a-z]+)+", value) and unit_of(value):
        return f"{title_of(value)} ({unit_of(value)})"
    return clean(value, limit=400)
