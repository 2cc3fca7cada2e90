"""Medians and percentiles of samples, several times as fast as NumPy's own, which look for several places at once.

Few samples are put in order. Of many, a sample of the samples tells between which two values the place lies, and only
what lies there is put in order: the answer is the same to the last bit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["median", "medians", "nanmedian", "percentiles", "running_median"]

FloatArray = NDArray[np.float64]

#: Up to so many samples all are put in order; of more, about so many tell where to look.
FEW, TELLING = 6000, 2000


def median(samples: ArrayLike) -> float:
    """Median of `samples`, of any shape; NaN where one of them is, or where there are none."""
    x = np.asarray(samples, dtype=np.float64).ravel()
    if x.size == 0:
        return math.nan
    low, high = _neighbours(x, (x.size - 1) // 2)
    return low if x.size % 2 else 0.5 * (low + high)


def medians(rows: FloatArray) -> FloatArray:
    """Median of each row, shape (..., n) -> (...), n >= 1; NaN where one of its samples is."""
    x = np.sort(rows, axis=-1)
    half = x.shape[-1] // 2
    middle = x[..., half] if x.shape[-1] % 2 else 0.5 * (x[..., half - 1] + x[..., half])
    return np.asarray(np.where(np.isnan(x[..., -1]), np.nan, middle), dtype=np.float64)


def nanmedian(samples: ArrayLike) -> float:
    """Median of `samples`, of any shape, with NaN left out; NaN where nothing is left."""
    middle = median(samples)
    if middle == middle:
        return middle
    x = np.asarray(samples, dtype=np.float64)
    return median(x[x == x])


def percentiles(samples: ArrayLike, at: Sequence[float]) -> tuple[float, ...]:
    """Percentiles of `samples`, between two of them on the straight line; NaN where one of them is.

    Parameters
    ----------
    samples : array_like, shape (n,)
        At least one.
    at : sequence of float
        In per cent, 0 to 100.

    Returns
    -------
    tuple of float
        To the last bit what :func:`numpy.percentile` gives.
    """
    x = np.asarray(samples, dtype=np.float64)
    out = []
    for q in at:
        place = q / 100.0 * (x.size - 1)
        part = place - int(place)
        low, high = _neighbours(x, int(place))
        # As NumPy does, from the nearer of the two.
        out.append(low + (high - low) * part if part < 0.5 else high - (high - low) * (1.0 - part))
    return tuple(out)


def _neighbours(x: FloatArray, k: int) -> tuple[float, float]:
    """The `k`-th of `x` in order, from 0, and the next, or the last again; NaN both where one of `x` is."""
    next_ = min(k + 1, x.size - 1)
    if x.size <= FEW:
        x = np.sort(x)
        return (float(x[k]), float(x[next_])) if x[-1] == x[-1] else (math.nan, math.nan)
    top = float(x.max())
    if top != top:
        return top, top
    some = np.sort(x[:: x.size // TELLING])
    place = k / (x.size - 1) * (some.size - 1)
    reach = 2.0 + 3.0 * math.sqrt(place * (1.0 - place / some.size))
    low, high = float(some[max(0, int(place - reach))]), float(some[min(some.size - 1, math.ceil(place + reach))])
    low, high = (low if place > reach else -math.inf), (high if place + reach < some.size - 1 else math.inf)
    near = x[(x >= low) & (x <= high)]
    below = int(np.count_nonzero(x < low))
    if not below <= k <= next_ < below + near.size:
        near, below = np.sort(x), 0
    elif low < high:
        near = np.sort(near)
    return float(near[k - below]), float(near[next_ - below])


def running_median(samples: FloatArray, width: int) -> FloatArray:
    """Median of the `width` samples about each, shape (n,); mirrored beyond the ends.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        At least `width` of them, none NaN.
    width : int
        Odd and small: each place sorts its own.
    """
    from drm._median_kernel import running

    return running(np.ascontiguousarray(samples, dtype=np.float64), width)
