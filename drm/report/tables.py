"""Tables of the report: numbers with expanded uncertainty, whatever columns there are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from drm.coverage import told
from drm.frames import rows_of
from drm.wording import name, number, reasons, title_of, unit_of

if TYPE_CHECKING:
    import pandas as pd

IDENTITY = ("record", "breaker", "operation", "kind", "pole", "interrupter", "position", "mechanism", "reference")
ASIDE = ("quality", "sibling_score", "sibling_p", "sample_ms")
FIRST = (
    "main_resistance_uohm", "main_contact_mm", "arcing_contact_mm", "arcing_wipe_mm", "arcing_resistance_uohm",
    "arcing_resistance_peak_uohm", "arcing_area_uohm_mm", "parting_speed_m_s",
)  # fmt: skip
WIDE = 8


@dataclass(frozen=True)
class Table:
    """Heads are (title, unit); every row begins with the cell that names it."""

    caption: str
    heads: tuple[tuple[str, str], ...]
    rows: tuple[tuple[str, ...], ...]


def values_of(frame: pd.DataFrame) -> list[str]:
    """Columns that hold values: neither identity nor uncertainty nor score; the most telling ones first."""
    columns = [str(c) for c in frame.columns]
    known = set(columns)
    plain = [c for c in columns if c not in IDENTITY + ASIDE and not (c.endswith("_u") and c[:-2] in known)]
    return [c for c in FIRST if c in plain] + [c for c in plain if c not in FIRST]


def _filled(frame: pd.DataFrame, rows: list[dict[str, Any]]) -> list[str]:
    """Columns that hold a value, and one that is not an empty text."""

    def holds(column: str) -> bool:
        values = [r[column] for r in rows]
        return any(v is not None and v == v for v in values) and any(v != "" for v in values)

    return [c for c in values_of(frame) if holds(c)]


def feature_tables(frame: pd.DataFrame, operation: int, kind: str) -> list[Table]:
    """The features of one operation, at most eight columns a table, the score's among them; empty ones are left out."""
    mine = frame[frame["operation"] == operation]
    given = rows_of(mine)
    columns = _filled(mine, given)
    first = WIDE - 1 if "sibling_score" in mine.columns else WIDE
    chunks = [columns[:first], *(columns[i : i + WIDE] for i in range(first, len(columns), WIDE))]
    out: list[Table] = []
    for i, chunk in enumerate(chunks):
        score = i == 0 and "sibling_score" in mine.columns
        caption = f"Operation {operation} ({kind})" + (f", table {i + 1} of {len(chunks)}" if len(chunks) > 1 else "")
        heads = (("interrupter", ""), *((title_of(c), unit_of(c)) for c in chunk), *((("score", ""),) if score else ()))
        rows = tuple(
            (name(r["interrupter"]), *(_cell(r, c) for c in chunk), *((_score(r),) if score else ())) for r in given
        )
        out.append(Table(caption, heads, rows))
    return out


def mechanism_tables(frame: pd.DataFrame) -> list[Table]:
    """The mechanisms turned on their side: a table per operation, one column per mechanism, one row per figure."""
    if not len(frame):
        return []
    return [_mechanisms(frame[frame["operation"] == o], o) for o in dict.fromkeys(frame["operation"])]


def _mechanisms(frame: pd.DataFrame, operation: object) -> Table:
    rows = rows_of(frame)
    columns = _filled(frame, rows)
    heads = tuple((name(r.get("mechanism", "")), "") for r in rows)
    body = tuple((f"{title_of(c)}, {unit_of(c)}".rstrip(", "), *(_cell(r, c) for r in rows)) for c in columns)
    return Table(f"Operation {operation} ({rows[0].get('kind', '')})", (("figure", ""), *heads), body)


def weak_rows(frame: pd.DataFrame) -> list[tuple[str, str, tuple[str, ...]]]:
    """(reason, kind of row, interrupters with operation), each reason once."""
    found: dict[str, list[str]] = {}
    if "quality" in frame.columns:
        for r in rows_of(frame):
            for reason in reasons(r["quality"]):
                found.setdefault(reason, []).append(f"{name(r['interrupter'])} (operation {r['operation']})")
    return [(reason, f"{len(who)} of {len(frame)}", tuple(who)) for reason, who in found.items()]


def _cell(row: dict[Any, Any], column: str) -> str:
    value = row.get(column)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return name(value)
    return told(row, column)


def _score(row: dict[Any, Any]) -> str:
    score, p = number(row.get("sibling_score")), number(row.get("sibling_p"))
    if score != score:
        return "–"
    return f"{score:.1f}" + (f" (p {_p(p)})" if p == p else "")


def _p(p: float) -> str:
    return "< 0.001" if p < 0.001 else f"{p:.2g}"
