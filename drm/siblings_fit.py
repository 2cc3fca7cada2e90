"""Features over the interrupters of one breaker: who stands apart, alone or with its pole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.robust import inliers, mad_sds, median, sidak, studentized_maximum
from drm.siblings_gls import Layout, leave_one_out
from drm.siblings_groups import GroupShift, suspects, take_out
from drm.siblings_prior import ScatterPrior

__all__ = ["LEAST_COMPARABLE", "LEAST_JUDGED_ALONE", "Fit", "fit"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LEAST_COMPARABLE = 3
#: Fewer than this are ranked and not judged where no scale is known from elsewhere.
LEAST_JUDGED_ALONE = 5
_STANDS_OUT = 0.5
# A median deviation knows the scale as well as a standard deviation of 0.37 times as many values.
_MAD_EFFICIENCY = 0.37


@dataclass(frozen=True, eq=False)
class Fit:
    """Each interrupter against the others, feature by feature; arrays of shape (f, n) unless said.

    Attributes
    ----------
    expected : ndarray
        What the others (and the interrupter's own pole and place) lead one to expect.
    sd, dof : ndarray
        Standard deviation of a healthy interrupter about that expectation, and its degrees of freedom.
    p : ndarray
        Probability that the furthest of the n interrupters is so far out by chance in this feature; NaN where they can
        be ranked only.
    breaker : ndarray, shape (f,)
    pole, position : ndarray, shape (f, poles), (f, positions)
        Effects, with those groups that differ as a whole; what is left is the interrupter's own.
    poles, positions : tuple of tuple of GroupShift
        Per feature, the groups that differ as a whole.
    """

    expected: FloatArray
    sd: FloatArray
    dof: FloatArray
    p: FloatArray
    breaker: FloatArray
    pole: FloatArray
    position: FloatArray
    poles: tuple[tuple[GroupShift, ...], ...]
    positions: tuple[tuple[GroupShift, ...], ...]


def fit(
    y: FloatArray,
    u: FloatArray,
    pole: IntArray,
    position: IntArray,
    priors: Sequence[ScatterPrior],
    *,
    tests: float = 1.0,
) -> Fit:
    """Compare n >= 3 interrupters in f features.

    The scale is the prior's healthy scatter and the measurement's uncertainty with the prior's degrees of freedom,
    joined with the siblings' own scatter: (nu0 s0^2 + nu s^2) / (nu0 + nu), tail of Student's t with nu0 + nu, for the
    furthest of n (they share one scale). Never less than the measurement's uncertainty. A value is judged without
    itself.

    Parameters
    ----------
    y, u : ndarray, shape (f, n)
        Values and standard uncertainties, finite.
    pole, position : ndarray of int, shape (n,)
        Labels 0, 1, ...; a pole or a place that differs as a whole is told apart only with at least three poles of two.
    priors : sequence of ScatterPrior, length f
    tests : float
        How many independent comparisons one group stands for: for the correction of the group tests.

    Returns
    -------
    Fit
    """
    centre = median(y)[:, None]
    z = y - centre
    dof = np.array([p.dof for p in priors])
    share, place = np.array([p.pole_share for p in priors]), np.array([p.position_share for p in priors])
    own_sd = mad_sds(z)
    known = np.array([p.sd for p in priors]) ** 2
    typical_u = median(u * u)
    # With no degrees of freedom the prior says nothing: the siblings' own robust scatter stands in for its size.
    base = np.where(dof > 0, known, own_sd**2) + typical_u
    base = np.where(base > 0, base, 1.0)
    left, pole_shifts, position_shifts = _without_groups(z, pole, position, priors, base, share, tests)
    n = y.shape[1]
    own = _MAD_EFFICIENCY * (n - 1)
    scale = np.sqrt((dof * base + own * mad_sds(left) ** 2) / (dof + own))
    # Without a borrowed scale nobody is set aside beforehand: that would make the rest look too alike.
    keep = inliers(left, scale) | (dof <= 0)[:, None]
    extra = np.maximum(u * u - typical_u[:, None], 0.0) / base[:, None]
    layout = Layout(_indicator(pole), _indicator(position))
    out = leave_one_out(left / np.sqrt(base)[:, None], layout, share, place, extra, keep)
    degrees = dof[:, None] + out.own
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = (dof[:, None] + out.squares) / degrees
    variance = np.maximum(variance, (typical_u / base)[:, None])
    root = np.sqrt(base)[:, None]
    sd = root * np.sqrt(variance * out.variance)
    error = root * out.error
    return Fit(
        y - error,
        sd,
        degrees,
        _p(error, sd, degrees, judged=(dof > 0) | (n >= LEAST_JUDGED_ALONE)),
        centre[:, 0] + root[:, 0] * out.breaker,
        _with_shifts(root * out.pole, pole_shifts),
        _with_shifts(root * out.position, position_shifts),
        pole_shifts,
        position_shifts,
    )


def _indicator(label: IntArray) -> FloatArray:
    return np.asarray(label[:, None] == np.arange(int(label.max()) + 1), dtype=np.float64)


def _without_groups(
    z: FloatArray,
    pole: IntArray,
    position: IntArray,
    priors: Sequence[ScatterPrior],
    base: FloatArray,
    share: FloatArray,
    tests: float,
) -> tuple[FloatArray, tuple[tuple[GroupShift, ...], ...], tuple[tuple[GroupShift, ...], ...]]:
    left = z.copy()
    poles: list[tuple[GroupShift, ...]] = [()] * len(priors)
    places: list[tuple[GroupShift, ...]] = [()] * len(priors)
    off_poles, off_places = suspects(z, pole, position, base, share)
    count, along = int(pole.max()) + 1, int(position.max()) + 1
    for i in np.flatnonzero(off_poles | off_places).tolist():
        if off_poles[i]:
            left[i], poles[i] = take_out(
                left[i],
                pole,
                float(base[i]),
                priors[i],
                share=float(share[i]),
                most=(count - 1) // 2,
                tests=tests * count,
            )
        if off_places[i]:
            left[i], places[i] = take_out(
                left[i],
                position,
                float(base[i]),
                priors[i],
                share=0.0,
                most=max(1, (along - 1) // 2),
                tests=tests * along,
            )
    return left, tuple(poles), tuple(places)


def _with_shifts(effects: FloatArray, shifts: tuple[tuple[GroupShift, ...], ...]) -> FloatArray:
    effects = effects.copy()
    for i, found in enumerate(shifts):
        for s in found:
            effects[i, s.group] += s.shift
    return effects


def _p(error: FloatArray, sd: FloatArray, dof: FloatArray, *, judged: NDArray[np.bool_]) -> FloatArray:
    """Two-sided tail of Student's t for the furthest of all, NaN in rows that are not judged."""
    from drm.special import stdtr

    n = error.shape[1]
    with np.errstate(invalid="ignore", divide="ignore"):
        # Equal values without any known uncertainty are no deviation.
        t = np.where(error == 0, 0.0, error / sd)
    dof = np.maximum(dof, 1e-9)
    p = np.asarray(sidak(2.0 * stdtr(dof, -np.abs(t)), n))
    # The common scale matters where something stands out; elsewhere the simple bound does.
    out = p < _STANDS_OUT
    p[out] = np.minimum(p[out], studentized_maximum(t[out], dof[out], n))
    return np.where(judged[:, None], p, np.nan)
