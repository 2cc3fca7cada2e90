"""Edits by hand in words, for the report, the terminal and the review page alike."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from drm.edits import Edit, standing
from drm.wording import clean, measured, name, number

if TYPE_CHECKING:
    from drm.pipeline import Result

__all__ = ["EditLine", "edit_lines", "edit_summary"]

ACTIONS = {"accept": "accepted as read", "exclude": "excluded", "annotate": "note", "undo": "undo"}


@dataclass(frozen=True)
class EditLine:
    """One edit: every part a text that is safe to show."""

    number: int
    when: str
    who: str
    interrupter: str
    operation: int
    what: str
    why: str
    holds: bool


def edit_lines(result: Result) -> tuple[EditLine, ...]:
    """Every edit of the result in order, the undone ones too."""
    holds = {e.number for e in standing(result.edits)}
    references = {
        (o.number, i.name): o.reference_s.get(i.mechanism, math.nan)
        for o in result.operations
        for i in result.breaker.interrupters
    }
    return tuple(
        EditLine(
            e.number,
            clean(e.when.replace("T", " ").replace("+00:00", " UTC"), limit=40),
            clean(e.who, limit=200),
            name(e.interrupter),
            e.operation,
            _what(e, references.get((e.operation, e.interrupter), math.nan), result),
            clean(e.reason),
            e.number in holds,
        )
        for e in result.edits
    )


def _what(edit: Edit, reference_s: float, result: Result) -> str:
    if edit.action == "undo":
        return f"undoes edit {edit.undoes}"
    if edit.action != "move":
        return ACTIONS[edit.action]
    found = f"; the program found {_found(edit, result)}"
    if not math.isfinite(edit.at_s):
        return f"{edit.instant} contact's instant taken out{found}"
    at = f"{1e3 * (edit.at_s - reference_s):.3f} ms"
    stated = f", standard uncertainty {1e3 * edit.u_s:.3g} ms stated" if edit.u_s > 0.0 else ""
    return f"{edit.instant} contact's instant set to {at}{stated}{found}"


def _found(edit: Edit, result: Result) -> str:
    row = automatic_row(result, edit.operation, edit.interrupter)
    column = f"{edit.instant}_contact_ms"
    value = number(row.get(column))
    return f"{measured(value, row.get(f'{column}_u'))} ms" if math.isfinite(value) else "none"


def automatic_row(result: Result, operation: int, interrupter: str) -> Mapping[Any, Any]:
    """Row of one reading as the program found it; empty where it is not edited."""
    for row in _records(result.automatic):
        if row["operation"] == operation and row["interrupter"] == interrupter:
            return row
    return {}


def _records(table: Any) -> Sequence[Mapping[Any, Any]]:
    return () if table is None else table.to_dict("records")


def edit_summary(result: Result) -> str:
    """One sentence: how many edits hold, of how many interrupters, by whom; empty where there is none."""
    if not result.edits:
        return ""
    hold = standing(result.edits)
    people = ", ".join(dict.fromkeys(clean(e.who, limit=60) for e in hold)) or "nobody"
    units = len({e.interrupter for e in hold})
    return f"Edits by hand: {len(hold)} hold, on {units} interrupters, by {people}; {len(result.edits)} in the log."
