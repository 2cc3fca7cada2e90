"""The rest of the breaker test from the same record: mechanisms, times, sequence, travel curves."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from drm.breaker import Breaker
from drm.breaker_times import Contact, contact_of, frame, reference_u, timing_rows
from drm.envelope import Curve
from drm.mechanisms import curve_of, mechanism_table, motion_of
from drm.operations import Operation
from drm.quantity import NOTHING, Quantity
from drm.record import Record
from drm.sequence import OperatingSequence, sequence_of
from drm.shift import parts_of
from drm.stroke import Moved
from drm.travel import Travel

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ONLY_STATE", "Mechanical", "mechanical"]

#: Grid of the travel curves that are kept, s.
CURVE_STEP_S = 0.25e-3
#: Begins the reason of a row that has an instant but no resistance.
ONLY_STATE = "only the contact's state"


@dataclass(frozen=True, eq=False)
class Mechanical:
    """What one record says beside the contacts' resistance.

    Attributes
    ----------
    mechanisms : DataFrame
        One row per operation and mechanism.
    timing : DataFrame
        One row per operation for the breaker, each pole and each interrupter.
    curves : DataFrame
        ``operation, kind, mechanism, time_ms, travel_mm, contact_ms``: travel from the closed position.
    sequence : OperatingSequence
    """

    mechanisms: pd.DataFrame
    timing: pd.DataFrame
    curves: pd.DataFrame
    sequence: OperatingSequence


def mechanical(
    record: Record,
    breaker: Breaker,
    operations: Sequence[Operation],
    travels: Mapping[str, Travel],
    rows: Sequence[dict[str, Any]],
    *,
    curves: Mapping[tuple[str, str, str], Curve] | None = None,
) -> Mechanical:
    """Do it.

    Parameters
    ----------
    rows : sequence of dict
        Feature rows; where only the contact's state tells an instant it is written into its row here.
    curves : mapping, optional
        (mechanism, kind, operations before it in the record) -> an earlier test's travel curve.
    """
    by_key = {(r["operation"], r["interrupter"]): r for r in rows}
    contacts: dict[int, list[Contact]] = {}
    gain = math.hypot(breaker.instrument.voltage_gain_rel, breaker.instrument.current_gain_rel)
    for op in operations:
        for unit in breaker.interrupters:
            row = by_key.get((op.number, unit.name), {})
            measured = _instant(op, unit.mechanism, row)
            contact = contact_of(record, unit, op, measured, gain_rel=gain)
            contacts.setdefault(op.number, []).append(contact)
            if contact.source == "state" and row:
                begin = op.reference_s[unit.mechanism]
                row["arcing_contact_ms"] = 1e3 * (contact.at_s.value - begin)
                row["arcing_contact_ms_u"] = 1e3 * math.hypot(contact.at_s.u, reference_u(op, unit.mechanism))
    instants: dict[tuple[int, str], list[float | Quantity]] = {}
    for op in operations:
        for c in contacts.get(op.number, ()):
            name = c.interrupter.mechanism
            since = Quantity(1e3 * (c.at_s.value - op.reference_s[name]), 1e3 * c.at_s.u) if c.at_s else NOTHING
            instants.setdefault((op.number, name), []).append(since)
    table = mechanism_table(record, breaker, operations, travels, instants, curves=curves)
    timing = timing_rows(record, breaker, operations, contacts)
    kept: list[dict[str, Any]] = []
    for k, op in enumerate(operations):
        motions = {m.name: motion_of(record, operations, k, travels.get(m.name)) for m in breaker.mechanisms}
        parts = parts_of(op, contacts.get(op.number, ()), motions)
        for row in timing:
            if row["scope"] == "interrupter" and row["operation"] == op.number:
                row |= parts.get(row["name"], {})
        for name, motion in motions.items():
            if motion is not None:
                last = [q for q in instants.get((op.number, name), ()) if isinstance(q, Quantity)]
                known = max((q.value for q in last), default=math.nan) if all(last) else math.nan
                kept += _curve(op, name, motion, known)
    gaps = [_gap(row) for row in timing if row["scope"] == "breaker" and row["operation"] != operations[0].number]
    commands = [min(o.reference_s.values()) for o in operations]
    sequence = sequence_of([o.kind for o in operations], gaps, commands)
    return Mechanical(table, frame(timing), _curve_frame(kept), sequence)


def _instant(op: Operation, mechanism: str, row: Mapping[str, Any]) -> Quantity:
    """The arcing contact's instant from voltage and current, on the record's clock; none where the test is at fault."""
    if any(r.startswith("setup:") for r in str(row.get("quality", "")).split(";")):
        return NOTHING
    value, u = float(row.get("arcing_contact_ms", math.nan)), float(row.get("arcing_contact_ms_u", math.nan))
    if not math.isfinite(value):
        return NOTHING
    # The feature counts from the reference, whose uncertainty is in it; on the record's clock the instant has none.
    own = math.sqrt(max(u**2 - (1e3 * reference_u(op, mechanism)) ** 2, 0.0)) if math.isfinite(u) else 0.0
    return Quantity(op.reference_s[mechanism] + 1e-3 * value, 1e-3 * own)


def _gap(row: Mapping[str, Any]) -> Quantity:
    for column in ("open_close_time_ms", "close_open_time_ms"):
        value = row.get(column, NOTHING)
        if isinstance(value, Quantity) and value:
            return value
    return NOTHING


def _curve(op: Operation, name: str, motion: Moved, contact_ms: float) -> list[dict[str, Any]]:
    curve = curve_of(motion, op.reference_s[name], contact_ms)
    # From the release until it has been at rest for as long as it moved: the rest says nothing more.
    far = np.flatnonzero(np.abs(motion.way_mm - motion.stroke_mm) > 0.01 * abs(motion.stroke_mm))
    end = float(curve.time_ms[far[-1]]) * 1.5 if far.size else float(curve.time_ms[-1])
    grid = np.arange(0.0, min(end, float(curve.time_ms[-1])), 1e3 * CURVE_STEP_S)
    mm = np.interp(grid, curve.time_ms, curve.travel_mm)
    return [
        {
            "operation": op.number,
            "kind": op.kind,
            "mechanism": name,
            "time_ms": float(t),
            "travel_mm": float(x),
            "contact_ms": contact_ms,
        }
        for t, x in zip(grid, mm, strict=True)
    ]


def _curve_frame(rows: list[dict[str, Any]]) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(rows, columns=["operation", "kind", "mechanism", "time_ms", "travel_mm", "contact_ms"])
