"""What the template shows: a result turned into plain words, tables and pictures."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from drm.edit_words import edit_lines, edit_summary
from drm.frames import rows_of
from drm.grounds import CAUTIONS, grounds, levels_of, setup_words, telling_rows, unjudged
from drm.report import bars, curves, events, motion, plots, reference, signals, tables, together
from drm.report.others import alternatives
from drm.time_words import sequence_words
from drm.wording import LEVELS, MARKS, VERDICTS, clean, measured, name, number, title_of, unit_of, value_words, worst

if TYPE_CHECKING:
    from drm.findings import Finding
    from drm.pipeline import Result


def view(result: Result) -> dict[str, Any]:
    """Everything that the template needs, as plain data; pictures are already escaped markup."""
    levels = levels_of(result)
    all_blocks = curves.blocks(result.readings)
    level = worst(f.level for f in result.findings if f.subject != "setup")
    said = [finding_view(f) for f in sorted(result.findings, key=lambda f: LEVELS.index(f.level))]
    return {
        "breaker": result.breaker,
        "record": result.record,
        "operations": result.operations,
        "level": level,
        "mark": MARKS[level],
        "verdict": VERDICTS[level],
        "setup": setup_words(result),
        "marks": MARKS,
        "counts": [(v, sum(f.level == v for f in result.findings)) for v in LEVELS],
        "grounds": grounds(result),
        "cautions": CAUTIONS,
        "map": pole_map(result, levels),
        "blocks": _blocks(result, all_blocks),
        "weak": tables.weak_rows(result.features),
        "mechanisms": tables.mechanism_tables(result.mechanisms),
        "motion": motion.pictures(result.readings),
        "sequence": sequence_words(result),
        "events": events.pictures(result),
        "times": events.tables(result),
        "together": together.tables(result),
        "since": reference.view(result),
        "signals": [
            *signals.envelope_pictures(result),
            *signals.speed_pictures(result),
            *signals.coil_pictures(result),
            *signals.motor_pictures(result),
        ],
        "findings": said,
        "edits": edit_lines(result),
        "edited": edit_summary(result),
        "loud": [f for f in said if f["level"] != "note"],
        "provenance": [(title_of(str(k)), value_words(v)) for k, v in result.provenance.items() if k != "edits"],
    }


def pole_map(result: Result, levels: dict[str, str]) -> dict[str, Any]:
    """Poles as rows and positions as columns; a cell holds the interrupters of that place."""
    units = result.breaker.interrupters
    blind, rows_of = unjudged(result), telling_rows(result)
    positions = sorted({i.position for i in units})
    rows = [
        (
            name(pole),
            [
                [
                    _cell(rows_of.get(i.name, {}), i.name, levels, blind)
                    for i in units
                    if i.pole == pole and i.position == p
                ]
                for p in positions
            ],
        )
        for pole in dict.fromkeys(i.pole for i in units)
    ]
    return {"positions": positions, "rows": rows}


def _cell(row: dict[Any, Any], who: str, levels: dict[str, str], blind: set[str]) -> dict[str, str]:
    level = levels.get(who, "")
    word = level or ("not judged" if who in blind else "no finding")
    return {"name": name(who), "level": level, "mark": MARKS[level], "word": word, "facts": facts(row)}


def facts(row: dict[Any, Any]) -> str:
    """Wipe of the most telling operation in words."""
    if not math.isfinite(number(row.get("arcing_wipe_mm"))):
        return "wipe not measured"
    return f"wipe {measured(row['arcing_wipe_mm'], row.get('arcing_wipe_mm_u'))} mm"


def _blocks(result: Result, all_blocks: tuple[curves.Block, ...]) -> list[dict[str, Any]]:
    uohm = plots.range_of(all_blocks)
    every_row = rows_of(result.features)
    rows_in = {b.operation: [r for r in every_row if r.get("operation") == b.operation] for b in all_blocks}
    out = []
    for block in all_blocks:
        levels = levels_of(result, operation=block.operation)
        marks = {
            r.interrupter.name: curves.instants(r, block.unit)
            for r in result.readings
            if r.operation.number == block.operation
        }
        panels = tuple(
            plots.Panel(i.name, i.pole, i.position, levels.get(i.name, ""), (marks[i.name][0][0], marks[i.name][1][0]))
            for i in result.breaker.interrupters
            if i.name in marks
        )
        rows = rows_in[block.operation]
        zone_bars = tuple(_bar(r, block.unit, levels) for r in rows)
        # Operations that can be compared share an axis: all of them over travel, those of one kind over time.
        alike = [b for b in all_blocks if b.unit == block.unit and (b.unit == "mm" or b.kind == block.kind)]
        window = bars.window_of(tuple(_bar(r, b.unit, levels) for b in alike for r in rows_in[b.operation]), block.unit)
        tables_ = tables.feature_tables(result.features, block.operation, block.kind) if rows else []
        out.append(
            {
                "operation": block.operation,
                "kind": {"open": "opening", "close": "closing"}.get(block.kind, block.kind),
                "unit": block.unit,
                "rows": plots.pole_rows(block, panels, uohm),
                "zones": bars.zones(
                    zone_bars, window=window, operation=block.operation, kind=block.kind, unit=block.unit
                ),
                "tables": tables_,
            }
        )
    return out


def _bar(row: dict[Any, Any], unit: str, levels: dict[str, str]) -> bars.Bar:
    def get(column: str) -> float:
        return number(row.get(f"{column}_{unit}"))

    def u(column: str) -> float:
        return number(row.get(f"{column}_{unit}_u"))

    who = str(row.get("interrupter", ""))
    at = ("main_contact", "arcing_contact", "arcing_wipe")
    v = [f(c) for c in at for f in (get, u)]
    return bars.Bar(who, levels.get(who, ""), *v)


def finding_view(finding: Finding) -> dict[str, Any]:
    """A finding in words."""
    where = ", ".join(name(i) for i in finding.interrupters)
    when = ("operations " if len(finding.operations) > 1 else "operation ") + ", ".join(map(str, finding.operations))
    evidence = [
        (title_of(str(k)), _evidence(finding.evidence, str(k), v), unit_of(str(k)))
        for k, v in finding.evidence.items()
        if not (str(k).endswith("_u") and str(k)[:-2] in finding.evidence) and not _is_list(v)
    ]
    lists = [(title_of(str(k)), [value_words(x) for x in v]) for k, v in finding.evidence.items() if _is_list(v)]
    return {
        "code": name(finding.code),
        "level": finding.level,
        "mark": MARKS[finding.level],
        "subject": finding.subject,
        "where": where or "the breaker",
        "when": when if finding.operations else "",
        "message": clean(finding.message),
        "evidence": evidence,
        "lists": lists,
        "basis": clean(finding.basis),
        "advice": clean(finding.advice),
        "others": alternatives(finding),
    }


def _is_list(value: Any) -> bool:
    """A list of facts, each with parts of its own: shown one below the other."""
    return isinstance(value, (list, tuple)) and any(isinstance(x, dict) for x in value)


def _evidence(evidence: dict[str, Any], key: str, value: Any) -> str:
    u = evidence.get(f"{key}_u")
    return measured(value, u) if isinstance(u, (int, float)) else value_words(value)
