"""Edits by hand: what a person decided where the automatic reading is doubtful, and what that does to the zones.

Edits are data in order. Nothing is ever taken out of them: an edit is undone by another that names it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from drm.quantity import NOTHING, Quantity
from drm.siblings_use import NO_ARCING, NO_TRAVEL
from drm.zones import Zones

__all__ = ["ACTIONS", "Action", "Edit", "Instant", "by_hand", "column_by_hand", "of_reading", "standing"]

Action = Literal["move", "accept", "exclude", "annotate", "undo"]
Instant = Literal["", "main", "arcing"]

ACTIONS: tuple[Action, ...] = ("move", "accept", "exclude", "annotate", "undo")
#: A shorter arcing zone is not told from a commutation, s: as where the program finds the instants itself.
SHORTEST_ZONE_S = 0.25e-3
#: Starts of reasons that tell what is not in the record: nobody's word can put it there.
FACTS = (
    NO_ARCING,
    NO_TRAVEL,
    "the current was cut off",
    "the current began only",
    "the record ends before",
    "the record begins with",
)
#: Starts of reasons that an instant placed by hand answers, by instant.
ANSWERED = {"main": (), "arcing": ("the current was cut off", "the current began only", "the record ends before",
                                   "the record begins with")}  # fmt: skip


@dataclass(frozen=True)
class Edit:
    """One decision of one person on one interrupter in one operation.

    Attributes
    ----------
    number : int
        1, 2, ... in the order in which they were made.
    action : {'move', 'accept', 'exclude', 'annotate', 'undo'}
        'move' sets an instant, or takes it out where `at_s` is NaN; 'accept' lets the reading count in spite of the
        doubts in its `quality`; 'exclude' keeps it out of every verdict; 'annotate' only says something; 'undo' takes
        back the edit whose number is `undoes`.
    operation : int
    interrupter : str
    who, when, reason : str
        A name, an instant of UTC (ISO 8601), and why.
    instant : {'', 'main', 'arcing'}
        Which instant is moved.
    at_s : float
        Where to, on the record's clock; NaN: not measured.
    u_s : float
        Its standard uncertainty where the person states one, else NaN.
    undoes : int
        Number of the edit taken back; 0 for none.
    """

    number: int
    action: Action
    operation: int
    interrupter: str
    who: str
    when: str
    reason: str
    instant: Instant = ""
    at_s: float = math.nan
    u_s: float = math.nan
    undoes: int = 0


def standing(edits: Iterable[Edit]) -> tuple[Edit, ...]:
    """The edits that hold: neither undone nor undoing, in order. What undoes an undo brings the edit back."""
    void: set[int] = set()
    out: list[Edit] = []
    for edit in sorted(edits, key=lambda e: e.number, reverse=True):
        if edit.number in void:
            continue
        if edit.action == "undo":
            void.add(edit.undoes)
        else:
            out.append(edit)
    return tuple(reversed(out))


def of_reading(edits: Iterable[Edit], *, operation: int, interrupter: str) -> tuple[Edit, ...]:
    """Those of one interrupter in one operation."""
    return tuple(e for e in edits if e.operation == operation and e.interrupter == interrupter)


def by_hand(zones: Zones, edits: Iterable[Edit], *, kind: str, step_s: float) -> Zones:
    """Zones with the standing edits of one reading applied.

    Parameters
    ----------
    zones : Zones
        As the program found them.
    edits : iterable of Edit
        Standing, of this reading alone, in order; the last on one thing holds.
    kind : {'open', 'close'}
    step_s : float
        Sampling interval. An instant placed by hand is taken as known to this, or to the program's own uncertainty
        where that is greater, unless the person states an uncertainty.

    Returns
    -------
    Zones
        The same object where no edit touches it.
    """
    out = zones
    verdict: Edit | None = None
    for edit in edits:
        if edit.action == "move" and edit.instant:
            out = _moved(out, zones, edit, kind, step_s)
        elif edit.action in ("accept", "exclude"):
            verdict = edit
    if verdict is not None and verdict.action == "accept":
        out = replace(out, reasons=tuple(r for r in out.reasons if r.startswith(FACTS)), rise=math.nan)
    if verdict is not None and verdict.action == "exclude":
        out = replace(out, reasons=(*out.reasons, f"excluded by hand ({_short(verdict.reason)})"))
    return out


def _moved(zones: Zones, automatic: Zones, edit: Edit, kind: str, step_s: float) -> Zones:
    own = automatic.main_s if edit.instant == "main" else automatic.arcing_s
    u = edit.u_s if edit.u_s > 0 else max(step_s, own.u if math.isfinite(own.u) else 0.0)
    placed = Quantity(edit.at_s, u) if math.isfinite(edit.at_s) else NOTHING
    gone = f"the {edit.instant} contact's instant was taken out by hand"
    kept = tuple(r for r in zones.reasons if r != gone and not (placed and r.startswith(ANSWERED[edit.instant])))
    if not placed:
        kept = (*kept, gone)
    if edit.instant == "main":
        out = replace(zones, main_s=placed, reasons=kept)
    else:
        # Placed by hand, the contact's own instant is where the arcing zone ends, and nothing cut it off before.
        out = replace(zones, arcing_s=placed, end_s=math.nan if placed else zones.end_s, reasons=kept)
    # The right order for the kind, and far enough apart: the arcing contact is seen to carry the current alone.
    apart = (out.arcing_s.value - out.main_s.value) * (1.0 if kind == "open" else -1.0)
    if apart > SHORTEST_ZONE_S:
        out = replace(out, reasons=tuple(r for r in out.reasons if not r.startswith(NO_ARCING)))
    return out


def column_by_hand(edits: Iterable[Edit]) -> str:
    """What of a reading was decided by hand, for a cell: instants, then 'accepted' or 'excluded'; empty for nothing."""
    edits = tuple(edits)
    moved = {e.instant: e for e in edits if e.action == "move"}
    parts = [f"{name} contact" for name in ("main", "arcing") if name in moved]
    verdict = [e.action for e in edits if e.action in ("accept", "exclude")]
    return ";".join(parts + [{"accept": "accepted", "exclude": "excluded"}[v] for v in verdict[-1:]])


def _short(text: str) -> str:
    """A reason fit for one part of a ``;``-joined text."""
    from drm.wording import clean

    return clean(text.replace(";", ","), limit=200)
