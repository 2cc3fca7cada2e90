"""One row per operation and mechanism: times, stroke, speed, coil, motor and auxiliary-contact figures."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from drm.auxiliary import auxiliary_of
from drm.auxiliary import figures as auxiliary_figures
from drm.breaker import Breaker, Mechanism
from drm.breaker_times import reference_u
from drm.coil_shape import shape_of
from drm.coils import Pulse
from drm.contact_state import Switched
from drm.envelope import Curve, departure, load_reference
from drm.errors import RecordError
from drm.kept import kept
from drm.mechanism_columns import COLUMNS, WORDS
from drm.motor import MotorRun, motor_runs
from drm.operations import Operation, coil_pulses
from drm.quantity import NOTHING, Quantity
from drm.record import Record
from drm.stroke import SPEED_ZONE, Moved, figures, moved, start_of, zone_words
from drm.travel import Travel
from drm.travel_faults import travel_faults

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COLUMNS", "SPEED_ZONE", "curve_of", "mechanism_table", "motion_of"]

_IDENTITY = ("record", "breaker", "operation", "kind", "mechanism", "reference")


def mechanism_table(
    record: Record,
    breaker: Breaker,
    operations: Sequence[Operation],
    travels: Mapping[str, Travel | None],
    instants: Mapping[tuple[int, str], Sequence[float | Quantity]] | None = None,
    *,
    speed_zone: tuple[float, float] = SPEED_ZONE,
    curves: Mapping[tuple[str, str, str], Curve] | None = None,
) -> pd.DataFrame:
    """Figures of every mechanism in every operation.

    Parameters
    ----------
    travels : mapping
        Mechanism -> its travel, None or absent where it has none.
    instants : mapping, optional
        (operation number, mechanism) -> arcing contacts' instants of its interrupters, ms from the reference; a plain
        number is known to half a sample.
    speed_zone : tuple of float
        Part of the stroke over which the mean speed is taken where the breaker file names no zone, shares of the
        stroke from the closed position.
    curves : mapping, optional
        (mechanism, kind, operations before it in the record, such as ``OC``) -> an earlier test's travel curve, for
        mechanisms whose breaker file names none.

    Returns
    -------
    DataFrame
        Identity `record, breaker, operation, kind, mechanism, reference`, then :data:`COLUMNS`, each with `NAME_u`
        (standard uncertainty, k = 1) where it is True, the named speed zones of the breaker file, and words. NaN where
        nothing can be measured.

    Raises
    ------
    BreakerError
        If a reference travel curve that the breaker file names cannot be read.

    Notes
    -----
    Opening time: from the trip coil's onset until the arcing contacts have parted, closing time: from the close coil's
    onset until they touch, in every interrupter of the mechanism, so the last one counts (terms of IEC 62271-100,
    there for all poles of the breaker). Where no coil was recorded (`reference` is 'motion') both count from the start
    of motion and are shorter than the defined times.
    """
    import pandas as pd

    told = coil_pulses(record, breaker)
    references = {
        m.name: load_reference(m.reference_travel, m.name) for m in breaker.mechanisms if m.reference_travel is not None
    }
    named = sorted({f"speed_{z.name}_m_s" for m in breaker.mechanisms for z in m.speed_zones if z.name})
    columns = COLUMNS | dict.fromkeys(named, True)
    runs = {m.name: _motor_runs(record, breaker, m) for m in breaker.mechanisms}
    rows: list[dict[str, object]] = []
    sample_ms = 1e3 / record.sample_rate_hz
    for k, op in enumerate(operations):
        for m in breaker.mechanisms:
            found: dict[str, Quantity] = {}
            words = dict.fromkeys(WORDS, "")
            known = (instants or {}).get((op.number, m.name), ())
            contact = _last(record, known)
            found |= _time(op, m.name, contact)
            motion = motion_of(record, operations, k, travels.get(m.name))
            travel = travels.get(m.name)
            if motion is not None and travel is not None:
                found |= figures(
                    motion,
                    travel,
                    record.time_s,
                    rel=breaker.instrument.travel_rel,
                    zones=m.speed_zones,
                    share=speed_zone,
                    damping=m.damping,
                )
                found |= _started(op, m.name, motion)
                words["speed_zone"] = zone_words(m.speed_zones, op.kind)
                words["travel_flags"] = ";".join(travel_faults(motion))
                before = "".join("O" if o.kind == "open" else "C" for o in operations[:k])
                earlier = (curves or {}).get((m.name, op.kind, before))
                reference = references[m.name].get(op.kind) if m.name in references else earlier
                if reference is not None:
                    found |= _enveloped(breaker, op, m.name, motion, contact, reference)
            changes = auxiliary_of(record, m, op)
            coil, words["coil_cut_by"] = _coil(record, breaker, op, m, told, changes)
            found |= coil
            begin = op.reference_s[m.name]
            at = Quantity(begin + 1e-3 * contact.value, 1e-3 * contact.u) if contact else NOTHING
            found |= auxiliary_figures(changes, Quantity(begin, reference_u(op, m.name)), at)
            found |= _motor(runs[m.name], operations, k, m.name)
            row: dict[str, object] = dict(
                zip(
                    _IDENTITY,
                    (record.name, breaker.name, op.number, op.kind, m.name, op.reference[m.name]),
                    strict=True,
                )
            )
            for column, has_u in columns.items():
                figure = found.get(column, NOTHING)
                row[column] = figure.value
                if has_u:
                    row[f"{column}_u"] = figure.u
            rows.append(row | words | {"sample_ms": sample_ms})
    head = list(_IDENTITY) + [c for n, has_u in columns.items() for c in ((n, f"{n}_u") if has_u else (n,))]
    return pd.DataFrame(rows, columns=[*head, *WORDS, "sample_ms"])


@kept
def motion_of(record: Record, operations: Sequence[Operation], number: int, travel: Travel | None) -> Moved | None:
    """The motion of one mechanism in the `number`-th operation (from 0); it ends where the next one begins."""
    if travel is None:
        return None
    op, name = operations[number], travel.mechanism
    following = operations[number + 1] if number + 1 < len(operations) else None
    until = op.stop_s if following is None else min(op.stop_s, following.reference_s[name])
    return moved(
        record.time_s,
        travel,
        op.kind,
        start_s=op.start_s,
        reference_s=op.reference_s[name],
        until_s=until,
        coil=op.reference[name] == "coil",
    )


def curve_of(motion: Moved, reference_s: float, contact_ms: float = math.nan) -> Curve:
    """A motion as a curve from its reference: travel from the closed position over ms."""
    sign = 1.0 if motion.kind == "open" else -1.0
    return Curve(motion.kind, 1e3 * (motion.time_s - reference_s), motion.begin_mm + sign * motion.way_mm, contact_ms)


def _last(record: Record, known: Sequence[float | Quantity]) -> Quantity:
    """The last of the arcing contacts' instants, ms from the reference; NOTHING where one of them is not known."""
    half = 1e3 / record.sample_rate_hz / math.sqrt(12.0)
    points = [q if isinstance(q, Quantity) else Quantity(float(q), half) for q in known]
    if not points or not all(points):
        return NOTHING
    return max(points, key=lambda q: q.value)


def _time(op: Operation, name: str, contact: Quantity) -> dict[str, Quantity]:
    if not contact:
        return {}
    u = math.hypot(contact.u, 1e3 * reference_u(op, name))
    return {"opening_time_ms" if op.kind == "open" else "closing_time_ms": Quantity(contact.value, u)}


def _started(op: Operation, name: str, motion: Moved) -> dict[str, Quantity]:
    """Start of motion from the coil's onset; without a coil it is the reference itself."""
    start = start_of(motion)
    if op.reference[name] != "coil" or not start:
        return {}
    u = math.hypot(start.u, reference_u(op, name))
    return {"motion_start_ms": Quantity(1e3 * (start.value - op.reference_s[name]), 1e3 * u)}


def _enveloped(
    breaker: Breaker, op: Operation, name: str, motion: Moved, contact: Quantity, reference: Curve
) -> dict[str, Quantity]:
    # Laid over at the contacts where both tests know them, else at the release.
    at_contact = bool(contact) and math.isfinite(reference.contact_ms)
    got = departure(
        curve_of(motion, op.reference_s[name], contact.value),
        reference,
        rel=breaker.instrument.travel_rel,
        u_mm=motion.u_mm,
        contact_u_ms=contact.u if at_contact else 1e3 * reference_u(op, name),
    )
    return {"envelope_above_percent": got.above_percent, "envelope_below_percent": got.below_percent}


def _coil(
    record: Record,
    breaker: Breaker,
    op: Operation,
    m: Mechanism,
    told: Sequence[tuple[object, str, str]],
    changes: Mapping[str, Switched],
) -> tuple[dict[str, Quantity], str]:
    out: dict[str, Quantity] = {}
    begin = op.reference_s[m.name]
    if op.reference[m.name] != "coil":
        return out, ""
    opening = op.kind == "open"
    channel = m.trip_coil if opening else m.close_coil
    for pulse, name, kind in told:
        if not isinstance(pulse, Pulse) or name != m.name or kind != op.kind or pulse.onset_s != begin:
            continue
        out["coil_onset_s"] = Quantity(pulse.onset_s, pulse.onset_u_s)
        out["coil_peak_a"] = Quantity(pulse.peak_a, breaker.instrument.current_gain_rel * pulse.peak_a)
        out["coil_duration_ms"] = _since(Quantity(pulse.stop_s, pulse.stop_u_s), pulse)
        if channel is None:
            continue
        try:
            shape = shape_of(
                record,
                channel,
                pulse,
                voltage=m.trip_coil_voltage if opening else m.close_coil_voltage,
                current_rel=breaker.instrument.current_gain_rel,
                voltage_rel=breaker.instrument.voltage_gain_rel,
            )
        except RecordError:
            # A shunt's voltage tells instants, but no amperes.
            continue
        out |= {
            "coil_peak_a": shape.peak_a or out["coil_peak_a"],
            "armature_start_ms": _since(shape.armature_start_s, pulse),
            "armature_stop_ms": _since(shape.armature_stop_s, pulse),
            "coil_plateau_a": shape.plateau_a,
            "coil_voltage_v": shape.voltage_v,
            "coil_resistance_ohm": shape.resistance_ohm,
            "coil_cut_ms": _since(shape.cut_s, pulse),
        }
        return out, _cut_by(shape.cut_s, changes, opening)
    return out, ""


def _since(q: Quantity, pulse: Pulse) -> Quantity:
    """An instant counted from a pulse's onset, ms."""
    return Quantity(1e3 * (q.value - pulse.onset_s), 1e3 * math.hypot(q.u, pulse.onset_u_s)) if q else NOTHING


def _cut_by(cut: Quantity, changes: Mapping[str, Switched], opening: bool) -> str:
    """'auxiliary' where the contact in series with the coil changed at the cut: a with the trip coil, b with the close
    coil; 'other' where it changed elsewhere; empty where it is not recorded.
    """
    from drm.coil_shape import SAME_S

    change = changes.get("a" if opening else "b")
    if not cut or change is None or not change.first_s:
        return ""
    return "auxiliary" if abs(change.first_s.value - cut.value) <= SAME_S else "other"


def _motor_runs(record: Record, breaker: Breaker, m: Mechanism) -> tuple[MotorRun, ...]:
    if m.motor is None:
        return ()
    try:
        return motor_runs(
            record,
            m.motor,
            voltage=m.motor_voltage,
            current_rel=breaker.instrument.current_gain_rel,
            voltage_rel=breaker.instrument.voltage_gain_rel,
        )
    except RecordError:
        return ()


def _motor(runs: Sequence[MotorRun], operations: Sequence[Operation], k: int, name: str) -> dict[str, Quantity]:
    """The first run that begins in the operation, or was under way when the record began."""
    begin = operations[k].reference_s[name] if k else -np.inf
    end = operations[k + 1].reference_s[name] if k + 1 < len(operations) else np.inf
    for run in runs:
        if begin <= run.begin_s < end:
            return {
                "motor_peak_a": run.peak_a,
                "motor_running_a": run.running_a,
                "motor_duration_s": run.duration_s,
                "motor_energy_j": run.energy_j,
            }
    return {}
