"""Location, scale and layout effects that a few bad values cannot pull; one series or many at once."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from drm.median import median as one_median
from drm.median import medians

__all__ = [
    "Polished",
    "effective_tests",
    "inliers",
    "mad_sd",
    "median",
    "median_polish",
    "sidak",
    "studentized_maximum",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# 1 / quantile(3/4) of the normal distribution: makes the median deviation a standard deviation.
_MAD_TO_SD = 1.482602218505602
# Values further than this many standard deviations from the centre do not help to place the centre.
_CUT_SD = 3.5
_ROUNDS = 20


def median(values: FloatArray, axis: int = -1) -> FloatArray:
    """Median along `axis`, NaN passed over and given only where nothing else is.

    Parameters
    ----------
    values : ndarray, shape (..., n, ...)
    axis : int

    Returns
    -------
    ndarray
        Without `axis`. (NumPy's own ``nanmedian`` goes through short axes one by one.)
    """
    x = np.asarray(values, dtype=np.float64)
    x = x if axis in (-1, x.ndim - 1) else np.moveaxis(x, axis, -1)
    finite = np.isfinite(x)
    if x.shape[-1] and bool(finite.all()):
        return medians(x)
    ordered = np.sort(x, axis=-1)
    known = finite.sum(axis=-1)
    low = np.maximum((known - 1) // 2, 0)[..., None]
    high = np.minimum(known // 2, ordered.shape[-1] - 1)[..., None]
    middle = 0.5 * (np.take_along_axis(ordered, low, -1) + np.take_along_axis(ordered, high, -1))[..., 0]
    return np.asarray(np.where(known > 0, middle, np.nan), dtype=np.float64)


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
    return float(_MAD_TO_SD * one_median(np.abs(values - one_median(values))))


def mad_sds(values: FloatArray) -> FloatArray:
    """:func:`mad_sd` of every row: shape (..., n) in, (...) out."""
    return np.asarray(_MAD_TO_SD * median(np.abs(values - median(values)[..., None])), dtype=np.float64)


def inliers(values: FloatArray, sd: float | FloatArray, *, cut: float = _CUT_SD) -> BoolArray:
    """Values that lie together, by a hard-rejection M-estimate of location with known scale.

    Starts at the median, so that fewer than half bad values cannot move it; the scale is given and not
    estimated, because three or four values cannot tell their own.

    Parameters
    ----------
    values : ndarray, shape (..., n)
        Finite values, n >= 1; each row by itself.
    sd : float or ndarray, shape (...)
        Standard deviation of a good value, same unit.
    cut : float
        Rejection point in standard deviations.

    Returns
    -------
    ndarray of bool, shape (..., n)
        At least n // 2 + 1 are True: where fewer lie together, those nearest to the median.
    """
    n = values.shape[-1]
    least = n // 2 + 1
    reach = cut * np.asarray(sd, dtype=np.float64)[..., None]
    centre = median(values)[..., None]
    keep = np.ones(values.shape, dtype=np.bool_)
    for _ in range(_ROUNDS):
        distance = np.abs(values - centre)
        new = distance <= reach
        few = new.sum(axis=-1) < least
        if few.any():
            nearest = np.argsort(np.argsort(distance, axis=-1, kind="stable"), axis=-1, kind="stable") < least
            new = np.where(few[..., None], nearest, new)
        if np.array_equal(new, keep):
            break
        keep = new
        mean = (np.where(new, values, 0.0).sum(axis=-1) / new.sum(axis=-1))[..., None]
        centre = np.where(few[..., None], centre, mean)
    return keep


class Polished(NamedTuple):
    """A table as overall + row + column + residual: shapes (...), (..., r), (..., c), (..., r, c)."""

    overall: FloatArray
    row: FloatArray
    column: FloatArray
    residual: FloatArray


def median_polish(table: FloatArray, *, rounds: int = 10, tolerance: float = 0.01) -> Polished:
    """Tukey's median polish: rows and columns of a table by medians taken in turn, rows first.

    A cell that differs by itself stays in the residuals, and cells that were never filled are passed over, so that
    poles of unequal length do no harm. Source: Tukey, Exploratory Data Analysis, 1977.

    Parameters
    ----------
    table : ndarray, shape (..., r, c)
        NaN where there is no value; each row and each column needs one.
    rounds : int
        Most sweeps over rows and columns.
    tolerance : float
        Stop where a sweep changes the sum of absolute residuals by less than this share.

    Returns
    -------
    Polished
        The median of the row effects and of the column effects is zero up to the last sweep.
    """
    z = np.array(table, dtype=np.float64)
    overall = np.zeros(z.shape[:-2])
    row, column = np.zeros(z.shape[:-1]), np.zeros((*z.shape[:-2], z.shape[-1]))
    before = np.full(z.shape[:-2], np.inf)
    for _ in range(rounds):
        step = median(z, -1)
        z = z - step[..., :, None]
        row = row + step
        step = median(column)
        overall, column = overall + step, column - step[..., None]
        step = median(z, -2)
        z = z - step[..., None, :]
        column = column + step
        step = median(row)
        overall, row = overall + step, row - step[..., None]
        now = np.nansum(np.abs(z), axis=(-1, -2))
        if bool(np.all((now == 0) | (np.abs(before - now) < tolerance * now))):
            break
        before = now
    return Polished(overall, row, column, z)


def effective_tests(correlation: FloatArray) -> float:
    """Number of independent tests that tests so correlated amount to.

    Source: Galwey 2009, Genetic Epidemiology 33, 559 (from memory): (sum of roots of the eigenvalues)^2 / their sum.

    Parameters
    ----------
    correlation : ndarray, shape (m, m)

    Returns
    -------
    float
        Between 1 (all alike) and m (none related).
    """
    if correlation.shape[0] == 0:
        return 1.0
    values = np.maximum(np.linalg.eigvalsh(correlation), 0.0)
    return float(np.sqrt(values).sum() ** 2 / values.sum())


def sidak(p: FloatArray, comparisons: float | FloatArray) -> FloatArray:
    """Probability that the least of `comparisons` independent p-values is as small as `p`.

    Source: Šidák 1967; conservative where the comparisons go together.

    Parameters
    ----------
    p : ndarray
        Probabilities of single comparisons; NaN stays NaN.
    comparisons : float or ndarray
        How many were made, >= 1; a fraction where correlated ones were counted for what they amount to.

    Returns
    -------
    ndarray
        Same shape, in [0, 1].
    """
    inside = np.minimum(p, 1.0 - 1e-16)
    return np.asarray(-np.expm1(comparisons * np.log1p(-inside)), dtype=np.float64)


def studentized_maximum(t: FloatArray, dof: FloatArray, count: float) -> FloatArray:
    """Probability that the greatest of `count` deviations sharing one uncertain scale is as far out as `t`.

    Student's t for each of them with Šidák's correction takes the scale's error for a new one each time and says too
    much. Source: the studentized maximum modulus, Pillai & Ramachandran 1954 (from memory), for independent deviations.

    Parameters
    ----------
    t : ndarray, shape (...)
        Deviations in units of the estimated scale.
    dof : ndarray, shape (...)
        Degrees of freedom of the scale, > 0.
    count : float
        How many deviations share it.

    Returns
    -------
    ndarray
        Same shape; NaN stays NaN.
    """
    from drm.special import gammaln, log_ndtr

    half = 0.5 * np.asarray(dof, dtype=np.float64)[..., None]
    # Logarithm of the scale's variance ratio: wide to the left, where the far tail of t comes from.
    w = np.linspace(-16.0, 6.0, 67) / np.sqrt(half)
    step = (w[..., 1:2] - w[..., :1])[..., 0]
    density = np.exp(half * (w + np.log(half) - np.exp(w)) - gammaln(half))
    single = 2.0 * np.exp(log_ndtr(-np.abs(t)[..., None] * np.exp(0.5 * w)))
    any_of_them = -np.expm1(count * np.log1p(-np.minimum(single, 1.0 - 1e-16)))
    return np.asarray(np.minimum((density * any_of_them).sum(axis=-1) * step, 1.0), dtype=np.float64)
