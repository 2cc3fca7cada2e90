"""Kernels of the search for the arcing state: contiguous float64, no checks; :mod:`drm.change` calls them."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["change_point", "last_metallic", "means", "split"]

FloatArray = NDArray[np.float64]


@njit(cache=True, nogil=True)
def last_metallic(v: FloatArray, i: FloatArray, threshold: float, least: float, pairs: bool) -> int:
    """Last sample below `threshold` volts with more than `least` amperes, or with `pairs` any two in a row; -1 without.

    In order of opening.
    """
    for k in range(v.size - 1, -1, -1):
        if v[k] < threshold and (i[k] > least or (pairs and k > 0 and v[k - 1] < threshold)):
            return k
    return -1


@njit(cache=True, nogil=True)
def means(v: FloatArray, i: FloatArray, stop: int, size: int) -> tuple[FloatArray, FloatArray]:
    """Means of voltage and current over blocks of `size` samples up to `stop`, NaN left out; NaN where none is left."""
    n = (stop + size - 1) // size
    volts, amps = np.empty(n), np.empty(n)
    for b in range(n):
        x = y = 0.0
        held = 0
        for k in range(b * size, min((b + 1) * size, stop)):
            if v[k] == v[k] and i[k] == i[k]:
                x += v[k]
                y += i[k]
                held += 1
        volts[b] = x / held if held > 0 else np.nan
        amps[b] = y / held if held > 0 else np.nan
    return volts, amps


@njit(cache=True, nogil=True)
def split(v: FloatArray, i: FloatArray, closed: float, level: float, sigma: float) -> tuple[int, float]:
    """First sample of the arcing state, the most likely one, and the log likelihood of staying closed less its own.

    The size of `v` and zero where staying closed is more likely.

    The closed state is Student's t with three degrees of freedom about ``closed I``, as wide as noise and a tenth; the
    arcing one with one degree about ``level I``, as wide as noise and a quarter.
    """
    best, at, total = 0.0, v.size, 0.0
    for k in range(v.size - 1, -1, -1):
        x, y = i[k], v[k]
        if x == x and y == y:
            narrow2 = sigma * sigma + (0.1 * closed * x) ** 2
            wide2 = sigma * sigma + (0.25 * level * x) ** 2
            e, f = y - closed * x, y - level * x
            p, q = 1.0 + e * e / (3.0 * narrow2), 1.0 + f * f / wide2
            # Log density of the closed state less that of the arcing one, one logarithm for all four.
            total += 0.5 * math.log(wide2 * q * q / (narrow2 * p * p * p * p))
        if total < best:
            best, at = total, k
    return at, best


@njit(cache=True, nogil=True)
def change_point(v: FloatArray, i: FloatArray, start: int, stop: int, bound: float) -> tuple[int, float, float, float]:
    """Exact search for one change of resistance in ``[start, stop)`` by least squares, V on I, on running sums.

    Each sample is held to within `bound` ohm first, so that part-separations do not draw the change.

    Returns the first sample of the second level, both levels, and the sum of squares saved by the change.
    """
    ii = vi = 0.0
    for k in range(start, stop):
        x, y = i[k], v[k]
        if x == x and y == y:
            top = bound * x
            y = min(max(y, -top), top)
            ii += x * x
            vi += x * y
    best, at, first, second = -1.0, stop, 0.0, 0.0
    a = b = 0.0
    alone = vi * vi / ii if ii > 0.0 else 0.0
    for k in range(start, stop - 1):
        x, y = i[k], v[k]
        if x == x and y == y:
            top = bound * x
            y = min(max(y, -top), top)
            a += x * x
            b += x * y
            c, d = ii - a, vi - b
            if a > 0.0 and c > 0.0 and d * a > b * c:
                saved = b * b / a + d * d / c - alone
                if saved > best:
                    best, at, first, second = saved, k + 1, b / a, d / c
    return at, first, second, best
