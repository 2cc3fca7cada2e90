"""Pre-insertion (closing) resistor: when its contact touches, how long before the arcing contact, and its value."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Interrupter
from drm.coils import bridged
from drm.contact_state import state_of, switched
from drm.contacts import PARTED_VOLT
from drm.median import median
from drm.quantity import NOTHING, Quantity
from drm.record import Channel, Record

__all__ = ["NO_RESISTOR", "Insertion", "insertion"]

FloatArray = NDArray[np.float64]
#: Shortest insertion that is told from the touch itself, s, and least change of level in its own standard deviations.
LEAST_S, LEAST_SIGMA = 1e-3, 8.0


@dataclass(frozen=True)
class Insertion:
    """A resistor's part in one closing.

    Attributes
    ----------
    at_s : Quantity
        Instant at which its contact touches, on the record's clock.
    duration_ms : Quantity
        From there to the arcing contact's touch.
    ohm : Quantity
        Its value, where voltage and current both show it.
    source : str
        'state', 'voltage', 'current' or empty where nothing shows a resistor.
    """

    at_s: Quantity = NOTHING
    duration_ms: Quantity = NOTHING
    ohm: Quantity = NOTHING
    source: str = ""


NO_RESISTOR = Insertion()


def insertion(
    record: Record, interrupter: Interrupter, start_s: float, touch_s: Quantity, *, gain_rel: float = 0.0
) -> Insertion:
    """The pre-insertion resistor of one interrupter in one closing.

    Told by its contact's state channel where there is one, else by the step that voltage or current make before the
    arcing contact touches: the open gap shows the source's voltage and no current, the resistor what it leaves of the
    one and lets through of the other.

    Parameters
    ----------
    start_s : float
        Where the operation's part of the record begins, the contact being open.
    touch_s : Quantity
        Touch of the arcing contact.
    gain_rel : float
        Standard relative uncertainty of V/I.

    Notes
    -----
    Hundreds of ohms (400-1500) for about 10 ms: open literature, orientation.
    """
    if not touch_s:
        return NO_RESISTOR
    volts, amps = (
        (record.channel(interrupter.voltage), record.channel(interrupter.current))
        if interrupter.voltage
        else (None, None)
    )
    at, source = NOTHING, ""
    if interrupter.resistor_state is not None:
        channel = record.channel(interrupter.resistor_state)
        state = state_of(channel)
        if state is not None:
            at = switched(record.time_s + channel.skew_s, state, 1, start_s, touch_s.value).first_s
            source = "state" if at else ""
    if not at and volts is not None and amps is not None:
        found = [
            (*_step(record, channel, unit, start_s, touch_s.value), source)
            for channel, unit, source in ((volts, "V", "voltage"), (amps, "A", "current"))
        ]
        strength, at, source = max(found, key=lambda f: f[0])
        if not at or strength < LEAST_SIGMA:
            return NO_RESISTOR
    if not at or touch_s.value - at.value < LEAST_S:
        return NO_RESISTOR
    duration = Quantity(1e3 * (touch_s.value - at.value), 1e3 * math.hypot(touch_s.u, at.u))
    ohm = NOTHING
    if volts is not None and amps is not None:
        ohm = _value(record, volts, amps, start_s, at.value, touch_s.value, gain_rel)
    return Insertion(at, duration, ohm, source)


def _inside(
    record: Record, channel: Channel, unit: str, start_s: float, stop_s: float
) -> tuple[FloatArray, FloatArray]:
    time = record.time_s + channel.skew_s
    a, b = (int(v) for v in np.searchsorted(time, [start_s, stop_s]))
    return time[a:b], bridged(channel.values(unit)[a:b])


def _step(record: Record, channel: Channel, unit: str, start_s: float, touch_s: float) -> tuple[float, Quantity]:
    """Strongest single change of level before the touch: its size in standard deviations, and its instant.

    Two levels are fitted by least squares; the last samples before the touch are left out, since a filter smears it.
    """
    step = 1.0 / record.sample_rate_hz
    time, x = _inside(record, channel, unit, start_s, touch_s - max(3.0 * step, 0.2e-3))
    least = max(4, math.ceil(LEAST_S / step))
    n = x.size
    if n < 4 * least:
        return 0.0, NOTHING
    sums = np.cumsum(x)
    k = np.arange(least, n - least // 2)
    first, second = sums[k - 1] / k, (sums[-1] - sums[k - 1]) / (n - k)
    gain = k * (n - k) / n * (first - second) ** 2
    best = int(np.argmax(gain))
    cut, apart = int(k[best]), float(second[best] - first[best])
    left, right = x[:cut], x[cut:]
    # Noise from sample to sample, and the channel's own step: a constant channel has neither.
    sigma = max(
        1.4826 * median(np.abs(np.diff(x))) / math.sqrt(2.0),
        abs(channel.resolution) * channel_factor(channel, unit) / math.sqrt(12.0),
        1e-12,
    )
    wander = 1.4826 * max(median(np.abs(left - median(left))), median(np.abs(right - median(right))))
    strength = abs(apart) / max(sigma / math.sqrt(min(cut, n - cut)), 0.5 * wander, 1e-12)
    u = step * math.sqrt(1.0 / 12.0 + 2.0 * (sigma / max(abs(apart), 1e-12)) ** 2)
    return strength, Quantity(float(time[cut]) - 0.5 * step, u)


def channel_factor(channel: Channel, unit: str) -> float:
    """What one unit of the channel is in `unit`."""
    from drm.units import factor

    return factor(channel.unit, unit, channel=channel.name)


def _value(
    record: Record, volts: Channel, amps: Channel, start_s: float, at_s: float, touch_s: float, gain_rel: float
) -> Quantity:
    """Voltage over current while the resistor alone conducts; NOTHING where one of the two does not show it."""
    step = 1.0 / record.sample_rate_hz
    margin = max(3.0 * step, 0.1 * (touch_s - at_s))
    levels: list[tuple[float, float]] = []
    for channel, unit in ((volts, "V"), (amps, "A")):
        _, x = _inside(record, channel, unit, at_s + margin, touch_s - margin)
        if x.size < 4:
            return NOTHING
        low, high = (limit * channel_factor(channel, unit) for limit in channel.limits)
        if unit == "V" and (float(np.max(x)) >= 0.98 * high or float(np.min(x)) <= 0.98 * low):
            # A channel at its ceiling does not show the voltage.
            return NOTHING
        level, u = float(np.mean(x)), float(np.std(x, ddof=1)) / math.sqrt(x.size)
        if unit == "A":
            # The open gap before carries nothing: what is read there is the channel's offset.
            _, before = _inside(record, channel, unit, start_s, at_s - margin)
            if before.size < 4:
                return NOTHING
            level -= float(np.mean(before))
            u = math.hypot(u, float(np.std(before, ddof=1)) / math.sqrt(before.size))
        u = math.hypot(u, abs(channel.resolution) * channel_factor(channel, unit) / math.sqrt(12.0 * x.size))
        levels.append((abs(level), u))
    (v, u_v), (i, u_i) = levels
    if v < PARTED_VOLT / 10.0 or i < 5.0 * u_i or i <= 0.0:
        return NOTHING
    value = v / i
    return Quantity(value, value * math.sqrt((u_v / v) ** 2 + (u_i / i) ** 2 + gain_rel**2))
