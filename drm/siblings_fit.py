"""One feature over the interrupters of one breaker: who stands apart, alone or with its pole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.robust import inliers, mad_sd, sidak
from drm.siblings_prior import ScatterPrior

__all__ = ["Fit", "GroupShift", "fit", "LEAST_COMPARABLE"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

LEAST_COMPARABLE = 3
# A group differs as a whole only if three in four of its members show at least this part of the group's shift.
_WHOLE = 0.7
_GROUP_P = 0.05
# In standard deviations of a group's mean by the prior alone; the tests need more than three.
_WORTH_A_TEST = 1.5


@dataclass(frozen=True)
class GroupShift:
    """A pole, or a place along the poles, that differs as a whole."""

    group: int
    shift: float
    sd: float
    p: float
    members: int


@dataclass(frozen=True, eq=False)
class Fit:
    """Each interrupter against the others; arrays of shape (n,).

    Attributes
    ----------
    expected : ndarray
        What the others (and the interrupter's own pole or place, where that differs as a whole) lead one to expect.
    sd : ndarray
        Standard deviation of a healthy interrupter about that expectation.
    p : ndarray
        Two-sided probability of each deviation by itself.
    poles, positions : tuple of GroupShift
    """

    expected: FloatArray
    sd: FloatArray
    p: FloatArray
    poles: tuple[GroupShift, ...]
    positions: tuple[GroupShift, ...]


def _two_sided(t: FloatArray | float, dof: FloatArray | float) -> FloatArray:
    """Two-sided tail of Student's t."""
    from scipy.special import stdtr

    return np.asarray(2.0 * stdtr(dof, -np.abs(t)), dtype=np.float64)


def _together(y: FloatArray, base: float, prior: ScatterPrior) -> BoolArray:
    """Values that place the centre; scale between the prior's and the values' own robust one."""
    own = y.size - 1
    return inliers(y, float(np.sqrt((prior.dof * base + own * mad_sd(y) ** 2) / (prior.dof + own))))


def _group_shift(y: FloatArray, member: BoolArray, base: float, prior: ScatterPrior, share: float) -> GroupShift:
    """Test of one group against the rest; p is 1 where it does not differ as a whole."""
    rest = y[~member]
    good = rest[_together(rest, base, prior)]
    away = y[member] - good.mean()
    own = good.size - 1
    var = (prior.dof * base + own * float(good.var(ddof=1) if own else 0.0)) / (prior.dof + own)
    # One member in four may itself be worn: it must not hide that the others go together.
    core = away[inliers(away, float(np.sqrt(var)))]
    k, shift = core.size, float(core.mean())
    sd = float(np.sqrt(var * (share + (1.0 - share) / k + (share * k + 1.0 - share) / good.size)))
    whole = int((np.sign(shift) * away >= _WHOLE * abs(shift)).sum()) >= away.size - away.size // 4
    p = float(_two_sided(shift / sd, prior.dof + own)) if whole else 1.0
    return GroupShift(-1, shift, sd, p, k)


def _shifts(
    y: FloatArray, label: IntArray, base: float, prior: ScatterPrior, share: float, most: int, tests: int
) -> tuple[FloatArray, tuple[GroupShift, ...]]:
    """Take out groups that differ as a whole, the clearest first, never more than `most`."""
    found: list[GroupShift] = []
    left = y.copy()
    for _ in range(most):
        centre = float(np.median(left))
        best: GroupShift | None = None
        for g in np.unique(label):
            mine = left[label == g]
            if mine.size < 2 or mine.size > left.size - 2:
                continue
            # A test that cannot come out is not made: most groups of a healthy breaker end here.
            if abs(float(np.median(mine)) - centre) < _WORTH_A_TEST * float(
                np.sqrt(base * (share + (1 - share) / mine.size))
            ):
                continue
            s = _group_shift(left, label == g, base, prior, share)
            if best is None or s.p < best.p:
                best = GroupShift(int(g), s.shift, s.sd, s.p, s.members)
        if best is None:
            break
        p = float(sidak(np.asarray(best.p), tests))
        if p >= _GROUP_P:
            break
        found.append(GroupShift(best.group, best.shift, best.sd, p, best.members))
        left = left - best.shift * (label == best.group)
    return left, tuple(found)


def _alone(y: FloatArray, u: FloatArray, base: float, prior: ScatterPrior) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Each value against those others that lie together: expectation, sd, p."""
    w = _together(y, base, prior).astype(np.float64)
    m = w.sum() - w
    mean = ((w * y).sum() - w * y) / m
    # Leave-one-out sum of squares: a value must not widen the scale it is judged by.
    ss = (w * y * y).sum() - w * y * y - m * mean * mean
    own = m - 1.0
    var = (prior.dof * base + np.maximum(ss, 0.0)) / (prior.dof + own)
    var = var + np.maximum(u * u - float(np.median(u * u)), 0.0)
    sd = np.sqrt(var * (1.0 + 1.0 / m))
    return mean, sd, _two_sided((y - mean) / sd, prior.dof + own)


def fit(
    y: FloatArray, u: FloatArray, pole: IntArray, position: IntArray, prior: ScatterPrior, *, tests: int = 1
) -> Fit:
    """Compare n >= 3 interrupters in one feature.

    The scale is the prior's healthy scatter and the measurement's uncertainty with the prior's degrees of freedom,
    joined with the siblings' own scatter: (nu0 s0^2 + nu s^2) / (nu0 + nu), tail of Student's t with nu0 + nu.

    Parameters
    ----------
    y, u : ndarray, shape (n,)
        Values and standard uncertainties, finite.
    pole, position : ndarray of int, shape (n,)
        Labels; a pole or a place that differs as a whole is told apart only with at least three poles of two.
    prior : ScatterPrior
    tests : int
        How many features and kinds are compared: for the correction of the group tests.

    Returns
    -------
    Fit
    """
    centre = float(np.median(y))
    z = y - centre
    base = prior.sd**2 + float(np.median(u * u))
    poles, positions = np.unique(pole), np.unique(position)
    left = z
    pole_shifts: tuple[GroupShift, ...] = ()
    position_shifts: tuple[GroupShift, ...] = ()
    if poles.size >= 3 and y.size >= 2 * poles.size:
        left, pole_shifts = _shifts(
            left, pole, base, prior, prior.pole_share, (poles.size - 1) // 2, tests * int(poles.size)
        )
        if positions.size >= 2:
            left, position_shifts = _shifts(
                left, position, base, prior, 0.0, max(1, (positions.size - 1) // 2), tests * int(positions.size)
            )
    mean, sd, p = _alone(left, u, base, prior)
    return Fit(centre + (z - left) + mean, sd, p, pole_shifts, position_shifts)
