"""Kernels of medians: contiguous float64, no checks; :mod:`drm.median` and other kernels call them."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["median", "middle", "ordered", "running", "scatter"]

FloatArray = NDArray[np.float64]


@njit(cache=True, nogil=True, error_model="numpy")
def middle(a: FloatArray, n: int) -> float:
    """Median of the first `n` of `a`, none of them NaN, which are put in another order; NaN where `n` is zero.

    Hoare's selection, 1961, about the median of three.
    """
    if n == 0:
        return np.nan
    at = n // 2
    low, high = 0, n - 1
    while low < high:
        x, y, z = a[low], a[(low + high) >> 1], a[high]
        pivot = max(min(x, y), min(max(x, y), z))
        j, k = low, high
        while j <= k:
            while a[j] < pivot:
                j += 1
            while a[k] > pivot:
                k -= 1
            if j <= k:
                a[j], a[k] = a[k], a[j]
                j += 1
                k -= 1
        if at <= k:
            high = k
        elif at >= j:
            low = j
        else:
            break
    above: float = a[at]
    if n % 2:
        return above
    below: float = a[0]
    for k in range(1, at):
        below = max(below, a[k])
    return 0.5 * (below + above)


@njit(cache=True, nogil=True, error_model="numpy")
def median(a: FloatArray) -> float:
    """Median of what is not NaN; NaN where nothing is left."""
    kept = np.empty(a.size)
    n = 0
    for x in a:
        if x == x:
            kept[n] = x
            n += 1
    return middle(kept, n)


@njit(cache=True, nogil=True, error_model="numpy")
def scatter(a: FloatArray, about: float) -> float:
    """Median distance from `about`, NaN left out; NaN where nothing is left."""
    kept = np.empty(a.size)
    n = 0
    for x in a:
        if x == x:
            kept[n] = abs(x - about)
            n += 1
    return middle(kept, n)


@njit(cache=True, nogil=True, error_model="numpy")
def ordered(a: FloatArray, n: int) -> None:
    """Put the first `n` of `a`, none of them NaN, in ascending order: Shell's sort, 1959, by steps of 4/9 each."""
    gap = n
    while gap > 1:
        gap = max(4 * gap // 9, 1)
        for k in range(gap, n):
            x, j = a[k], k
            while j >= gap and a[j - gap] > x:
                a[j] = a[j - gap]
                j -= gap
            a[j] = x


@njit(cache=True, nogil=True, error_model="numpy")
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
