"""Kernel of the median: contiguous float64, no checks; :mod:`drm.median` calls it."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["median"]


@njit(cache=True, nogil=True)
def median(a: NDArray[np.float64]) -> float:
    """Median of what is not NaN; NaN where nothing is left."""
    kept = a[~np.isnan(a)]
    found: float = np.median(kept) if kept.size > 0 else np.nan
    return found
