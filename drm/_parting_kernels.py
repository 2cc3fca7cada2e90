"""Kernels of the parted state and of the first touch: contiguous float64, no checks; called by `_zone_kernels`.

Samples are in order of opening: a closing's are turned round. Twins in plain NumPy are in the tests.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from drm._median_kernel import median, ordered, scatter

# Compiled with _median_kernel: 93e1abf6ff8eeac8
__all__ = ["Parted", "beside", "departure", "earlier_touch", "first_current", "parted_state", "tail", "touch"]

FloatArray = NDArray[np.float64]

#: Samples that tell the level of a stretch as well as all of them.
ENOUGH = 2000
#: How long before the touch that the voltage shows a bouncing contact may have touched first, s.
BOUNCE_S = 2e-3
#: What a touch that is over within a sample leaves of the parted voltage at the most.
DIP = 0.8


class Parted(NamedTuple):
    """How an interrupter looks when it has parted.

    Attributes
    ----------
    threshold, voltage : V
        Between metal and parted; when parted.
    loop, loop_u : ohm, relative
        Earth loop in parallel, infinite without one; standard uncertainty of its conductance.
    """

    threshold: float
    voltage: float
    loop: float
    loop_u: float


@njit(cache=True, nogil=True, error_model="numpy")
def tail(n: int) -> int:
    """How many of `n` samples, the last, tell the parted state: a record may end soon after the loss."""
    return min(max(8, n // 200), ENOUGH, n)


@njit(cache=True, nogil=True, error_model="numpy")
def parted_state(
    volts: FloatArray, amps: FloatArray, rest_v: FloatArray, injected: float, ceiling: float, metallic: float
) -> Parted:
    """How the parted contact shows in the :func:`tail` of a trace; `metallic`: volts that no metal bears.

    Where current goes on flowing past it, an earth loop carries that, and its resistance follows. Where that loop's
    voltage is above the channel's ceiling, its conductance lies between none and what the ceiling allows, all alike
    likely.
    """
    voltage, current = median(volts), median(amps)
    threshold = min(metallic, 0.9 * ceiling)
    told = voltage > 5.0 * median(rest_v)
    if not (current > 0.5 * injected and told):
        # A source in its limit may stand with less across the parted contact than metal could bear at its current.
        low = told and abs(current) < 0.02 * injected
        return Parted(min(threshold, 0.6 * voltage) if low else threshold, voltage, np.inf, 0.0)
    if voltage < 0.98 * ceiling:
        left = np.empty(volts.size)
        for k in range(volts.size):
            # What the source ripples by cancels in the ratio.
            left[k] = volts[k] - voltage * amps[k] / current
        # A median has 1.25 times the uncertainty of a mean.
        u = 1.25 * (1.4826 * scatter(left, 0.0)) / voltage / math.sqrt(volts.size)
        return Parted(min(threshold, 0.6 * voltage), voltage, voltage / current, u)
    return Parted(threshold, voltage, 2.0 * voltage / current, 1.0 / math.sqrt(3.0))


@njit(cache=True, nogil=True, error_model="numpy")
def beside(last: int, n: int, step: float) -> tuple[int, int]:
    """What of `n` samples the first touch is looked for in, and its levels are read from: beside the first sure one."""
    return max(last + 1 - ENOUGH, 0), min(last + 2 * (math.ceil(BOUNCE_S / step) + ENOUGH), n)


@njit(cache=True, nogil=True, error_model="numpy")
def earlier_touch(v: FloatArray, last: int, threshold: float, step: float) -> int:
    """First touch of a bouncing contact: single samples shortly before `last`, the first sure one.

    A touch that is over within a sample shows in one, as an impulse does, and not whole where the chain's filter is
    slow. Where the parted state before it has none, it was a touch.
    """
    many = math.ceil(BOUNCE_S / step)
    beyond = min(last + 1 + many, v.size)
    before = v[beyond : beyond + ENOUGH]
    # Of what lies next to it: the voltage of a source in its limit drifts.
    dip = DIP * median(before[: max(8, many)])
    if dip > threshold:
        threshold = dip
    touching = 0
    for x in before:
        touching += x < threshold
    if before.size < 8 or touching > 0:
        return last
    for k in range(beyond - 1, last, -1):
        if v[k] < threshold:
            return k
    return last


@njit(cache=True, nogil=True, error_model="numpy")
def _most_within(samples: FloatArray, level: float) -> float:
    """How far from `level` nine of ten samples lie at the most: of a coarse trace half of them may lie on it."""
    off, many = np.empty(samples.size), 0
    for x in samples:
        if math.isfinite(x):
            off[many] = abs(x - level)
            many += 1
    ordered(off, many)
    return off[9 * many // 10] if many > 0 else 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def departure(time: FloatArray, samples: FloatArray, last: int) -> float:
    """Where `samples` leave their level beyond `last`: a line through two of them, carried back to it.

    The instant is kept between the last sample at the level and the first away from it; `time` decreases.
    """
    # Beside it only: a source in its limit drifts while nothing conducts.
    near = samples[last + 4 : last + 44]
    many = 0
    for x in near:
        many += math.isfinite(x)
    if many < 8:
        near = samples[last + 1 : last + 1 + ENOUGH]
    level = median(near)
    width = max(6.0 * (1.4826 * scatter(near, level)), 1e-3 * abs(level), 3.0 * _most_within(near, level))
    k = last + 1
    while k < min(samples.size - 1, last + 20) and not abs(samples[k] - level) <= width:
        k += 1
    at: float = time[k]
    later: float = time[k - 1]
    back = k >= 2 and math.isfinite(samples[k - 1]) and math.isfinite(samples[k - 2])
    if not back or samples[k - 2] == samples[k - 1]:
        return (at + later) / 2.0
    rate = (samples[k - 2] - samples[k - 1]) / (time[k - 2] - later)
    found: float = later + (level - samples[k - 1]) / rate
    if found < at:
        return at
    return later if found > later else found


@njit(cache=True, nogil=True, error_model="numpy")
def first_current(time: FloatArray, i: FloatArray, last: int, step: float) -> float:
    """Where a current begins that flowed before the touch which the voltage shows: a bounce was missed; or NaN."""
    end = min(last + 1 + math.ceil(BOUNCE_S / step), i.size)
    beyond = i[end : end + ENOUGH]
    full, none = median(i[max(last + 1 - ENOUGH, 0) : last + 1]), median(beyond)
    if beyond.size < 8 or not abs(none) < 0.02 * full:
        return np.nan  # an earth loop carries a current all the time
    least = 0.1 * full
    if 10.0 * scatter(beyond, none) > least:
        least = 10.0 * scatter(beyond, none)
    for k in range(end - 1, last, -1):
        if i[k] > least:
            return departure(time, i, k)
    return np.nan


@njit(cache=True, nogil=True, error_model="numpy")
def touch(time: FloatArray, v: FloatArray, i: FloatArray, last: int, ceiling: float) -> tuple[float, float]:
    """Instant of the first gain on closing, NaN where it cannot be told; what the voltage alone says of it.

    The parted state is quiet, so the departure shows before the filter has passed it. A voltage at its ceiling shows it
    late, and a touch shorter than a sample may not show in it at all; then the current shows it first: the earliest is
    taken.
    """
    shown = departure(time, v, last)
    told = shown if math.isfinite(shown) else np.inf
    if median(v[last + 1 : last + 1 + ENOUGH]) > 0.98 * ceiling:
        late = departure(time, i, last)
        if late < told:
            told = late
    flowing = first_current(time, i, last, time[last] - time[last + 1])
    if flowing < told:
        told = flowing
    return told if math.isfinite(told) else np.nan, shown
