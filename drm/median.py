"""Median of the finite samples, compiled: a segmentation asks for some thirty, each of a few hundred samples."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["nanmedian"]


def nanmedian(samples: NDArray[np.float64]) -> float:
    """Median of `samples`, of any shape, with NaN left out; NaN where nothing is left."""
    from drm._median_kernel import median

    return median(np.ascontiguousarray(samples, dtype=np.float64).ravel())
