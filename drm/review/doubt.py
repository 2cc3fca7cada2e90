"""How doubtful each automatic reading is, in words, so that a person begins where it matters."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from drm.edits import of_reading, standing
from drm.wording import clean, number, reasons

if TYPE_CHECKING:
    from drm.pipeline import Result

__all__ = ["Doubt", "doubts"]

#: Weights that put what cannot be used before what is unsure, and that before what only stands out. Our own ordering:
#: it decides where a person begins, never what is concluded.
UNREAD, NO_WIPE, REASON, UNSURE, LEVEL = 100.0, 60.0, 30.0, 10.0, {"hold": 25.0, "inspect": 15.0, "watch": 5.0}
#: A score beyond this is told, and an uncertainty this many times the siblings'.
APART, WIDER = 3.0, 1.5
NO_TRAVEL = "no travel channel"


@dataclass(frozen=True)
class Doubt:
    """One reading's doubt.

    Attributes
    ----------
    operation : int
    interrupter : str
    weight : float
        The greater, the more a person should look; 0 where nothing is doubtful.
    words : tuple of str
        Why, the weightiest first.
    decided : bool
        Whether a person has placed an instant, accepted or excluded it.
    """

    operation: int
    interrupter: str
    weight: float
    words: tuple[str, ...]
    decided: bool


def doubts(result: Result) -> tuple[Doubt, ...]:
    """The doubt about every row of the features: undecided ones first, the most doubtful first."""
    hold = standing(result.edits)
    rows = result.features.to_dict("records")
    out = []
    for row in rows:
        who, when = str(row["interrupter"]), int(row["operation"])
        said = _said(row, _usual(rows, row), result)
        weight = sum(w for w, _ in said)
        words = tuple(text for _, text in sorted(said, key=lambda s: -s[0]))
        decided = any(e.action != "annotate" for e in of_reading(hold, operation=when, interrupter=who))
        out.append(Doubt(when, who, weight, words, decided))
    return tuple(sorted(out, key=lambda d: (d.decided, -d.weight, d.operation)))


def _usual(rows: list[dict[Any, Any]], row: Mapping[Any, Any]) -> float:
    """Median uncertainty of the siblings' wipes in operations of the same kind; NaN with fewer than two."""
    column = _wipe_column(row)
    others = [
        number(r.get(f"{column}_u"))
        for r in rows
        if r["kind"] == row["kind"] and r["interrupter"] != row["interrupter"]
    ]
    known = [u for u in others if math.isfinite(u)]
    return float(np.median(known)) if len(known) > 1 else math.nan


def _wipe_column(row: Mapping[Any, Any]) -> str:
    return "arcing_wipe_mm" if math.isfinite(number(row.get("arcing_wipe_mm"))) else "arcing_wipe_ms"


def _said(row: Mapping[Any, Any], usual_u: float, result: Result) -> list[tuple[float, str]]:
    out: list[tuple[float, str]] = []
    told = [r for r in reasons(row.get("quality")) if not r.startswith(NO_TRAVEL)]
    if not any(math.isfinite(number(row.get(c))) for c in ("main_contact_ms", "arcing_contact_ms")):
        out.append((UNREAD, "no instant could be read"))
    elif not math.isfinite(number(row.get("arcing_wipe_ms"))):
        out.append((NO_WIPE, "no wipe could be read"))
    out += [(REASON, r) for r in told]
    ratio = number(row.get(f"{_wipe_column(row)}_u")) / usual_u if usual_u > 0 else math.nan
    if ratio > WIDER:
        out.append((UNSURE * min(ratio, 3.0), f"its wipe is {ratio:.1f} times as uncertain as its siblings'"))
    score = abs(number(row.get("sibling_score")))
    if score > APART:
        out.append((min(2.0 * score, 20.0), f"stands {score:.1f} standard deviations from its siblings"))
    out += _findings(row, result)
    return out


def _findings(row: Mapping[Any, Any], result: Result) -> list[tuple[float, str]]:
    found = [
        f
        for f in result.findings
        if f.subject != "setup"
        and f.level in LEVEL
        and str(row["interrupter"]) in f.interrupters
        and (not f.operations or int(row["operation"]) in f.operations)
    ]
    worst = sorted(found, key=lambda f: -LEVEL[f.level])[:1]
    return [(LEVEL[f.level], f"a finding rests on it: {f.level}, {clean(f.code, limit=60)}") for f in worst]
