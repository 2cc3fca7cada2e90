"""What :func:`drm.zones.segment` does beside the fit of the move, in few calls: contiguous float64, no checks.

Two threads hand the interpreter's lock over at every call that lets go of it, which takes longer than a short record's
medians: :func:`look` lets go of it once for all that follows one another, the short ones never do.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from drm._change_kernels import arcing_from, last_metallic
from drm._median_kernel import median, middle
from drm._parting_kernels import beside, earlier_touch, parted_state, tail, touch
from drm._resistance_kernels import at_rest, before_move, clear, slope, steep

# Compiled with _change_kernels, _median_kernel, _parting_kernels, _resistance_kernels: 04e5343185f60343
__all__ = ["After", "Looked", "Near", "after_move", "look", "near_move", "own"]

FloatArray = NDArray[np.float64]

#: Neighbours whose means tell by how much more the noise scatters in the long run than from sample to sample.
LONG_RUN = 8
#: Least share of the injected current that still counts as conducting; at which a resistance means something.
CONDUCTING, DIVISIBLE = 0.1, 0.3
#: Samples at rest that tell the noise of the current's slope.
STILL = 1000
#: The current moves where it would move by its whole in this, s.
WHOLE_S = 2e-3
#: How far about the move the current is looked at, s.
ABOUT_S = 0.6e-3
#: How long the closed contact is looked at before the move, s.
SLIDING_S = 5e-3


class Near(NamedTuple):
    """The samples near the move.

    Attributes
    ----------
    ohm, volts : shape (n,)
        Resistance; what the contact alone drops and the sense loop adds, V.
    arcing_v : V
        Median drop from the arcing state's first sample on; NaN without a reading.
    arcing : ohm
        Median over the arcing state; NaN without a reading.
    scatter : ohm
        What the closed contact scatters by before the move.
    """

    ohm: FloatArray
    volts: FloatArray
    arcing_v: float
    arcing: float
    scatter: float


class Looked(NamedTuple):
    """What a trace shows before the move is fitted; samples are counted in order of opening.

    Attributes
    ----------
    threshold : V
        Between metal and parted.
    loop, loop_u : ohm, relative
        Earth loop in parallel, infinite without one; standard uncertainty of its conductance.
    closed, closed_own : ohm
        Contact at rest as it reads, and without the loop.
    scatter, long_run : V, 1
        What the voltage scatters by at rest, and the long run of that by its white part.
    last, cut, split : int
        Last metallic sample, -1 without one; the last that may be read; first of the arcing state, beyond `cut` where
        there is none.
    first : int
        First sample of what is looked at closely, which ends with `last`.
    longest : s
        Longest move.
    steep : int
        Samples there in which the current moves.
    touch, shown : s
        First gain on closing, NaN where it cannot be told; what the voltage alone says of it.
    onward, volts, amps, rate : shape (last - first + 1,)
        Time, increasing (a closing's is negative), V, A, and dI/dt where it stands clear of its noise, else zero.
    near : Near
        As if the sense loop had no inductance.
    """

    threshold: float
    loop: float
    loop_u: float
    closed: float
    closed_own: float
    scatter: float
    long_run: float
    last: int
    cut: int
    split: int
    first: int
    longest: float
    steep: int
    touch: float
    shown: float
    onward: FloatArray
    volts: FloatArray
    amps: FloatArray
    rate: FloatArray
    near: Near


class After(NamedTuple):
    """What lies beyond the move.

    Attributes
    ----------
    rests, level : 1, ohm
        Readings, and their median, that of the whole arcing state where there is none.
    steady : int
        Samples in which the current does not move.
    below, many : int
        Readings up to the middle of the arcing state below what a closed contact has, and all of them.
    astray : A
        By how much more the current ranges about the move than it has gone up or down in all.
    """

    rests: int
    level: float
    steady: int
    below: int
    many: int
    astray: float


@njit(cache=True, nogil=True, error_model="numpy")
def own(ohm: float, loop: float) -> float:
    """Contact's own resistance where an earth loop lies in parallel; NaN near the loop's own."""
    if math.isinf(loop):
        return ohm
    return ohm * loop / (loop - ohm) if ohm < 0.95 * loop else np.nan


@njit(cache=True, nogil=True, error_model="numpy")
def _own_drop(v: FloatArray, i: FloatArray, loop: float) -> FloatArray:
    """What the contact alone would drop at the whole current, without the loop beside it."""
    if math.isinf(loop):
        return v
    out = np.empty(v.size)
    for k in range(v.size):
        out[k] = own(v[k] / i[k], loop) * i[k]
    return out


@njit(cache=True, nogil=False, error_model="numpy")
def near_move(
    volts: FloatArray,
    amps: FloatArray,
    rate: FloatArray,
    henry: float,
    loop: float,
    injected: float,
    split: int,
    cut: int,
    longest: float,
    step: float,
) -> Near:
    """See :class:`Near`; `split` and `cut` count from the first sample, `henry` is the sense loop's inductance."""
    ohm, drop, beyond = np.empty(volts.size), np.empty(volts.size), np.empty(max(volts.size - split, 0))
    for k in range(volts.size):
        ohm[k] = np.nan
        if amps[k] > DIVISIBLE * injected:
            ohm[k] = own((volts[k] - henry * rate[k]) / amps[k], loop)
        alone = ohm[k] * amps[k]
        drop[k] = alone + henry * rate[k]
        if k >= split:
            beyond[k - split] = alone
    start = split - math.ceil((longest + SLIDING_S) / step - 1e-6)
    scattered = before_move(ohm, max(0, start), max(8, split - math.ceil(longest / step - 1e-6)))
    return Near(ohm, drop, median(beyond), median(ohm[split : cut + 1]), scattered)


@njit(cache=True, nogil=True, error_model="numpy")
def look(
    time: FloatArray,
    v: FloatArray,
    i: FloatArray,
    rest_time: FloatArray,
    rest_v: FloatArray,
    rest_i: FloatArray,
    opening: bool,
    injected: float,
    sigma: float,
    ceiling: float,
    metallic: float,
    step: float,
    limit: int,
) -> Looked:
    """See :class:`Looked`.

    Parameters
    ----------
    time, v, i : shape (n,)
        As recorded.
    rest_time, rest_v, rest_i : shape (m,)
        In which the contact is closed and at rest.
    metallic : V
        That no metal bears.
    step : s
        Sampling interval.
    limit : int
        Nothing beyond this sample, in order of opening, is read.
    """
    n = time.size
    # Closing is opening told backwards, with the samples where they are: a copy of a long record takes its time.
    turn = 1 if opening else -1
    time, v, i = time[::turn], v[::turn], i[::turn]
    end = n - tail(n)
    parted = parted_state(v[end:].copy(), i[end:].copy(), rest_v, injected, ceiling, metallic)
    loop, threshold = parted.loop, parted.threshold
    closed, scattered, wander = at_rest(rest_v, rest_i, sigma, LONG_RUN)
    closed_own = own(closed, loop)

    # A touch shows in the voltage before its current can rise, or where another interrupter in series still holds it
    # back; two samples, since one may be an impulse.
    pairs = not opening and parted.voltage > 1.5 * threshold
    last = last_metallic(v, i, threshold, CONDUCTING * injected, pairs)
    touched = shown = np.nan
    if not opening and last >= 0:
        start, stop = beside(last, n, step)
        clock, volts, amps = time[start:stop].copy(), v[start:stop].copy(), i[start:stop].copy()
        if pairs:
            last = start + earlier_touch(volts, last - start, threshold, step)
        if last < n - 3:
            touched, shown = touch(clock, volts, amps, last - start, ceiling)
    cut = min(last, limit)
    split = arcing_from(_own_drop(v, i, loop), i, closed_own, sigma, cut, metallic)
    # At rated speed the move takes half a millisecond, in a slow operation a tenth of the zone.
    longest = max(1.5e-3, 0.2 * (cut - split) * step)
    first = max(0, min(split, cut) - math.ceil((3.5 * longest + SLIDING_S) / step - 1e-6))

    onward, volts, amps = time[first : last + 1].copy(), v[first : last + 1].copy(), i[first : last + 1].copy()
    for k in range(onward.size):
        onward[k] *= turn
    # Only where the current moves by its whole in a few milliseconds: elsewhere the contact's fluctuation rules.
    rate, _, moving = steep(onward, amps, volts, injected / WHOLE_S, metallic)
    clear(rate, slope(rest_time[:STILL], rest_i[:STILL]))
    for k in range(rate.size):
        rate[k] *= turn
    near = near_move(volts, amps, rate, 0.0, loop, injected, split - first, cut - first, longest, step)
    return Looked(
        threshold,
        loop,
        parted.loop_u,
        closed,
        closed_own,
        scattered,
        wander,
        last,
        cut,
        split,
        first,
        longest,
        moving,
        touched,
        shown,
        onward,
        volts,
        amps,
        rate,
        near,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _astray(time: FloatArray, amps: FloatArray, begin: float, end: float) -> float:
    """Range of the current between two instants, beyond how far apart it is at them; of the middle one of each three.

    Zero where fewer than five samples tell it.
    """
    least, most = np.inf, -np.inf
    first = last = 0.0
    many = 0
    for k in range(1, time.size - 1):
        if begin <= time[k] <= end:
            a, b, c = amps[k - 1], amps[k], amps[k + 1]
            x = max(min(a, b), min(max(a, b), c))
            if math.isfinite(a + b + c):
                first = x if many == 0 else first
                last = x
                least, most = min(least, x), max(most, x)
                many += 1
    return most - least - abs(last - first) if many >= 5 else 0.0


@njit(cache=True, nogil=False, error_model="numpy")
def after_move(
    onward: FloatArray,
    ohm: FloatArray,
    rate: FloatArray,
    amps: FloatArray,
    cut: int,
    begin: float,
    over: float,
    overall: float,
    arcing: float,
    moving: float,
    start: int,
    stop: int,
    low: float,
) -> After:
    """See :class:`After`: beyond the instant `over`, up to `cut`.

    Parameters
    ----------
    begin : s
        When the move begins.
    overall, arcing : ohm
        Of the whole arcing state, and of the fit.
    moving : A/s by ohm
        Slope of the current, by the arcing contact's resistance, beyond which it moves.
    start, stop, low : int, int, ohm
        Between these samples the readings below `low` are counted.
    """
    kept = np.empty(cut + 1)
    rests = past = below = many = 0
    for k in range(cut + 1):
        if onward[k] > over and math.isfinite(ohm[k]):
            kept[rests] = ohm[k]
            rests += 1
    level = middle(kept, rests) if rests > 0 else overall
    limit = moving * (arcing if arcing < level else level)
    still = True
    for k in range(cut + 1):
        moves = abs(rate[k]) > limit
        past += onward[k] > over and not moves
        still = still and not moves
    for k in range(start, stop):
        below += ohm[k] < low
        many += math.isfinite(ohm[k])
    # Not where it parts or bounces.
    astray = _astray(onward[: min(max(stop, 0), cut + 1)], amps, begin - ABOUT_S, over + ABOUT_S)
    return After(rests, level, rests if still else past, below, many, astray)
