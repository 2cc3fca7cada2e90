"""From a record's channels to the clean trace of one interrupter over one operation."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Instrument, Interrupter
from drm.denoise import Hum, fit_hum, impulses, noise_sigma
from drm.masking import stray_samples
from drm.median import nanmedian
from drm.offset import offset_of
from drm.operations import Operation
from drm.record import Channel, Record
from drm.resistance import Trace
from drm.units import factor

__all__ = ["Unusable", "trace_of"]

FloatArray = NDArray[np.float64]

#: Least injected current, A, at which a micro-ohm contact gives a voltage worth reading at all.
LEAST_CURRENT = 10.0
#: A contact that reads more than this at rest is not closed, or the loop is not what the breaker file says.
LARGEST_CLOSED_OHM = 5e-3
#: Longest stretch at rest that is fitted, s.
REST = 0.1
#: What may be a voltage channel's offset at the most, V; more across a contact without current is a source's voltage.
LARGEST_OFFSET_V = 20e-3


@dataclass(frozen=True)
class Unusable:
    """A trace from which nothing can be read, and why, in words."""

    reason: str


def _on_clock(record: Record, channel: Channel, unit: str, window: slice) -> FloatArray:
    """Samples of a channel in `unit`, on the record's clock: the channel's own skew taken out."""
    to = factor(channel.unit, unit, channel=channel.name)
    if not channel.skew_s:
        return np.asarray(channel.samples[window] * to, dtype=np.float64)
    values = np.interp(record.time_s[window], record.time_s + channel.skew_s, channel.samples)
    return np.asarray(values * to, dtype=np.float64)


def _ceiling(channel: Channel, samples: FloatArray, unit_factor: float) -> float:
    """Voltage at which the channel saturates: its stated limit, or a greatest value that repeats; else infinite."""
    finite = np.abs(samples[np.isfinite(samples)])
    if finite.size == 0:
        return float("inf")
    top = float(finite.max())
    stated = max(abs(channel.limits[0]), abs(channel.limits[1])) * unit_factor
    at_top = int(np.count_nonzero(finite >= top * (1 - 1e-9) - 1e-12))
    reached = np.isfinite(stated) and top >= 0.999 * stated
    return top if reached or (at_top >= 5 and top > 0.05) else float("inf")


def _rest(record: Record, operation: Operation, time: FloatArray, current: FloatArray, reference_s: float) -> slice:
    """Samples at rest with the contact closed: before an opening's command, or at the end of a closing's window."""
    if operation.kind == "open":
        stop = int(np.searchsorted(time, reference_s))
        start = int(np.searchsorted(time, reference_s - REST))
        return slice(max(0, min(start, stop - 8)), max(stop, min(8, time.size)))
    top = float(np.nanmax(np.abs(current))) if np.isfinite(current).any() else 0.0
    flowing = np.flatnonzero(np.abs(current) > 0.5 * top)
    first = int(flowing[0]) if flowing.size else 0
    # A closing's contact still slides and rebounds after touch: only the last part of its window is at rest.
    length = min(int(np.searchsorted(time, time[0] + REST)), (time.size - first) // 3)
    return slice(time.size - max(length, min(8, time.size)), time.size)


def trace_of(
    record: Record,
    interrupter: Interrupter,
    operation: Operation,
    *,
    frequency_hz: float,
    offset_u_v: float = Instrument.voltage_offset_v,
) -> tuple[Trace, Hum] | Unusable:
    """Voltage and current of one interrupter over one operation: on one clock, positive, impulses masked, hum removed.

    Parameters
    ----------
    record : Record
    interrupter : Interrupter
        Its channels must exist and read in V and A.
    operation : Operation
    frequency_hz : float
        Nominal line frequency for the hum.
    offset_u_v : float
        What is known of the voltage channel's offset beforehand, standard uncertainty about zero: an offset measured
        in a stretch without current is used where it says more, or stands clear of zero.

    Returns
    -------
    (Trace, Hum) or Unusable
        The second with the reason in words where nothing can be read.
    """
    window = slice(
        int(np.searchsorted(record.time_s, operation.start_s - 1e-9)),
        int(np.searchsorted(record.time_s, operation.stop_s + 1e-9)),
    )
    time = record.time_s[window]
    if not interrupter.voltage:
        return Unusable("only the contact's state was recorded: no resistance can be measured")
    u_channel, i_channel = record.channel(interrupter.voltage), record.channel(interrupter.current)
    voltage = _on_clock(record, u_channel, "V", window)
    current = _on_clock(record, i_channel, "A", window)
    if time.size < 32:
        return Unusable("the operation's window is shorter than 32 samples")
    missing = ~(np.isfinite(voltage) & np.isfinite(current))
    if missing.mean() > 0.2:
        return Unusable(f"{missing.sum()} of {missing.size} samples are missing")
    rest = _rest(record, operation, time, current, operation.reference_s[interrupter.mechanism])
    closed_v, closed_i = nanmedian(voltage[rest]), nanmedian(current[rest])
    if not abs(closed_i) >= LEAST_CURRENT:
        return Unusable(f"no current is injected while the contact is closed ({abs(closed_i):.1f} A at rest)")
    volts = factor(u_channel.unit, "V", channel=u_channel.name)
    offset, offset_u = _offset(record, u_channel, i_channel, abs(closed_i), frequency_hz)
    measured = offset_u < offset_u_v or abs(offset) > 3.0 * offset_u
    if measured:
        voltage, closed_v = voltage - offset, closed_v - offset
    voltage, current = voltage * (np.sign(closed_v) or 1.0), current * np.sign(closed_i)
    ceiling = _ceiling(u_channel, voltage, volts)
    if abs(closed_v) >= 0.98 * ceiling:
        return Unusable(
            "the voltage channel is at its ceiling while the contact is closed: lead off or range too small"
        )
    if abs(closed_v / closed_i) > LARGEST_CLOSED_OHM:
        return Unusable(
            f"the contact reads {1e6 * abs(closed_v / closed_i):.0f} uOhm at rest: not closed, a loose clamp, or "
            "not the channels that belong together"
        )
    step_v = u_channel.resolution * volts
    sigma = noise_sigma(voltage[rest], resolution=step_v)
    if abs(closed_v) < 0.5e-6 * abs(closed_i):
        return Unusable("the voltage channel shows nothing while current flows: a sense lead is off or shorted")
    masked = impulses(voltage[rest], sigma=max(sigma, 1e-7))
    voltage[rest] = np.where(masked, np.nan, voltage[rest])
    hum = fit_hum(time[rest], voltage[rest], current[rest], frequency_hz=frequency_hz, resolution_v=step_v)
    # What stands at the channel's ceiling is a state and no reading: it keeps its value.
    below = np.abs(voltage) < 0.98 * ceiling
    clean = voltage.copy()
    clean[below] -= hum.at(time[below])
    sigma = max(sigma, hum.sigma_v, 1e-7) if np.isfinite(hum.sigma_v) else max(sigma, 1e-7)
    trace = Trace(time, clean, current, operation.kind, rest, abs(closed_i), sigma, ceiling)
    stray = stray_samples(
        clean, current, rest, kind=operation.kind, closed_ohm=hum.resistance_ohm, sigma_v=sigma, step_s=trace.step_s
    )
    clean[stray] = np.nan
    return trace, replace(hum, offset_v=offset, offset_u_v=offset_u) if measured else hum


def _offset(
    record: Record, voltage: Channel, current: Channel, injected_a: float, frequency: float
) -> tuple[float, float]:
    """Offset of a voltage channel in V, sensor's own sense, and its uncertainty; NaN where the record cannot tell."""
    volts = factor(voltage.unit, "V", channel=voltage.name)
    amps = factor(current.unit, "A", channel=current.name)
    offset, u = offset_of(
        record.time_s,
        voltage.samples,
        current.samples,
        injected_a=injected_a / amps,
        largest_v=LARGEST_OFFSET_V / volts,
        frequency_hz=frequency,
        resolution_v=voltage.resolution,
    )
    return offset * volts, u * volts
