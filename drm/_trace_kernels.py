"""Kernels of the traces' cleaning: contiguous float64 in and out, no checks; :mod:`drm.denoise` calls them."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["far_from_median", "haar"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@njit(cache=True, nogil=True, error_model="numpy")
def far_from_median(samples: FloatArray, least: FloatArray, width: int) -> BoolArray:
    """Which samples are farther than `least` from the median of the `width` (odd) samples about them, NaN left out.

    Counted, not sorted: a sample is farther above the median than so much just where more than half of its neighbours
    lie farther below it than that.
    """
    n = samples.size
    half = width // 2
    out = np.zeros(n, dtype=np.bool_)
    for k in range(n):
        x, far = samples[k], least[k]
        if not (math.isfinite(x) and math.isfinite(far)):
            continue
        below = above = many = 0
        for j in range(max(0, k - half), min(n, k + half + 1)):
            y = samples[j]
            if math.isfinite(y):
                many += 1
                below += y < x - far
                above += y > x + far
        out[k] = 2 * below > many or 2 * above > many
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def haar(samples: FloatArray, levels: int, threshold: float) -> FloatArray:
    """Undecimated Haar transform of a circle of samples, details below `threshold` set to zero, and back."""
    n = samples.size
    half = math.sqrt(0.5)
    smooth = np.empty(n)
    for k in range(n):
        smooth[k] = samples[k]
    details = np.empty((levels, n))
    for level in range(levels):
        step = 1 << level
        following = np.empty(n)
        for k in range(n):
            other = smooth[k + step] if k + step < n else smooth[k + step - n]
            following[k] = half * (smooth[k] + other)
            detail = half * (smooth[k] - other)
            details[level, k] = detail if abs(detail) >= threshold else 0.0
        smooth = following
    for level in range(levels - 1, -1, -1):
        step = 1 << level
        back = np.empty(n)
        for k in range(n):
            before = k - step if k >= step else k - step + n
            back[k] = 0.5 * half * (smooth[k] + details[level, k] + smooth[before] - details[level, before])
        smooth = back
    return smooth
