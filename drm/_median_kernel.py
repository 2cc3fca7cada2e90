"""Kernels of medians: contiguous float64, no checks; :mod:`drm.median` calls them."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["median", "running"]


@njit(cache=True, nogil=True)
def median(a: NDArray[np.float64]) -> float:
    """Median of what is not NaN; NaN where nothing is left."""
    kept = a[~np.isnan(a)]
    found: float = np.median(kept) if kept.size > 0 else np.nan
    return found


@njit(cache=True, nogil=True)
def running(a: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Median of the `width` (odd, small) samples about each; beyond the ends the samples are mirrored."""
    n, half = a.size, width // 2
    out, near = np.empty(n), np.empty(width)
    for k in range(n):
        for j in range(width):
            at = k + j - half
            if at < 0:
                at = -at - 1
            if at >= n:
                at = 2 * n - at - 1
            value = a[at]
            place = j
            while place > 0 and near[place - 1] > value:
                near[place] = near[place - 1]
                place -= 1
            near[place] = value
        out[k] = near[half]
    return out
