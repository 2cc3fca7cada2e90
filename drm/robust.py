"""Location and scale that a few bad values cannot pull."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["inliers", "mad_sd", "sidak"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# 1 / quantile(3/4) of the normal distribution: makes the median deviation a standard deviation.
_MAD_TO_SD = 1.482602218505602
# Values further than this many standard deviations from the centre do not help to place the centre.
_CUT_SD = 3.5
_ROUNDS = 20


def mad_sd(values: FloatArray) -> float:
    """Standard deviation from the median absolute deviation.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Finite values, n >= 1, any unit.

    Returns
    -------
    float
        In the unit of `values`; 0 where more than half are equal.
    """
    return float(_MAD_TO_SD * np.median(np.abs(values - np.median(values))))


def inliers(values: FloatArray, sd: float, *, cut: float = _CUT_SD) -> BoolArray:
    """Values that lie together, by a hard-rejection M-estimate of location with known scale.

    Starts at the median, so that fewer than half bad values cannot move it; the scale is given and not
    estimated, because three or four values cannot tell their own.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Finite values, n >= 1.
    sd : float
        Standard deviation of a good value, same unit.
    cut : float
        Rejection point in standard deviations.

    Returns
    -------
    ndarray of bool, shape (n,)
        At least n // 2 + 1 are True: where fewer lie together, those nearest to the median.
    """
    least = values.size // 2 + 1
    centre = float(np.median(values))
    keep = np.ones(values.size, dtype=np.bool_)
    for _ in range(_ROUNDS):
        distance = np.abs(values - centre)
        new = distance <= cut * sd
        if int(new.sum()) < least:
            new = np.zeros(values.size, dtype=np.bool_)
            new[np.argsort(distance, kind="stable")[:least]] = True
            return new
        if np.array_equal(new, keep):
            break
        keep, centre = new, float(values[new].mean())
    return keep


def sidak(p: FloatArray, comparisons: int) -> FloatArray:
    """Probability that the least of `comparisons` independent p-values is as small as `p`.

    Source: Šidák 1967; conservative where the comparisons go together.

    Parameters
    ----------
    p : ndarray
        Probabilities of single comparisons; NaN stays NaN.
    comparisons : int
        How many were made, >= 1.

    Returns
    -------
    ndarray
        Same shape, in [0, 1].
    """
    inside = np.minimum(p, 1.0 - 1e-16)
    return np.asarray(-np.expm1(comparisons * np.log1p(-inside)), dtype=np.float64)
