"""Where the last metallic contact is lost (opening) or the first gained (closing), judged in volts and current.

Above about 1.1 V nothing metallic is touching at any current (U^2 = 4 L (Tm^2 - T0^2) with tungsten's melting point;
Holm, *Electric Contacts*).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drm.quantity import NOTHING, Quantity

__all__ = ["DELAY", "DELAY_U", "EARLY", "EARLY_U", "gain", "loss"]

FloatArray = NDArray[np.float64]

#: What the chain's filter and the sampling delay a sudden change by, in samples, and its standard uncertainty: between
#: none and one, all alike likely.
DELAY, DELAY_U = 0.5, 0.29
#: What a passage early in the rise is delayed by: by half of that (a Butterworth filter of second order passes a
#: seventh of its height after 0.43 of its delay, one of fourth order after 0.66); a fifth more uncertain than half of
#: `DELAY_U`, since neither the height is known nor how quickly the circuit lets it rise.
EARLY, EARLY_U = 0.25, 0.18
#: Standard uncertainty of an instant known to lie between two samples, in samples: 1 / sqrt(12).
BETWEEN = 0.29


def loss(
    time: FloatArray, voltage: FloatArray, last: int, threshold: float, level_v: float, *, held: bool = False
) -> Quantity:
    """Instant of the last loss on opening.

    A momentary part-separation often runs into the loss, so the start of the rise says less than the passage through
    `threshold`, the voltage that no metal bears. Where a sample was caught on the way up, the chain's filter has spread
    the rise, and half a sample is taken off for it, half a sample more or less. Where none was, the loss lies between
    the last metallic sample and the next; `threshold` is then passed early in the rise, by half of the delay, but not
    where an earth loop has `held` the voltage so low that it lies past the rise's middle.
    """
    if last + 1 >= voltage.size:
        return NOTHING
    step = float(time[last + 1] - time[last])
    low, high = float(voltage[last]), float(voltage[last + 1])
    if not low > 2.0 * level_v:
        delay, delay_u = (DELAY, DELAY_U) if held else (EARLY, EARLY_U)
        return Quantity(float(time[last]) + (0.5 - delay) * step, math.hypot(BETWEEN, delay_u) * step)
    share = (threshold - low) / (high - low) if np.isfinite(high - low) and high > threshold > low else 0.5
    return Quantity(float(time[last]) + (share - DELAY) * step, math.hypot(BETWEEN, DELAY_U) * step)


def gain(time: FloatArray, last: int, touch_s: float) -> Quantity:
    """Instant of the first gain on closing; `last`: first metallic sample, counted from the end of `time`."""
    if not math.isfinite(touch_s):
        return NOTHING
    step = float(time[-1 - last] - time[-2 - last])
    return Quantity(touch_s, math.hypot(BETWEEN, EARLY_U) * step)
