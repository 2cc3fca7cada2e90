"""Each value against what the others lead one to expect, where members of a group go together."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Layout", "LeftOut", "covariance", "leave_one_out"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Variance of a value that must not speak for the others, in healthy variances; far from both rounding and one.
_SILENT = 1e6


class Layout(NamedTuple):
    """Which interrupter belongs where: indicator matrices of shape (n, poles) and (n, positions)."""

    pole: FloatArray
    position: FloatArray


class LeftOut(NamedTuple):
    """Leave-one-out errors and the parts of the whole, rows as the values'.

    Attributes
    ----------
    error, variance : ndarray, shape (f, n)
        Value minus expectation from the others, and its variance in units of the healthy one.
    squares, own : ndarray, shape (f, n)
        Weighted sum of squares of the others and its degrees of freedom.
    breaker : ndarray, shape (f,)
    pole, position : ndarray, shape (f, poles), (f, positions)
        Effects shrunk towards nil as far as their share of the variance says (best linear unbiased prediction).
    """

    error: FloatArray
    variance: FloatArray
    squares: FloatArray
    own: FloatArray
    breaker: FloatArray
    pole: FloatArray
    position: FloatArray


def covariance(layout: Layout, pole_share: FloatArray, position_share: FloatArray, extra: FloatArray) -> FloatArray:
    """Covariance of healthy values in units of their variance, shape (f, n, n).

    Parameters
    ----------
    layout : Layout
    pole_share, position_share : ndarray, shape (f,)
    extra : ndarray, shape (f, n)
        What single values are less certain by.
    """
    n = layout.pole.shape[0]
    rest = np.broadcast_to((1.0 - pole_share - position_share)[:, None], extra.shape)
    v = pole_share[:, None, None] * (layout.pole @ layout.pole.T)
    v = v + position_share[:, None, None] * (layout.position @ layout.position.T)
    v[:, np.arange(n), np.arange(n)] += rest + extra
    return np.asarray(v, dtype=np.float64)


def leave_one_out(
    y: FloatArray,
    layout: Layout,
    pole_share: FloatArray,
    position_share: FloatArray,
    extra: FloatArray,
    keep: BoolArray,
) -> LeftOut:
    """Predict every value from the others by generalised least squares.

    The model is breaker + pole + position + interrupter with random effects, so that an unbalanced layout, a pole of
    one, or poles and places that cannot be told apart need no special case: an effect that the data do not determine
    stays nil. With P = V^-1 - V^-1 1 (1'V^-1 1)^-1 1'V^-1 the error of value i is (Py)_i / P_ii, its variance 1 / P_ii,
    and what is left of the sum of squares without it y'Py - (Py)_i^2 / P_ii.

    Parameters
    ----------
    y : ndarray, shape (f, n)
        Finite.
    layout, pole_share, position_share, extra
        As for :func:`covariance`.
    keep : ndarray of bool, shape (f, n)
        Values that may speak for the others.

    Returns
    -------
    LeftOut
    """
    v = covariance(layout, pole_share, position_share, extra)
    n = y.shape[1]
    index = np.arange(n)
    v[:, index, index] += _SILENT * ~keep
    inverse = np.linalg.inv(v)
    ones = inverse.sum(axis=2)
    total = ones.sum(axis=1)
    p = inverse - ones[:, :, None] * ones[:, None, :] / total[:, None, None]
    py = np.einsum("fij,fj->fi", p, y)
    pii = p[:, index, index]
    taken = py * py / pii
    count = keep.sum(axis=1)
    whole = np.where(keep, y * py, 0.0).sum(axis=1)
    squares = np.maximum(whole[:, None] - np.where(keep, taken, 0.0), 0.0)
    own = (count[:, None] - 1.0 - keep).astype(np.float64)
    return LeftOut(
        py / pii,
        1.0 / pii - _SILENT * ~keep,
        squares,
        own,
        (ones * y).sum(axis=1) / total,
        pole_share[:, None] * (py @ layout.pole),
        position_share[:, None] * (py @ layout.position),
    )
