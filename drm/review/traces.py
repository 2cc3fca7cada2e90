"""Every trace of one reading at full resolution, over time or over travel, in as many columns as there are pixels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drm.review.columns import edges_along, extremes

if TYPE_CHECKING:
    from drm.pipeline import Reading, Seen
    from drm.record import Record

__all__ = ["AXES", "TRACES", "Sheet", "columns_of", "sheet_of"]

FloatArray = NDArray[np.float64]

TRACES = ("resistance_uohm", "voltage_v", "current_a", "travel_mm", "speed_m_s")
AXES = ("time", "travel")
#: Share of the injected current below which a resistance is not shown: the division would show noise alone.
LEAST_SHARE = 0.02


@dataclass(frozen=True, eq=False)
class Sheet:
    """The traces of one reading in the order in which they are drawn along one axis.

    Attributes
    ----------
    time_ms : ndarray, shape (n,)
        From the operation's reference; descending over travel where the breaker closes.
    x : ndarray, shape (n,)
        The axis itself, never descending.
    traces : dict
        Name -> values, shape (n,); travel and speed only where there is travel.
    """

    time_ms: FloatArray
    x: FloatArray
    traces: dict[str, FloatArray]


def sheet_of(seen: Seen, reading: Reading, axis: str) -> Sheet | None:
    """Traces of `reading` along 'time' or 'travel'; None over travel where there is none.

    Voltage and current are as recorded, turned positive: what the program masked or took for hum is seen in them. The
    resistance is their cleaned ratio beyond the contact's parting too, so that an instant set too early can be seen.
    """
    time, traces = reading.time_ms, _traces(seen, reading)
    if axis == "time":
        return Sheet(time, time, traces)
    if reading.travel_mm is None or not np.isfinite(reading.travel_mm).any():
        return None
    opening = reading.operation.kind == "open"
    # The furthest travel reached so far: noise at rest and rebound must not draw one stretch again and again.
    reached = (np.fmax if opening else np.fmin).accumulate(reading.travel_mm)
    order = slice(None) if opening else slice(None, None, -1)
    known = np.isfinite(reached[order])
    x = np.ascontiguousarray(reached[order][known], dtype=np.float64)
    return Sheet(time[order][known], x, {k: np.ascontiguousarray(v[order][known]) for k, v in traces.items()})


def _traces(seen: Seen, reading: Reading) -> dict[str, FloatArray]:
    record, who = seen.record, reading.interrupter
    begin = int(np.searchsorted(record.time_s, _start_s(reading)))
    window = slice(begin, begin + reading.time_ms.size)
    voltage = _on_clock(record, who.voltage, "V")[window]
    current = _on_clock(record, who.current, "A")[window]
    cleaned, amps = reading.voltage_v, reading.current_a
    enough = LEAST_SHARE * float(np.nanmax(np.abs(amps), initial=0.0))
    with np.errstate(invalid="ignore", divide="ignore"):
        ohm = np.where(np.abs(amps) > enough, 1e6 * cleaned / amps, np.nan)
    traces = {
        "resistance_uohm": ohm,
        "voltage_v": voltage * _sign(voltage, cleaned),
        "current_a": current * _sign(current, amps),
    }
    if reading.travel_mm is not None:
        traces["travel_mm"] = reading.travel_mm
        traces["speed_m_s"] = seen.movements[who.mechanism].pace_m_s[window]
    return traces


def _on_clock(record: Record, name: str, unit: str) -> FloatArray:
    """A channel as recorded, its own skew against the record's clock taken out."""
    channel = record.channel(name)
    values = channel.values(unit)
    return np.interp(record.time_s, record.time_s + channel.skew_s, values) if channel.skew_s else values


def _start_s(reading: Reading) -> float:
    reference = reading.operation.reference_s[reading.interrupter.mechanism]
    # Half a microsecond for the rounding of the way to milliseconds and back.
    return float(reading.time_ms[0]) * 1e-3 + reference - 5e-7


def _sign(raw: FloatArray, turned: FloatArray) -> float:
    """-1 where the program turned the trace round."""
    return -1.0 if float(np.nansum(raw * turned)) < 0 else 1.0


def columns_of(sheet: Sheet, low: float, high: float, columns: int) -> NDArray[np.float64]:
    """What is drawn between `low` and `high` on the axis.

    Returns
    -------
    ndarray, shape (2 + 2 * len(TRACES), m)
        Place and time of each column's first sample, then least and greatest value of each trace in the order of
        `TRACES`; NaN where there is none.
    """
    edges = edges_along(sheet.x, low, high, columns)
    out = np.full((2 + 2 * len(TRACES), max(edges.size - 1, 0)), np.nan)
    if edges.size < 2:
        return out
    out[0], out[1] = sheet.x[edges[:-1]], sheet.time_ms[edges[:-1]]
    for k, name in enumerate(TRACES):
        if name in sheet.traces:
            out[2 + 2 * k], out[3 + 2 * k] = extremes(sheet.traces[name], edges)
    return out
