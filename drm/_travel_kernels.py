"""Kernel of the travel's speed: contiguous float64 in and out, no checks; :mod:`drm.travel` calls it."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["window_slope"]

FloatArray = NDArray[np.float64]

#: Running sums begin anew after so many samples, before rounding could add up.
ANEW = 1024


@njit(cache=True, nogil=True, error_model="numpy")
def window_slope(samples: FloatArray, half: int) -> FloatArray:
    """Slope per sample of a quadratic fitted to each sample and `half` neighbours on both sides.

    In the middle of its window a quadratic's slope is that of a straight line, two running sums whatever the window's
    length. At the ends the outermost whole window's quadratic serves.
    """
    n = samples.size
    out = np.empty(n)
    squares = half * (half + 1) * (2 * half + 1) / 3.0
    total = moment = 0.0
    for m in range(half, n - half):
        if (m - half) % ANEW == 0:
            total = moment = 0.0
            for k in range(-half, half + 1):
                total += samples[m + k]
                moment += k * samples[m + k]
        else:
            # The window moves on by one: every sample in it comes one nearer to its left end.
            gone, come = samples[m - half - 1], samples[m + half]
            moment += (half + 1) * gone - total + half * come
            total += come - gone
        out[m] = moment / squares
    mean = squares / (2 * half + 1)
    for first in (True, False):
        centre = half if first else n - 1 - half
        bend = spread = 0.0
        for k in range(-half, half + 1):
            bend += (k * k - mean) * samples[centre + k]
            spread += (k * k - mean) ** 2
        bend /= spread
        for k in range(1, half + 1):
            if first:
                out[centre - k] = out[centre] - 2.0 * bend * k
            else:
                out[centre + k] = out[centre] + 2.0 * bend * k
    return out
