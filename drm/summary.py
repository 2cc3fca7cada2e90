"""The result for the terminal: the verdict first, then what stands behind it."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

from drm.edit_words import edit_summary
from drm.grounds import CAUTIONS, grounds, levels_of, setup_words, telling_rows, unjudged
from drm.time_words import time_lines
from drm.wording import LEVELS, MARKS, VERDICTS, clean, measured, name, number, worst

if TYPE_CHECKING:
    from drm.findings import Finding
    from drm.pipeline import Result

WIDTH = 100
HEADS = ("interrupter", "operation", "wipe mm ± U", "main µΩ ± U", "arcing µΩ ± U", "score", "level")


def summary(result: Result) -> str:
    """The result in plain text, at most about 100 columns wide.

    Parameters
    ----------
    result : Result
        Names in it may hold anything: control and direction characters are shown, not sent to the terminal.

    Returns
    -------
    str
        Verdict, one line per interrupter, findings, what cannot be concluded, caution.
    """
    level = worst(f.level for f in result.findings if f.subject != "setup")
    behind = grounds(result)
    parts = [
        [
            f"{name(result.breaker.name)}, record {name(result.record.name)}",
            _fold(f"{MARKS[level]} {VERDICTS[level]} {setup_words(result)}".strip()),
        ],
        [_fold(f"Rests on: {' '.join(behind.rests_on)}")],
        _lines(result),
        [_fold(words) for words in time_lines(result)],
        _findings(result.findings),
    ]
    if result.edits:
        parts.append([_fold(edit_summary(result))])
    if behind.cannot:
        parts.append(["What cannot be concluded:", *(_fold(s, bullet="- ") for s in behind.cannot)])
    parts.append(["Caution:", *(_fold(f"{head}: {words}", bullet="- ") for head, words in CAUTIONS)])
    return "\n\n".join("\n".join(p) for p in parts if p) + "\n"


def _lines(result: Result) -> list[str]:
    """One line per interrupter, in columns."""
    if not len(result.features):
        return ["No interrupter could be read in this record."]
    levels, blind = levels_of(result), unjudged(result)
    rows = [HEADS, *(_row(r, levels, blind) for r in telling_rows(result).values())]
    widths = [max(len(r[i]) for r in rows) for i in range(len(HEADS))]
    return ["  ".join(cell.ljust(w) for cell, w in zip(r, widths, strict=True)).rstrip() for r in rows] + [
        "Figures of the operation named (all others: in the tables). U: expanded uncertainty, k = 2.",
        "Score: greatest distance from the siblings in any operation. A dash: not measured, or no finding.",
    ]


def _row(row: dict[Any, Any], levels: dict[str, str], blind: set[str]) -> tuple[str, ...]:
    def value(column: str) -> str:
        return measured(row.get(column), row.get(f"{column}_u"))

    who = str(row.get("interrupter"))
    level = levels.get(who, "")
    score = number(row.get("sibling_score"))
    return (
        name(row.get("interrupter", "")),
        clean(f"{row.get('operation', '')} {row.get('kind', '')}", limit=20),
        value("arcing_wipe_mm"),
        value("main_resistance_uohm"),
        value("arcing_resistance_uohm"),
        f"{score:.1f}" if math.isfinite(score) else "–",
        f"{MARKS[level]} {level}" if level else (f"{MARKS['']} not judged" if who in blind else MARKS[""]),
    )


def _findings(found: tuple[Finding, ...]) -> list[str]:
    if not found:
        return ["No finding."]
    lines = ["Findings:"]
    for f in sorted(found, key=lambda f: LEVELS.index(f.level)):
        where = ", ".join(name(i) for i in f.interrupters) or "the breaker"
        when = f", operation {', '.join(str(o) for o in f.operations)}" if f.operations else ""
        lines += [
            _fold(f"{f.level} ({f.subject}), {where}{when}: {clean(f.message)}", bullet=f"{MARKS[f.level]} "),
            _fold(f"basis: {clean(f.basis)}", bullet="    "),
            _fold(f"advice: {clean(f.advice)}", bullet="    "),
        ]
    return lines


def _fold(words: str, *, bullet: str = "") -> str:
    return textwrap.fill(words, WIDTH, initial_indent=bullet, subsequent_indent=" " * len(bullet))
