"""The move of the current, the levels and their slopes, the inductance, hum and offset: one maximum of the likelihood.

The fit of the move (:mod:`drm.commutation`) takes the trace as :mod:`drm.hum` and :mod:`drm.offset` left it. What these
could not tell is still on it, and a level that slopes looks as if it fluctuated: a clear slope is taken out, and the
fit made again. From that one Gauss-Newton step goes to the maximum of the likelihood in everything together. All that
the closed contact at rest and the stretch without current said about hum and offset enters as their joint normal
distribution, which is what fitting every sample of those stretches again would give (recursive least squares; Gauss,
1823).
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from drm.commutation import FAR, Commutation, fit_commutation
from drm.hum import Hum
from drm.quantity import Quantity

__all__ = ["fit_jointly"]

FloatArray = NDArray[np.float64]

#: Half of what the step looks at, in durations of the move, and least number of samples of it.
WING, LEAST = 2.5, 12
#: Samples that the step looks at: beyond, neighbours are averaged.
WINDOW = 96
#: How far from its middle the move is over, in durations; how long before it the closed contact's slope is read, s.
APART, SLIDING_S = 0.8, 5e-3
#: A step longer than this share of the move, and than this many of the fit's standard uncertainties, leaves the maximum
#: that it was taken at, and is not taken.
STRAIGHT, LONGEST = 0.25, 4.0
#: Least uncertainty of an offset, V.
LEAST_V = 1e-9
#: A slope of a level this many times its uncertainty is the contact's own.
CLEAR = 6.0


def fit_jointly(
    time_s: FloatArray,
    voltage_v: FloatArray,
    current_a: FloatArray,
    rate_a_s: FloatArray,
    *,
    near: int,
    last: int,
    closed_ohm: Quantity,
    closed_scatter_ohm: float,
    sigma_v: float,
    longest_s: float,
    long_run: float = 1.0,
    scatter_v: float = 0.0,
    hum: Hum | None = None,
    offset_u_v: float = 0.0,
    sense: float = 1.0,
) -> Commutation | None:
    """The move at the joint maximum, with the uncertainty that all of it leaves.

    Parameters
    ----------
    time_s, voltage_v, current_a, rate_a_s, near, last, closed_ohm, closed_scatter_ohm, sigma_v, longest_s, long_run, \
scatter_v
        As :func:`drm.commutation.fit_commutation` has them.
    hum : Hum, optional
        What was taken out of the trace, with the covariance of its coefficients.
    offset_u_v : float
        Standard uncertainty of the offset that is left.
    sense : {1.0, -1.0}
        By what `time_s` is multiplied to be the clock of `hum`: -1 where a closing was turned round.

    Returns
    -------
    Commutation or None
        None where fewer than eight samples lie in reach.
    """
    time, amps, rate = (np.ascontiguousarray(x) for x in (time_s, current_a, rate_a_s))
    fit = partial(
        fit_commutation,
        near=near,
        first=0,
        last=last,
        closed_ohm=closed_ohm,
        closed_scatter_ohm=closed_scatter_ohm,
        sigma_v=sigma_v,
        longest_s=longest_s,
        long_run=long_run,
        scatter_v=scatter_v,
    )
    volts = np.ascontiguousarray(voltage_v)
    found = fit(time, volts, amps, rate)
    if found is None or not _complete(found):
        return found
    before, after = _slopes(found, time[: last + 1], volts[: last + 1], amps[: last + 1])
    if before or after:
        # A level that slopes all along its zone scatters no more than one that does not: taken out, and once more.
        level = volts - amps * _sloping(found, time, before, after)
        again = fit(time, level, amps, rate)
        if again is not None and _complete(again):
            found, volts = again, level
    part, size = _part(found, time[: last + 1])
    return _joint_step(
        found,
        time[part],
        volts[part],
        amps[part],
        rate[part],
        size=size,
        closed_scatter_ohm=closed_scatter_ohm,
        sigma_v=sigma_v,
        sense=sense,
        hum=hum,
        offset_u_v=offset_u_v,
        long_run=long_run,
    )


def _complete(found: Commutation) -> bool:
    """Whether there is a move to take a step from."""
    rises = found.arcing_ohm.value > found.closed_ohm.value > 0.0
    return bool(found.middle_s) and found.duration_s.value > 0.0 and rises


def _joint_step(
    found: Commutation,
    time_s: FloatArray,
    voltage_v: FloatArray,
    current_a: FloatArray,
    rate_a_s: FloatArray,
    *,
    size: int,
    closed_scatter_ohm: float,
    sigma_v: float,
    sense: float,
    hum: Hum | None,
    offset_u_v: float,
    long_run: float,
) -> Commutation:
    """`found` with one Gauss-Newton step in everything; itself where there is too little to take one from."""
    from drm import _joint_kernels as kernels

    width, jumps = found.duration_s.value, (found.closed_ohm.value, found.arcing_ohm.value, found.inductance_h.value)
    columns, prior = _of_hum(hum, time_s, size, sense)
    # A straight step says nothing beyond the move's own width.
    reach = max(width, found.middle_s.u)
    many, *moved = kernels.joint_step(
        time_s,
        voltage_v,
        current_a,
        rate_a_s,
        size,
        found.middle_s.value,
        width,
        found.shape,
        np.array(jumps),
        found.fluctuation_ohm,
        found.memory_s,
        reach,
        closed_scatter_ohm,
        sigma_v,
        long_run,
        max(offset_u_v, LEAST_V),
        columns,
        prior,
        FAR,
        LEAST,
    )
    return _moved(found, *moved) if many >= LEAST else found


def _part(found: Commutation, time_s: FloatArray) -> tuple[slice, int]:
    """Samples about the move, and how many neighbours of them are averaged."""
    step = float(time_s[-1] - time_s[0]) / (time_s.size - 1)
    middle = int(time_s.searchsorted(found.middle_s.value))
    half = max(LEAST, math.ceil(WING * found.duration_s.value / step - 1e-6))
    part = slice(max(0, middle - half), min(time_s.size, middle + half))
    return part, max(1, (part.stop - part.start) // WINDOW)


def _of_hum(hum: Hum | None, time_s: FloatArray, size: int, sense: float) -> tuple[FloatArray, FloatArray]:
    """Columns of what of the hum is left, shape (n // size, k), and the precision known of them, shape (k, k)."""
    from drm._joint_kernels import block_means

    if hum is None or hum.covariance is None:
        return np.zeros((time_s.size // size, 0)), np.zeros((0, 0))
    scale = np.sqrt(np.maximum(np.diag(hum.covariance), 1e-30))
    correlation = hum.covariance / np.outer(scale, scale) + 1e-9 * np.eye(scale.size)
    columns = hum.columns(sense * block_means(time_s, size)).T * scale
    return np.ascontiguousarray(columns), np.ascontiguousarray(np.linalg.inv(correlation))


def _slopes(
    found: Commutation, time_s: FloatArray, voltage_v: FloatArray, current_a: FloatArray
) -> tuple[float, float]:
    """Slopes of the closed level before the move and of the arcing one after it, ohm/s; zero where not clear."""
    from drm._joint_kernels import courses

    width = found.duration_s.value
    closed, closed_u, arcing, arcing_u = courses(
        time_s, voltage_v, current_a, found.middle_s.value, APART * width, max(SLIDING_S, 4.0 * width)
    )
    return closed if abs(closed) > CLEAR * closed_u else 0.0, arcing if abs(arcing) > CLEAR * arcing_u else 0.0


def _sloping(found: Commutation, time_s: FloatArray, before: float, after: float) -> FloatArray:
    """What the slopes of both levels add to the resistance, ohm, shape (n,)."""
    past = time_s - found.middle_s.value
    moved = np.clip(past / found.duration_s.value + 0.5, 0.0, 1.0)
    closed, arcing = before * np.minimum(past, 0.0) * (1.0 - moved), after * np.maximum(past, 0.0) * moved
    return np.asarray(closed + arcing)


def _moved(found: Commutation, shift_s: float, shift_log: float, more_s2: float, more_log2: float) -> Commutation:
    """What the rest adds to the fit of the move alone: to its middle, its duration and their variances."""
    middle, width = found.middle_s, found.duration_s
    near = abs(shift_s) <= max(STRAIGHT * width.value, LONGEST * middle.u)
    if not (near and abs(shift_log) <= max(STRAIGHT, LONGEST * width.u / width.value)):
        return found
    factor = math.exp(min(max(shift_log, -0.5), 0.5))
    return replace(
        found,
        middle_s=Quantity(middle.value + shift_s, math.hypot(middle.u, math.sqrt(max(more_s2, 0.0)))),
        duration_s=Quantity(factor * width.value, math.hypot(width.u, width.value * math.sqrt(max(more_log2, 0.0)))),
        onset_s=found.onset_s + shift_s,
    )
