"""Where the last metallic contact is lost (opening) or the first gained (closing), judged in volts and current.

Above about 1.1 V nothing metallic is touching at any current (U^2 = 4 L (Tm^2 - T0^2) with tungsten's melting point;
Holm, *Electric Contacts*).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.median import nanmedian
from drm.quantity import NOTHING, Quantity
from drm.resistance import METALLIC_VOLT, Trace

__all__ = ["DELAY", "DELAY_U", "Parted", "departure", "earlier_touch", "gain", "loss", "parted_state"]

FloatArray = NDArray[np.float64]

#: What the chain's filter and the sampling delay a sudden change by, in samples, and its standard uncertainty: between
#: none and one, all alike likely.
DELAY, DELAY_U = 0.5, 0.29
#: Standard uncertainty of an instant known to lie between two samples, in samples: 1 / sqrt(12).
BETWEEN = 0.29
#: How long before the touch that the voltage shows a bouncing contact may have touched first, s.
BOUNCE_S = 2e-3
#: What a touch that is over within a sample leaves of the parted voltage at the most.
DIP = 0.8
#: Samples that tell the level of a stretch as well as all of them.
ENOUGH = 2000


@dataclass(frozen=True)
class Parted:
    """How an interrupter looks when it has parted.

    Attributes
    ----------
    threshold_v : float
        Between metal and parted.
    voltage_v : float
    loop_ohm : float
        Earth loop in parallel, infinite without one.
    loop_u_rel : float
        Relative standard uncertainty of its conductance.
    """

    threshold_v: float
    voltage_v: float
    loop_ohm: float = math.inf
    loop_u_rel: float = 0.0


def parted_state(trace: Trace, order: slice) -> Parted:
    """How the parted contact shows, from the end of the trace's window in order of opening.

    Where current goes on flowing past it, an earth loop carries that, and its resistance follows. Where that loop's
    voltage is above the channel's ceiling, its conductance lies between none and what the ceiling allows, all alike
    likely.
    """
    # Short: a record may end soon after the loss.
    tail = min(max(8, trace.time_s.size // 200), ENOUGH)
    volts, amps = trace.voltage_v[order][-tail:], trace.current_a[order][-tail:]
    voltage, current = nanmedian(volts), nanmedian(amps)
    threshold = min(METALLIC_VOLT, 0.9 * trace.ceiling_v)
    closed = nanmedian(trace.voltage_v[trace.rest][:ENOUGH])
    if not (current > 0.5 * trace.injected_a and voltage > 5.0 * closed):
        return Parted(threshold, voltage)
    if voltage < 0.98 * trace.ceiling_v:
        # A median has 1.25 times the uncertainty of a mean; what the source ripples by cancels in the ratio.
        scatter = 1.4826 * nanmedian(np.abs(volts - voltage * amps / current))
        u = 1.25 * scatter / voltage / math.sqrt(tail)
        return Parted(min(threshold, 0.6 * voltage), voltage, voltage / current, u)
    return Parted(threshold, voltage, 2.0 * voltage / current, 1.0 / math.sqrt(3.0))


def loss(time: FloatArray, voltage: FloatArray, last: int, threshold: float, level_v: float) -> Quantity:
    """Instant of the last loss on opening.

    A momentary part-separation often runs into the loss, so the start of the rise says less than the passage through
    `threshold`, the voltage that no metal bears. Where a sample was caught on the way up, the chain's filter has spread
    the rise, and half a sample is taken off for it, half a sample more or less. Where none was, the loss lies between
    the last metallic sample and the next.
    """
    if last + 1 >= voltage.size:
        return NOTHING
    step = float(time[last + 1] - time[last])
    low, high = float(voltage[last]), float(voltage[last + 1])
    if not low > 2.0 * level_v:
        return Quantity(float(time[last]) + 0.5 * (1.0 - DELAY) * step, math.hypot(BETWEEN, DELAY_U) * step)
    share = (threshold - low) / (high - low) if np.isfinite(high - low) and high > threshold > low else 0.5
    return Quantity(float(time[last]) + (share - DELAY) * step, math.hypot(BETWEEN, DELAY_U) * step)


def gain(time: FloatArray, voltage: FloatArray, current: FloatArray, last: int, ceiling_v: float) -> Quantity:
    """Instant of the first gain on closing, on arrays turned round: where the voltage leaves the parted state.

    The parted state is quiet, so the departure shows before the filter has passed it. A voltage at its ceiling shows it
    late, and a touch shorter than a sample may not show in it at all; then the current shows it first: the earliest is
    taken.
    """
    if last + 1 >= voltage.size:
        return NOTHING
    step = float(abs(time[last] - time[last + 1]))
    found = [departure(time, voltage, last)]
    if nanmedian(voltage[last + 1 : last + 1 + ENOUGH]) > 0.98 * ceiling_v:
        found.append(departure(time, current, last))
    found.append(_first_current(time, current, last, step))
    known = [t for t in found if np.isfinite(t)]
    return Quantity(min(known), math.hypot(BETWEEN, DELAY_U) * step) if known else NOTHING


def earlier_touch(voltage: FloatArray, last: int, threshold: float, step_s: float) -> int:
    """First touch of a bouncing contact, on arrays turned round: single samples shortly before the first sure one.

    A touch that is over within a sample shows in one, as an impulse does, and not whole where the chain's filter is
    slow. Where the parted state before it has none, it was a touch.
    """
    threshold = max(threshold, DIP * nanmedian(voltage[last + 1 : last + 1 + ENOUGH]))
    near = voltage[last + 1 : last + 1 + math.ceil(BOUNCE_S / step_s)]
    before = voltage[last + 1 + near.size : last + 1 + near.size + ENOUGH]
    with np.errstate(invalid="ignore"):
        if before.size < 8 or bool((before < threshold).any()):
            return last
        touching = np.flatnonzero(near < threshold)
    return last + 1 + int(touching[-1]) if touching.size else last


def _first_current(time: FloatArray, current: FloatArray, last: int, step_s: float) -> float:
    """Where a current begins that flowed before the touch which the voltage shows: a bounce was missed; or NaN."""
    before = current[last + 1 : last + 1 + math.ceil(BOUNCE_S / step_s)]
    beyond = current[last + 1 + before.size : last + 1 + before.size + ENOUGH]
    full = nanmedian(current[: last + 1][-ENOUGH:])
    if beyond.size < 8 or not abs(nanmedian(beyond)) < 0.02 * full:
        return math.nan  # an earth loop carries a current all the time
    with np.errstate(invalid="ignore"):
        flowing = np.flatnonzero(before > max(0.1 * full, 10.0 * nanmedian(np.abs(beyond - nanmedian(beyond)))))
    return departure(time, current, last + 1 + int(flowing[-1])) if flowing.size else math.nan


def departure(time: FloatArray, samples: FloatArray, last: int) -> float:
    """Where `samples` leave their level beyond `last` (turned round): a line through two samples, carried back to it.

    The instant is kept between the last sample at the level and the first away from it.
    """
    # Beside it only: a source in its limit drifts while nothing conducts.
    beside = samples[last + 4 : last + 44]
    if int(np.isfinite(beside).sum()) < 8:
        beside = samples[last + 1 : last + 1 + ENOUGH]
    level = nanmedian(beside)
    scatter = 1.4826 * nanmedian(np.abs(beside - level))
    width = max(6.0 * scatter, 1e-3 * abs(level))
    k = last + 1
    while k < min(samples.size - 1, last + 20) and not abs(samples[k] - level) <= width:
        k += 1
    a, b, c = k, k - 1, k - 2
    middle = float(time[a] + time[b]) / 2.0
    if c < 0 or not np.isfinite(samples[[b, c]]).all() or samples[c] == samples[b]:
        return middle
    rate = (samples[c] - samples[b]) / (time[c] - time[b])
    low, high = sorted((float(time[a]), float(time[b])))
    return min(max(float(time[b] + (level - samples[b]) / rate), low), high)
