"""One row per operation and mechanism: times, stroke, speed, coil, motor and auxiliary-contact figures."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Breaker, Mechanism
from drm.coils import bridged
from drm.contacts import auxiliary_changes
from drm.errors import RecordError
from drm.operations import Operation, coil_pulses
from drm.quantity import NOTHING, Quantity
from drm.record import Record
from drm.travel import Travel

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COLUMNS", "SPEED_ZONE", "mechanism_table"]

FloatArray = NDArray[np.float64]

#: Default zone of the mean speed, as shares of the stroke from the closed position. Makers state their own zones; this
#: one lies clear of both end positions. Common practice, no source.
SPEED_ZONE = (0.25, 0.75)

#: Standard uncertainty of the start of motion: the first quarter of a millimetre goes by so slowly that an encoder's
#: step hides some tenths of a millisecond.
MOTION_U_MS = 0.3

#: Columns after the identity: name -> whether it has a column of standard uncertainty beside it.
COLUMNS: dict[str, bool] = {
    "opening_time_ms": True,
    "closing_time_ms": True,
    "stroke_mm": True,
    "overtravel_mm": True,
    "rebound_mm": True,
    "speed_m_s": True,
    "coil_onset_s": True,
    "coil_peak_a": False,
    "coil_duration_ms": False,
    "auxiliary_a_ms": True,
    "auxiliary_b_ms": True,
    "motor_peak_a": False,
    "motor_duration_s": False,
}
_IDENTITY = ("record", "breaker", "operation", "kind", "mechanism", "reference")


def mechanism_table(
    record: Record,
    breaker: Breaker,
    operations: Sequence[Operation],
    travels: Mapping[str, Travel | None],
    instants: Mapping[tuple[int, str], Sequence[float]] | None = None,
    *,
    speed_zone: tuple[float, float] = SPEED_ZONE,
) -> pd.DataFrame:
    """Figures of every mechanism in every operation.

    Parameters
    ----------
    travels : mapping
        Mechanism -> its travel, None or absent where it has none.
    instants : mapping, optional
        (operation number, mechanism) -> arcing contacts' instants of its interrupters, ms from the reference.
    speed_zone : tuple of float
        Part of the stroke over which the mean speed is taken, shares of the stroke from the closed position.

    Returns
    -------
    DataFrame
        Identity `record, breaker, operation, kind, mechanism, reference`, then :data:`COLUMNS`, each with `NAME_u`
        (standard uncertainty, k = 1) where it is True. NaN where nothing can be measured.

    Notes
    -----
    Opening time: from the trip coil's onset until the arcing contacts have parted, closing time: from the close coil's
    onset until they touch, in every interrupter of the mechanism, so the last one counts (terms of IEC 62271-100,
    there for all poles of the breaker). Where no coil was recorded (`reference` is 'motion') both count from the start
    of motion and are shorter than the defined times.
    Stroke: between the rest positions before and after. Overtravel: how far the travel goes beyond the rest position
    that it ends in. Rebound: how far it comes back from there after the first overtravel.
    """
    import pandas as pd

    told = coil_pulses(record, breaker)
    rows: list[dict[str, object]] = []
    for k, op in enumerate(operations):
        following = operations[k + 1] if k + 1 < len(operations) else None
        for m in breaker.mechanisms:
            figures: dict[str, Quantity] = {}
            figures.update(_time(record, op, m.name, (instants or {}).get((op.number, m.name), ())))
            travel = travels.get(m.name)
            if travel is not None:
                until = op.stop_s if following is None else min(op.stop_s, following.reference_s[m.name])
                figures.update(_motion(record, breaker, op, travel, until, speed_zone))
            if op.reference[m.name] == "coil":
                for pulse, name, _ in told:
                    if name == m.name and pulse.onset_s == op.reference_s[name]:
                        figures["coil_onset_s"] = Quantity(pulse.onset_s, pulse.onset_u_s)
                        figures["coil_peak_a"] = Quantity(pulse.peak_a)
                        figures["coil_duration_ms"] = Quantity((pulse.stop_s - pulse.onset_s) * 1e3)
            figures.update(_auxiliary(record, op, m))
            figures.update(_motor(record, op, m))
            row: dict[str, object] = dict(
                zip(
                    _IDENTITY,
                    (record.name, breaker.name, op.number, op.kind, m.name, op.reference[m.name]),
                    strict=True,
                )
            )
            for column, has_u in COLUMNS.items():
                figure = figures.get(column, NOTHING)
                row[column] = figure.value
                if has_u:
                    row[f"{column}_u"] = figure.u
            rows.append(row)
    columns = list(_IDENTITY) + [c for n, has_u in COLUMNS.items() for c in ((n, f"{n}_u") if has_u else (n,))]
    return pd.DataFrame(rows, columns=columns)


def _time(record: Record, op: Operation, name: str, arcing_ms: Sequence[float]) -> dict[str, Quantity]:
    """Opening or closing time: the last of the arcing contacts' instants; none where one of them is not known."""
    values = np.asarray(list(arcing_ms), dtype=np.float64)
    if values.size == 0 or not bool(np.isfinite(values).all()):
        return {}
    # The instant lies between two samples, the onset is known far better than that.
    u = 1e3 / record.sample_rate_hz / math.sqrt(12.0)
    if op.reference[name] == "motion":
        u = math.hypot(u, MOTION_U_MS)
    return {"opening_time_ms" if op.kind == "open" else "closing_time_ms": Quantity(float(values.max()), u)}


def _motion(
    record: Record, breaker: Breaker, op: Operation, travel: Travel, until_s: float, zone: tuple[float, float]
) -> dict[str, Quantity]:
    """Stroke, overtravel, rebound and mean speed."""
    from scipy.ndimage import median_filter

    time = record.time_s
    begin = op.reference_s[travel.mechanism]
    inside = (time >= begin) & (time <= until_s)
    before = (time >= op.start_s) & (time < begin - (1e-3 if op.reference[travel.mechanism] == "motion" else 0.0))
    t, x = time[inside], travel.mm[inside]
    if int(np.isfinite(x).sum()) < 16:
        return {}
    t, x = t[np.isfinite(x)], np.asarray(median_filter(x[np.isfinite(x)], 3), dtype=np.float64)
    first = travel.mm[before]
    first = first[np.isfinite(first)]
    start = float(np.median(first)) if first.size >= 3 else float(x[0])
    rest = x[t > until_s - 0.25 * (until_s - begin)]
    stop = float(np.median(rest))
    toward = 1.0 if op.kind == "open" else -1.0
    stroke = toward * (stop - start)
    rel, u = breaker.instrument.travel_rel, math.sqrt(2.0) * travel.u_mm
    if stroke < max(1.0, 10.0 * travel.resolution_mm):
        return {"stroke_mm": Quantity(stroke, math.hypot(u, rel * stroke))}
    out = {"stroke_mm": Quantity(stroke, math.hypot(u, rel * stroke))}
    out["speed_m_s"] = _speed(t, toward * (x - start), stroke, zone, rel, travel.u_mm)
    # Still moving at the end of the window: where it comes to rest is not known.
    if float(np.ptp(rest)) < max(0.02 * stroke, 4.0 * travel.resolution_mm):
        beyond = toward * (x - stop)
        peak = int(np.argmax(beyond))
        over = max(0.0, float(beyond[peak]))
        back = max(0.0, -float(np.min(beyond[peak:])))
        out["overtravel_mm"] = Quantity(over, math.hypot(u, rel * over))
        out["rebound_mm"] = Quantity(back, math.hypot(u, rel * back))
    return out


def _speed(t: FloatArray, x: FloatArray, stroke: float, zone: tuple[float, float], rel: float, u_mm: float) -> Quantity:
    """Mean speed between two shares of the stroke: their distance over the time between the first crossings."""
    crossings = []
    for share in sorted((zone[0], zone[1])):
        over = np.flatnonzero(x >= share * stroke)
        if over.size == 0 or int(over[0]) == 0:
            return NOTHING
        crossings.append(_crossing(t, x, int(over[0]), share * stroke))
    duration, distance = crossings[1] - crossings[0], abs(zone[1] - zone[0]) * stroke
    if not duration > 0.0:
        return NOTHING
    value = distance / duration * 1e-3
    return Quantity(value, value * math.hypot(rel, math.sqrt(2.0) * u_mm / distance))


def _crossing(t: FloatArray, x: FloatArray, k: int, level: float) -> float:
    """Instant at which `x` passes `level` near sample `k`: a line through the samples about it, past encoder steps."""
    a, b = max(0, k - 4), min(t.size, k + 4)
    slope, offset = np.polyfit(t[a:b] - t[k], x[a:b] - level, 1)
    if slope <= 0.0:
        return float(t[k])
    return float(t[k]) + min(max(-float(offset / slope), float(t[a] - t[k])), float(t[b - 1] - t[k]))


def _auxiliary(record: Record, op: Operation, mechanism: Mechanism) -> dict[str, Quantity]:
    """First change of each auxiliary contact towards the operation's kind, ms from the reference."""
    out: dict[str, Quantity] = {}
    begin = op.reference_s[mechanism.name]
    for role in mechanism.auxiliary:
        only = Mechanism(mechanism.name, auxiliary={role: mechanism.auxiliary[role]})
        at = [
            c.at_s for c in auxiliary_changes(record, only) if c.kind == op.kind and op.start_s <= c.at_s <= op.stop_s
        ]
        if at and role in ("a", "b"):
            step_ms = 1e3 / record.sample_rate_hz
            # Somewhere between the last sample of the old state and the first of the new.
            out[f"auxiliary_{role}_ms"] = Quantity((at[0] - begin) * 1e3 - 0.5 * step_ms, step_ms / math.sqrt(12.0))
    return out


def _motor(record: Record, op: Operation, mechanism: Mechanism) -> dict[str, Quantity]:
    """Peak (inrush) and running time of the spring-charging motor within the operation's window."""
    if mechanism.motor is None:
        return {}
    channel = record.channel(mechanism.motor)
    try:
        amps = np.abs(bridged(channel.values("A")))
    except RecordError:
        return {}
    inside = (record.time_s >= op.start_s) & (record.time_s <= op.stop_s)
    if int(inside.sum()) < 8:
        return {}
    x, t = amps[inside], record.time_s[inside]
    # Half a line period hides the ripple of a rectified or alternating current.
    many = max(1, round(record.sample_rate_hz / 100.0))
    level = np.sqrt(np.convolve(x**2, np.ones(many) / many, mode="same"))
    quiet = float(np.percentile(level, 5.0))
    on = np.flatnonzero(level > max(0.1, 0.2 * float(level.max()), 5.0 * quiet))
    if on.size == 0:
        return {}
    return {
        "motor_peak_a": Quantity(float(np.percentile(x[on], 99.9))),
        "motor_duration_s": Quantity(float(t[on[-1]] - t[on[0]])),
    }
