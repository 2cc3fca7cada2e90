"""Poles, and places along the poles, that differ as a whole: told from interrupters that differ by themselves."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from drm.median import median, medians
from drm.robust import inliers, mad_sd, median_polish, sidak
from drm.siblings_prior import ScatterPrior

__all__ = ["GROUP_P", "GroupShift", "suspects", "take_out"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: A group is taken out, and reported, below this probability by chance.
GROUP_P = 0.05
# A group differs as a whole only if three in four of its members show at least this part of the group's shift.
_WHOLE = 0.7
# In standard deviations of a group's mean by the prior alone; the tests need more than four.
_WORTH_A_TEST = 2.5


class GroupShift(NamedTuple):
    """A pole, or a place along the poles, that differs as a whole; `p` allows for the groups compared."""

    group: int
    shift: float
    sd: float
    p: float
    members: int


def suspects(
    y: FloatArray, pole: IntArray, position: IntArray, base: FloatArray, pole_share: FloatArray
) -> tuple[BoolArray, BoolArray]:
    """Rows in which some pole, and in which some place, is far enough off to be worth a test.

    Poles and places are told from one another by median polish, so that neither one worn interrupter nor a place that
    differs by design looks like a pole.

    Parameters
    ----------
    y : ndarray, shape (f, n)
    pole, position : ndarray of int, shape (n,)
    base, pole_share : ndarray, shape (f,)

    Returns
    -------
    tuple of ndarray of bool, shape (f,)
    """
    rows, columns = int(pole.max()) + 1, int(position.max()) + 1
    none = np.zeros(y.shape[0], dtype=np.bool_)
    if rows < 3 or y.shape[1] < 2 * rows:
        return none, none
    table = np.full((y.shape[0], rows, columns), np.nan)
    code = pole * columns + position
    for c in np.unique(code):
        table[:, c // columns, c % columns] = medians(y[:, code == c])
    polished = median_polish(table)
    size = np.bincount(pole, minlength=rows)
    bound = _WORTH_A_TEST * np.sqrt(base[:, None] * (pole_share[:, None] + (1.0 - pole_share[:, None]) / size))
    poles = np.asarray((np.abs(polished.row) > bound).any(axis=1), dtype=np.bool_)
    if columns < 2:
        return poles, none
    wide = _WORTH_A_TEST * np.sqrt(base[:, None] / np.bincount(position, minlength=columns))
    return poles, np.asarray((np.abs(polished.column) > wide).any(axis=1), dtype=np.bool_)


def _together(y: FloatArray, base: float, prior: ScatterPrior) -> BoolArray:
    """Values that place the centre; scale between the prior's and the values' own robust one."""
    own = 0.37 * (y.size - 1)  # a median deviation's efficiency
    return inliers(y, float(np.sqrt((prior.dof * base + own * mad_sd(y) ** 2) / (prior.dof + own))))


def _group_shift(
    y: FloatArray, label: IntArray, group: int, base: float, prior: ScatterPrior, share: float
) -> GroupShift:
    """Test of one group against the rest; p is 1 where it does not differ as a whole."""
    member = label == group
    rest = y[~member]
    together = _together(rest, base, prior)
    good = rest[together]
    away = y[member] - good.mean()
    own = good.size - 1
    # Members of one group are alike, so that their scatter shows less than the whole variance.
    size = np.bincount(label[~member][together])
    alike = share * float((size * (size - 1)).sum()) / (good.size * own) if own else 0.0
    seen = float(good.var(ddof=1)) / (1.0 - alike) if own else 0.0
    var = (prior.dof * base + own * seen) / (prior.dof + own)
    # One member in four may itself be worn: it must not hide that the others go together.
    core = away[inliers(away, float(np.sqrt(var)))]
    k, shift = core.size, float(core.mean())
    rest_var = (share * float((size * size).sum()) / good.size + 1.0 - share) / good.size
    sd = float(np.sqrt(var * (share + (1.0 - share) / k + rest_var)))
    whole = int((np.sign(shift) * away >= _WHOLE * abs(shift)).sum()) >= away.size - away.size // 4
    p = _two_sided(shift / sd, prior.dof + own) if whole and sd > 0 else 1.0
    return GroupShift(group, shift, sd, p, k)


def _two_sided(t: float, dof: float) -> float:
    from drm.special import stdtr

    return float(2.0 * stdtr(dof, -abs(t)))


def take_out(
    y: FloatArray, label: IntArray, base: float, prior: ScatterPrior, *, share: float, most: int, tests: float
) -> tuple[FloatArray, tuple[GroupShift, ...]]:
    """Take out groups that differ as a whole, the clearest first, never more than `most`.

    Parameters
    ----------
    y : ndarray, shape (n,)
    label : ndarray of int, shape (n,)
    base : float
        Healthy variance.
    prior : ScatterPrior
    share : float
        Part of the variance that members of a healthy group have in common.
    most : int
    tests : float
        How many independent comparisons the group tests amount to.

    Returns
    -------
    tuple
        `y` without the shifts, and the shifts.
    """
    found: list[GroupShift] = []
    left = y.copy()
    for _ in range(most):
        centre = median(left)
        best: GroupShift | None = None
        for g in np.unique(label):
            mine = left[label == g]
            if mine.size < 2 or mine.size > left.size - 2:
                continue
            # A test that cannot come out is not made: most groups of a healthy breaker end here.
            bound = _WORTH_A_TEST * float(np.sqrt(base * (share + (1 - share) / mine.size)))
            if abs(median(mine) - centre) < bound:
                continue
            s = _group_shift(left, label, int(g), base, prior, share)
            if best is None or s.p < best.p:
                best = s
        if best is None:
            break
        best = best._replace(p=float(sidak(np.asarray(best.p), tests)))
        if best.p >= GROUP_P:
            break
        found.append(best)
        left = left - best.shift * (label == best.group)
    return left, tuple(found)
