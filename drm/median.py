"""Median of the finite samples, compiled: a segmentation asks for some thirty, each of a few hundred samples."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["nanmedian", "running_median"]


def nanmedian(samples: NDArray[np.float64]) -> float:
    """Median of `samples`, of any shape, with NaN left out; NaN where nothing is left."""
    from drm._median_kernel import median

    return median(np.ascontiguousarray(samples, dtype=np.float64).ravel())


def running_median(samples: NDArray[np.float64], width: int) -> NDArray[np.float64]:
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
