"""The fit of the move and the step to the joint maximum in one call: contiguous float64, no checks.

Every call into compiled code hands the interpreter's lock over and back, and packs and unpacks what it is given: two
threads on short records waited for one another half of the time. :mod:`drm.commutation` and :mod:`drm.joint` call it.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from drm._commutation_kernels import COMPACT, SHAPES, not_before
from drm._fit_kernels import Found, seen_about, told_of_quiet, told_of_rough, unknown, weighed
from drm._hum_kernels import columns
from drm._joint_kernels import block_means, courses, joint_step

# Compiled with _commutation_kernels, _fit_kernels, _hum_kernels, _joint_kernels: f31782b629ccece7
__all__ = ["Left", "fitted"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: An innovation beyond this, in standard deviations, is an impulse or a part-separation, and masked.
FAR = 4.5
#: An inductance this many times its standard uncertainty is taken out before the move is fitted again.
TOLD = 4.0
#: Half of what the step looks at, in durations of the move, and least number of samples of it.
WING, LEAST = 2.5, 12
#: Samples that the step looks at: beyond, neighbours are averaged.
WINDOW = 96
#: How far from its middle the move is over, in durations; how long before it the closed contact's slope is read, s.
APART, SLIDING_S = 0.8, 5e-3
#: A step longer than this share of the move, and than this many of the fit's standard uncertainties, leaves the maximum
#: that it was taken at, and is not taken.
STRAIGHT, LONGEST = 0.25, 4.0
#: A slope of a level this many times its uncertainty is the contact's own.
CLEAR = 6.0


class Left(NamedTuple):
    """What hum and offset may have left on the trace.

    Attributes
    ----------
    hertz, origin : Hz, s
        Of the hum; its zero of time.
    cosine, sine : shape (m,)
        Its amplitudes, V; empty where none was taken out.
    scale : shape (2 m + 1,)
        Standard uncertainties of the cosines, the sines and the frequency.
    precision : shape (2 m + 1, 2 m + 1)
        Inverse of their correlation.
    sense : 1
        By what the time is multiplied to be the hum's clock: -1 where a closing was turned round.
    offset_u : V
        Of the offset that is left.
    """

    hertz: float
    origin: float
    cosine: FloatArray
    sine: FloatArray
    scale: FloatArray
    precision: FloatArray
    sense: float
    offset_u: float


@njit(cache=True, nogil=True, error_model="numpy")
def _henry(found: Found, henry: float, henry_u: float) -> Found:
    """The same with another inductance."""
    return Found(
        found.known,
        found.middle,
        found.middle_u,
        found.duration,
        found.duration_u,
        found.onset,
        found.closed,
        found.closed_u,
        found.arcing,
        found.arcing_u,
        henry,
        henry_u,
        found.spread,
        found.memory,
        found.shape,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _complete(found: Found) -> bool:
    """Whether there is a move to take a step from."""
    told = found.known and math.isfinite(found.middle) and found.duration > 0.0
    return told and found.arcing > found.closed > 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def _sloping(found: Found, time: FloatArray, before: float, after: float) -> FloatArray:
    """What the slopes of both levels add to the resistance, ohm, shape (n,)."""
    out = np.empty(time.size)
    for k in range(time.size):
        past = time[k] - found.middle
        moved = min(max(past / found.duration + 0.5, 0.0), 1.0)
        out[k] = before * min(past, 0.0) * (1.0 - moved) + after * max(past, 0.0) * moved
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _stepped(
    found: Found,
    time: FloatArray,
    volts: FloatArray,
    amps: FloatArray,
    rate: FloatArray,
    last: int,
    closed_scatter: float,
    sigma: float,
    long_run: float,
    left: Left,
) -> Found:
    """`found` with one Gauss-Newton step in everything; itself where there is too little to take one from."""
    step = (time[last] - time[0]) / last
    middle = not_before(time[: last + 1], found.middle)
    half = max(LEAST, math.ceil(WING * found.duration / step - 1e-6))
    low, high = max(0, middle - half), min(last + 1, middle + half)
    size = max(1, (high - low) // WINDOW)
    clock = block_means(time[low:high], size)
    for k in range(clock.size):
        clock[k] = left.sense * clock[k] - left.origin
    added = columns(clock, left.hertz, left.cosine, left.sine, left.scale)
    beta = np.empty(3)
    beta[0], beta[1], beta[2] = found.closed, found.arcing, found.henry
    many, shift, shift_log, more, more_log = joint_step(
        time[low:high],
        volts[low:high],
        amps[low:high],
        rate[low:high],
        size,
        found.middle,
        found.duration,
        found.shape,
        beta,
        found.spread,
        found.memory,
        # A straight step says nothing beyond the move's own width.
        max(found.duration, found.middle_u),
        closed_scatter,
        sigma,
        long_run,
        left.offset_u,
        added,
        left.precision,
        FAR,
        LEAST,
    )
    near = abs(shift) <= max(STRAIGHT * found.duration, LONGEST * found.middle_u)
    close = abs(shift_log) <= max(STRAIGHT, LONGEST * found.duration_u / found.duration)
    if many < LEAST or not (near and close):
        return found
    return Found(
        True,
        found.middle + shift,
        math.hypot(found.middle_u, math.sqrt(max(more, 0.0))),
        math.exp(min(max(shift_log, -0.5), 0.5)) * found.duration,
        math.hypot(found.duration_u, found.duration * math.sqrt(max(more_log, 0.0))),
        found.onset + shift,
        found.closed,
        found.closed_u,
        found.arcing,
        found.arcing_u,
        found.henry,
        found.henry_u,
        found.spread,
        found.memory,
        found.shape,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _slopes(
    found: Found, time: FloatArray, volts: FloatArray, amps: FloatArray, last: int
) -> tuple[float, float]:
    """Slopes of the closed level before the move and of the arcing one after it, ohm/s; zero where not clear."""
    closed, closed_u, arcing, arcing_u = courses(
        time[: last + 1],
        volts[: last + 1],
        amps[: last + 1],
        found.middle,
        APART * found.duration,
        max(SLIDING_S, 4.0 * found.duration),
    )
    return closed if abs(closed) > CLEAR * closed_u else 0.0, arcing if abs(arcing) > CLEAR * arcing_u else 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def fitted(
    time: FloatArray,
    volts: FloatArray,
    amps: FloatArray,
    rate: FloatArray,
    near: int,
    first: int,
    last: int,
    closed: float,
    closed_u: float,
    closed_scatter: float,
    sigma: float,
    longest: float,
    long_run: float,
    scatter_v: float,
    shapes: BoolArray,
    joint: bool,
    left: Left,
    alike: float,
) -> Found:
    """See :func:`drm.commutation.fit_commutation`, and where `joint` is true :func:`drm.joint.fit_jointly`.

    `shapes`, of shape (SHAPES,), are those in question; empty where nothing is told of the shape. `alike` is how long
    like contacts' moves take, s, zero where that is not told. All fits are made in one place of the text: each would be
    compiled for itself.
    """
    found, level = unknown(), volts
    for sloping in range(2):
        again, drop, henry, henry_u = unknown(), level, 0.0, 0.0
        for turn in range(2):
            seen = seen_about(
                time,
                drop,
                amps,
                rate,
                near,
                first,
                last,
                closed,
                closed_u,
                closed_scatter,
                sigma,
                longest,
                long_run,
                scatter_v,
                alike,
            )
            if not seen.known:
                break
            asked = np.zeros(SHAPES, dtype=np.bool_)
            for s in range(SHAPES):
                # In a contact's own fluctuation no tail can be told.
                asked[s] = shapes[s] if shapes.size > 0 else seen.calm or s < COMPACT
            best, kept, z, out, beta, var = weighed(seen, longest, FAR, asked)
            if best < 0:
                break
            if seen.calm:
                one = told_of_quiet(seen, time, kept, z, out, beta, var, FAR, shapes.size == 0)
            else:
                one = told_of_rough(seen, time, z, out, beta, var, longest, FAR, asked)
            henry_u = one.henry_u if turn == 0 else henry_u
            henry += one.henry
            again = _henry(one, henry, henry_u)
            if not abs(henry) > TOLD * henry_u:
                break
            # What the sense loop adds looks like the contact's own course in V/I: taken out, and once more.
            drop = level - henry * rate
        if sloping == 1:
            if not _complete(again):
                return _stepped(found, time, volts, amps, rate, last, closed_scatter, sigma, long_run, left)
            found = again
            break
        found = again
        if not (joint and _complete(found)):
            return found
        before, after = _slopes(found, time, volts, amps, last)
        if before == 0.0 and after == 0.0:
            break
        # A level that slopes all along its zone scatters no more than one that does not: taken out, and once more.
        level = volts - amps * _sloping(found, time, before, after)
    return _stepped(found, time, level, amps, rate, last, closed_scatter, sigma, long_run, left)
