"""What a result's judgement rests on, and what can therefore not be concluded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from drm.frames import rows_of
from drm.siblings_use import MAIN_ALONE, NO_ARCING
from drm.wording import clean, number, title_of, worst

if TYPE_CHECKING:
    from drm.pipeline import Result

CAUTIONS: tuple[tuple[str, str], ...] = (
    (
        "Before any work on the breaker",
        "isolate, secure against re-energising, prove dead, earth and short-circuit, and guard adjacent live parts"
        " (EN 50110-1). Both ends stay earthed; an earth is lifted for a measurement only under a permit to test.",
    ),
    ("Induced voltage", "earthed conductors can still carry dangerous induced voltage."),
    ("Stored energy", "springs and accumulators can operate the breaker without warning: discharge and block them."),
    ("Arced SF6", "leaves toxic, corrosive products: follow IEC 62271-4 and IEC 60480 before opening a gas space."),
    ("Injection loop", "breaking it while current flows gives a high voltage (L·di/dt): run the current down first."),
    (
        "Local codes, the maker's documents and licensed practice",
        "come first. This report supports the judgement of a qualified person; it does not replace it.",
    ),
)  # fmt: skip
"""Heading and text of each caution, for the report and the summary."""


@dataclass(frozen=True)
class Grounds:
    """What the judgement rests on (`rests_on`) and what follows from what is missing (`cannot`), in sentences."""

    rests_on: tuple[str, ...]
    cannot: tuple[str, ...]
    siblings_only: bool


def grounds(result: Result) -> Grounds:
    """The grounds of `result`, read from the breaker file, the provenance and the features."""
    breaker = result.breaker
    count = len(breaker.interrupters)
    limits = tuple(breaker.limits)
    earlier = bool(result.provenance.get("reference")) or any("earlier test" in f.basis for f in result.findings)
    rests: list[str] = []
    if limits:
        rests.append("Limits in the breaker file: " + ", ".join(title_of(c) for c in limits) + ".")
    if earlier:
        before = result.provenance.get("reference") or {}
        which = f", {clean(before['record'], limit=60)}" if before.get("record") else ""
        rests.append(f"An earlier test of the same breaker{which}, figure by figure at comparable conditions.")
    if count > 1:
        rests.append(
            "Published rules where the maker states nothing else and the record allows them: spread of the main"
            " resistance (ANSI/NETA MTS), simultaneity (IEC 62271-100)."
        )
        rests.append(f"The siblings: {count} interrupters compared with one another in the same record.")
    if not rests:
        rests.append("The record alone: no limit, no earlier test and no sibling to compare with.")
    siblings_only = not limits and not earlier
    return Grounds(tuple(rests), tuple(_cannot(result, count, siblings_only)), siblings_only)


def _cannot(result: Result, count: int, siblings_only: bool) -> list[str]:
    out: list[str] = []
    if siblings_only and count > 1:
        out.append(
            "Wear that all interrupters share cannot be seen: siblings are compared only with one another, so a"
            " breaker whose contacts are all worn alike looks like one whose contacts are all new. Limits from the"
            " breaker's own documents or an earlier test would show it."
        )
    if 1 < count < 6:
        out.append(f"With {count} siblings an outlier can be ranked, hardly judged: absence of a finding says little.")
    spoiled = sorted(spoiled_by_the_test(result))
    if spoiled:
        out.append(
            f"Nothing is concluded about {_listed(tuple(clean(n, limit=40) for n in spoiled))}: a fault of the test"
            " spoils all their readings. It is no verdict on them, good or bad."
        )
    for who, other in withheld(result).items():
        out.append(
            f"{clean(who, limit=40)} stands apart from its siblings, and no verdict is drawn from it: {clean(other)}"
            " would explain it, and this record cannot exclude that."
        )
    if count == 1:
        out.append("With one interrupter there is no sibling to compare with.")
    if result.readings and all(r.travel_mm is None for r in result.readings):
        out.append("Without travel the arcing wipe in mm is not known; times alone depend on the speed as well.")
    elif any(r.travel_mm is None for r in result.readings):
        out.append("Some interrupters have no travel: their arcing wipe in mm is not known.")
    names, total = missing_wipes(result)
    if names:
        out.append(
            f"The arcing wipe could not be measured in {len(names)} of {total} readings ({_listed(names)}); the reasons"
            " stand beside the numbers."
        )
    said = result.features["quality"].astype(str) if "quality" in result.features.columns else None
    if said is not None and said.str.contains(NO_ARCING).any():
        out.append(
            "Where the current is nowhere seen to rest on the arcing contact, reversed order and a missing or burnt-off"
            " arcing contact cannot be told apart from the trace alone."
        )
    if said is not None and said.str.contains(MAIN_ALONE).any():
        out.append(
            "Where a short zone has less than twice the closed contact's resistance, an arcing contact's wipe and the"
            " main contact alone in reversed order cannot be told apart from the trace alone."
        )
    if result.breaker.conditions.ambient_c is None:
        out.append("The ambient temperature is not stated: resistances are given as measured, not referred to 20 °C.")
    if result.breaker.conditions.both_ends_earthed:
        out.append("Both ends were earthed: the earth path is in parallel and every resistance reads a little low.")
    return out


def missing_wipes(result: Result) -> tuple[tuple[str, ...], int]:
    """Readings (``name operation N``) without an arcing wipe, and how many readings there are."""
    table = result.features
    if "arcing_wipe_mm" not in table.columns or "interrupter" not in table.columns:
        return (), len(table)
    empty = table[~np.isfinite(table["arcing_wipe_mm"].to_numpy(dtype=float))]
    rows = zip(empty["interrupter"], empty["operation"], strict=True)
    return tuple(f"{clean(i, limit=40)} operation {o}" for i, o in rows), len(table)


def _listed(names: tuple[str, ...], *, most: int = 8) -> str:
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


def telling_rows(result: Result) -> dict[str, dict[Any, Any]]:
    """Interrupter -> its row of features to show first: with a wipe if possible, rather an opening, the earliest.

    Its ``sibling_score`` is the greatest of all the interrupter's rows.
    """
    found: dict[str, list[dict[Any, Any]]] = {}
    for row in rows_of(result.features):
        found.setdefault(str(row.get("interrupter", "")), []).append(row)
    out: dict[str, dict[Any, Any]] = {}
    for who, rows in found.items():
        rows.sort(key=lambda r: (not np.isfinite(number(r.get("arcing_wipe_mm"))), r.get("kind") != "open"))
        scores = [s for s in (number(r.get("sibling_score")) for r in rows) if np.isfinite(s)]
        out[who] = rows[0] | {"sibling_score": max(scores, default=float("nan"))}
    return out


def unjudged(result: Result) -> set[str]:
    """Interrupters of which nothing could be judged: neither limits nor a comparison with siblings reach them.

    Nor is one judged of which a verdict is withheld.
    """
    held = set(withheld(result))
    if result.breaker.limits:
        return held | spoiled_by_the_test(result)
    rows = telling_rows(result)
    names = {i.name for i in result.breaker.interrupters}
    return held | {who for who in names if not np.isfinite(number(rows.get(who, {}).get("sibling_score")))}


def withheld(result: Result) -> dict[str, str]:
    """Interrupters that stand apart without a verdict -> the way of connecting the test that would explain it."""
    found = ((f.interrupters, f.evidence.get("explained_by")) for f in result.findings)
    return {who: str(other) for names, other in found if other for who in names}


def spoiled_by_the_test(result: Result) -> set[str]:
    """Interrupters all of whose rows a fault of the test spoils as a whole."""
    table = result.features
    if "quality" not in table.columns:
        return set()
    whole = table["quality"].astype(str).str.contains(r"(?:^|;)setup:", regex=True)
    return {str(n) for n, bad in whole.groupby(table["interrupter"]) if bool(bad.all())}


def setup_words(result: Result) -> str:
    """A sentence where a finding about the test itself limits what the readings are worth, else empty."""
    level = worst(f.level for f in result.findings if f.subject == "setup")
    if level not in ("", "note"):
        return "How the test was made limits what its readings are worth: read the findings about the setup first."
    apart = _listed(tuple(clean(n, limit=40) for n in sorted(withheld(result))))
    if not apart:
        return ""
    return f"Nothing is concluded from how {apart} stands apart: see how the test was connected, and read it again."


def levels_of(result: Result, *, operation: int | None = None) -> dict[str, str]:
    """Interrupter -> its most serious level, in one operation or in all.

    The setup's findings are no verdict on an interrupter; a finding that names no operation holds for all.
    """
    found: dict[str, list[str]] = {i.name: [] for i in result.breaker.interrupters}
    for finding in result.findings:
        here = operation is None or not finding.operations or operation in finding.operations
        if here and finding.subject != "setup":
            for who in finding.interrupters:
                found.setdefault(who, []).append(finding.level)
    return {who: worst(levels) for who, levels in found.items()}
