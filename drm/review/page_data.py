"""What the page shows of a result, as plain data: every text in it is cleaned, and every number may be None."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from drm.edit_words import edit_lines
from drm.edits import of_reading, standing
from drm.grounds import CAUTIONS, levels_of
from drm.report import curves
from drm.review.doubt import Doubt, doubts
from drm.wording import LEVELS, MARKS, VERDICTS, clean, measured, name, number, title_of, unit_of, worst

if TYPE_CHECKING:
    from drm.findings import Finding
    from drm.pipeline import Reading, Result
    from drm.review.session import Session

__all__ = ["band", "changes", "overview", "reading_data"]

FIGURES = (
    "main_contact_ms",
    "main_contact_mm",
    "commutation_ms",
    "arcing_contact_ms",
    "arcing_contact_mm",
    "arcing_wipe_mm",
    "arcing_wipe_ms",
    "main_resistance_uohm",
    "arcing_resistance_uohm",
    "arcing_resistance_peak_uohm",
    "arcing_area_uohm_mm",
    "parting_speed_m_s",
    "sibling_score",
)


def overview(session: Session, result: Result) -> dict[str, Any]:
    """The whole result: readings by doubt, findings, edits."""
    rows = _rows(result)
    level = worst(f.level for f in result.findings if f.subject != "setup")
    return {
        "version": len(result.edits),
        "written": session.written,
        "trouble": clean(session.trouble, limit=400),
        "torn": session.log.torn,
        "read_only": session.read_only,
        "folder": clean(session.folder.name, limit=80),
        "breaker": clean(result.breaker.name, limit=160),
        "record": clean(result.record.name, limit=160),
        "records": [{"name": name(r), "operations": list(numbers)} for r, numbers in session.records()],
        "start": result.record.start.isoformat(sep=" ", timespec="seconds") if result.record.start else "",
        "verdict": f"{MARKS[level]} {VERDICTS[level]}",
        "level": level,
        "readings": [_listed(d, rows, result) for d in doubts(result)],
        "findings": [_finding(f) for f in sorted(result.findings, key=lambda f: LEVELS.index(f.level))],
        "edits": [e.__dict__ for e in edit_lines(result)],
        "caution": " ".join(f"{head}: {words}" for head, words in CAUTIONS[:1]),
    }


def _rows(result: Result) -> dict[tuple[int, str], Mapping[Any, Any]]:
    return {(int(r["operation"]), str(r["interrupter"])): r for r in result.features.to_dict("records")}


def _number(value: object) -> float | None:
    v = number(value)
    return v if math.isfinite(v) else None


def key_of(result: Result, operation: int, interrupter: str) -> str:
    """Name of a reading on the page: free of whatever a name may hold."""
    place = [i.name for i in result.breaker.interrupters].index(interrupter)
    return f"{operation}-{place}"


def reading_of(result: Result, key: str) -> tuple[int, str] | None:
    """Operation and interrupter called `key` on the page; None where there is no such reading."""
    operation, _, place = key.partition("-")
    units = result.breaker.interrupters
    if not (operation.isdecimal() and place.isdecimal() and int(place) < len(units)):
        return None
    number_, who = int(operation), units[int(place)].name
    return (number_, who) if (number_, who) in _rows(result) else None


def _listed(doubt: Doubt, rows: Mapping[tuple[int, str], Mapping[Any, Any]], result: Result) -> dict[str, Any]:
    row = rows[doubt.operation, doubt.interrupter]
    level = levels_of(result, operation=doubt.operation).get(doubt.interrupter, "")
    unit = "mm" if math.isfinite(number(row.get("arcing_wipe_mm"))) else "ms"
    return {
        "key": key_of(result, doubt.operation, doubt.interrupter),
        "name": name(doubt.interrupter),
        "pole": name(row["pole"]),
        "operation": doubt.operation,
        "kind": "opening" if row["kind"] == "open" else "closing",
        "level": level,
        "mark": MARKS[level],
        "doubt": round(doubt.weight, 1),
        "why": list(doubt.words),
        "decided": doubt.decided,
        "by_hand": clean(row.get("by_hand", "")).replace(";", ", "),
        "wipe": measured(row.get(f"arcing_wipe_{unit}"), row.get(f"arcing_wipe_{unit}_u")),
        "unit": unit,
        "bar": {
            part: [_number(row.get(f"{part}_contact_{unit}")), _number(row.get(f"{part}_contact_{unit}_u"))]
            for part in ("main", "arcing")
        },
    }


def _finding(f: Finding) -> dict[str, Any]:
    where = ", ".join(name(i) for i in f.interrupters) or "the breaker"
    when = f", operation {', '.join(map(str, f.operations))}" if f.operations else ""
    return {
        "level": f.level,
        "mark": MARKS[f.level],
        "subject": f.subject,
        "where": where + when,
        "message": clean(f.message),
        "basis": clean(f.basis),
        "interrupters": [name(i) for i in f.interrupters],
    }


def reading_data(session: Session, result: Result, operation: int, interrupter: str) -> dict[str, Any]:
    """One reading: its figures as found, as they stand and its siblings', its instants, the range worth showing."""
    rows, found_rows = _rows(result), _rows(session.automatic)
    row, found = rows[operation, interrupter], found_rows[operation, interrupter]
    doubt = next(d for d in doubts(result) if (d.operation, d.interrupter) == (operation, interrupter))
    reading = session.reading(operation, interrupter, result=session.automatic)
    listed = _listed(doubt, rows, result)
    return {
        **listed,
        "readable": reading is not None,
        "quality": clean(row.get("quality", "")).replace(";", "; "),
        "reference": "the coil current's onset" if row["reference"] == "coil" else "the start of motion",
        "figures": [_figure(c, row, found, rows) for c in FIGURES],
        "record": name(row["record"]) if len(session.records()) > 1 else "",
        "instants": {
            part: _instant(part, row, found) | {"stated_u_ms": _stated(result, operation, interrupter, part)}
            for part in ("main", "arcing")
        },
        **({} if reading is None else _extent(reading, session.automatic)),
    }


def _figure(
    column: str,
    row: Mapping[Any, Any],
    found: Mapping[Any, Any],
    rows: Mapping[tuple[int, str], Mapping[Any, Any]],
) -> dict[str, str]:
    others = [
        number(r.get(column))
        for r in rows.values()
        if r["kind"] == row["kind"] and r["interrupter"] != row["interrupter"]
    ]
    known = [v for v in others if math.isfinite(v)]
    unit = unit_of(column)
    return {
        "title": title_of(column),
        "unit": unit,
        "found": measured(found.get(column), found.get(f"{column}_u")),
        "now": measured(row.get(column), row.get(f"{column}_u")),
        "siblings": measured(float(np.median(known)) if known else math.nan, row.get(f"{column}_u")).split(" ± ")[0],
    }


def _instant(part: str, row: Mapping[Any, Any], found: Mapping[Any, Any]) -> dict[str, float | None]:
    return {
        "ms": _number(row.get(f"{part}_contact_ms")),
        "mm": _number(row.get(f"{part}_contact_mm")),
        "found_ms": _number(found.get(f"{part}_contact_ms")),
        "found_u_ms": _number(found.get(f"{part}_contact_ms_u")),
    }


def _stated(result: Result, operation: int, interrupter: str, part: str) -> float | None:
    """Standard uncertainty that a person stated with the instant that holds, ms."""
    mine = of_reading(standing(result.edits), operation=operation, interrupter=interrupter)
    moves = [e for e in mine if e.action == "move" and e.instant == part]
    return _number(1e3 * moves[-1].u_s) if moves else None


def _extent(reading: Reading, result: Result) -> dict[str, Any]:
    """Ends of both axes, the ranges shown first, and the interval between samples."""
    kind = reading.operation.kind
    time = reading.time_ms
    marks = np.array(
        [
            m
            for r in result.readings
            if r.operation.number == reading.operation.number
            for m, _ in curves.instants(r, "ms")
        ]
    )
    marks = marks[np.isfinite(marks)]
    low, high = (float(marks.min()), float(marks.max())) if marks.size else (float(time[0]), float(time[-1]))
    room = max(0.6 * (high - low), 3.0)
    out: dict[str, Any] = {
        "step_ms": float(np.median(np.diff(time))),
        "time": {"whole": [float(time[0]), float(time[-1])], "first": [low - room, high + room]},
        "closing": kind == "close",
        "injected_a": float(np.nanmedian(np.abs(reading.current_a[np.isfinite(reading.resistance_uohm)])))
        if np.isfinite(reading.resistance_uohm).any()
        else None,
    }
    travel = reading.travel_mm
    if travel is not None and np.isfinite(travel).any():
        at = np.array(
            [
                m
                for r in result.readings
                if r.operation.kind == kind and r.travel_mm is not None
                for m, _ in curves.instants(r, "mm")
            ]
        )
        at = at[np.isfinite(at)]
        top = float(np.nanmax(travel))
        out["travel"] = {
            "whole": [float(np.nanmin(travel)), top],
            "first": [-1.0, min(float(at.max()) * 1.25 + 1.0, top) if at.size else top],
        }
    return out


def band(session: Session, result: Result, operation: int, interrupter: str, unit: str) -> dict[str, list[Any]]:
    """Median and 10-90 % band of the siblings' resistance in the same operation, over mm or ms; empty without them."""
    others = [
        r
        for r in result.readings
        if r.operation.number == operation and r.interrupter.name != interrupter and (unit == "ms" or _travels(r))
    ]
    if len(others) < curves.LEAST_SIBLINGS:
        return {"x": [], "median": [], "low": [], "high": []}
    made = [curves.Curve(r.interrupter.name, operation, *curves.along(r, unit)) for r in others]
    marks = np.array([m for r in others for m, _ in curves.instants(r, unit)], dtype=float)
    marks = marks[np.isfinite(marks)]
    low, high = (float(marks.min()), float(marks.max())) if marks.size else (0.0, 1.0)
    room = max(0.6 * (high - low), 3.0)
    window = (0.0, high * 1.12) if unit == "mm" else (low - room, high + room)
    spread = curves.spread(curves.grid_of(window), [curves.on_grid(c, window) for c in made])
    return {
        "x": spread.x.tolist(),
        **{
            k: [None if not math.isfinite(v) else round(v, 2) for v in getattr(spread, k).tolist()]
            for k in ("median", "low", "high")
        },
    }


def _travels(reading: Reading) -> bool:
    return reading.travel_mm is not None and bool(np.isfinite(reading.travel_mm).any())


def changes(before: Result, after: Result) -> dict[str, list[dict[str, Any]]]:
    """Findings that go and findings that come with an edit."""

    def told(result: Result) -> dict[tuple[Any, ...], Finding]:
        return {(f.code, f.level, f.interrupters, f.operations): f for f in result.findings}

    old, new = told(before), told(after)
    return {
        "gone": [_finding(f) for k, f in old.items() if k not in new],
        "come": [_finding(f) for k, f in new.items() if k not in old],
    }
