"""Where the closed state gives way to the arcing one: an exact search on running sums, heavy-tailed states.

Contiguous float64, no checks; :mod:`drm._zone_kernels` calls it. Twins in plain NumPy are in the tests.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from drm._median_kernel import middle

# Compiled with _median_kernel: 93e1abf6ff8eeac8
__all__ = ["arcing_from", "change_point", "last_metallic", "means", "split"]

FloatArray = NDArray[np.float64]

#: Samples, or means of neighbours, that the first search looks at; a second looks closer beside what it found.
BLOCKS = 4096
#: Blocks before and after the first search's answer in which the second looks.
BEFORE, AFTER = 4, 40
#: A search is settled when the level moves by less than this share; a first search sooner: a second looks closer.
SETTLED, ROUGHLY = 1e-3, 0.05
#: Two starts nearer than this share of their level end alike.
NEAR = 0.25
#: Samples that tell a level as well as all of them.
ENOUGH = 4096
#: Where a running product is taken down, or up again, before it leaves the numbers that a computer holds.
HUGE = 1e200


@njit(cache=True, nogil=True, error_model="numpy")
def last_metallic(v: FloatArray, i: FloatArray, threshold: float, least: float, pairs: bool) -> int:
    """Last sample below `threshold` volts with more than `least` amperes, or with `pairs` any two in a row; -1 without.

    In order of opening.
    """
    for k in range(v.size - 1, -1, -1):
        if v[k] < threshold and (i[k] > least or (pairs and k > 0 and v[k - 1] < threshold)):
            return k
    return -1


@njit(cache=True, nogil=True, error_model="numpy")
def means(v: FloatArray, i: FloatArray, stop: int, size: int, most: float) -> tuple[FloatArray, FloatArray]:
    """Means of voltage and current over blocks of `size` samples up to `stop`; NaN where none is left.

    NaN is left out, and what lies above `most` volts.
    """
    n = (stop + size - 1) // size
    volts, amps = np.empty(n), np.empty(n)
    for b in range(n):
        x = y = 0.0
        held = 0
        for k in range(b * size, min((b + 1) * size, stop)):
            if v[k] <= most and i[k] == i[k]:
                x += v[k]
                y += i[k]
                held += 1
        volts[b] = x / held if held > 0 else np.nan
        amps[b] = y / held if held > 0 else np.nan
    return volts, amps


@njit(cache=True, nogil=True, error_model="numpy")
def _densities(v: FloatArray, i: FloatArray, closed: float, level: float, noise2: float) -> FloatArray:
    """Square of the closed state's density by that of the arcing one; one where a sample is missing."""
    out = np.empty(v.size)
    for k in range(v.size):
        a, b = closed * i[k], level * i[k]
        e, f = v[k] - a, v[k] - b
        narrow2, wide2 = noise2 + 0.01 * a * a, noise2 + 0.0625 * b * b
        p, q = 3.0 * narrow2 + e * e, wide2 + f * f
        p *= p
        ratio = 81.0 * narrow2 * narrow2 * narrow2 * q * q / (wide2 * p * p)
        out[k] = ratio if ratio == ratio else 1.0
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def split(v: FloatArray, i: FloatArray, closed: float, level: float, sigma: float) -> tuple[int, float]:
    """First sample of the arcing state, the most likely one, and the log likelihood of staying closed less its own.

    The size of `v` and zero where staying closed is more likely.

    The closed state is Student's t with three degrees of freedom about ``closed I``, as wide as noise and a tenth; the
    arcing one with one degree about ``level I``, as wide as noise and a quarter. The densities' ratio is carried along
    as a product, by that at the best start so far, so that no sample asks for a logarithm.
    """
    ratios = _densities(v, i, closed, level, sigma * sigma)
    at, ratio, best, logs = v.size, 1.0, 1.0, 0.0
    above = 0
    for k in range(v.size - 1, -1, -1):
        ratio *= ratios[k]
        if ratio > HUGE:
            ratio /= HUGE
            above += 1
        elif ratio < 1.0:
            if above > 0 and ratio < 1.0 / HUGE:
                ratio *= HUGE
                above -= 1
            if above == 0 and ratio < 1.0:
                at = k
                best *= ratio
                ratio = 1.0
                if best < 1.0 / HUGE:
                    logs += math.log(best)
                    best = 1.0
    return at, 0.5 * (logs + math.log(best))


@njit(cache=True, nogil=True, error_model="numpy")
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
                saved = (b * b * c + d * d * a) / (a * c) - alone
                if saved > best:
                    best, at, first, second = saved, k + 1, b / a, d / c
    return at, first, second, best


@njit(cache=True, nogil=True, error_model="numpy")
def _level(v: FloatArray, i: FloatArray) -> float:
    """Median resistance; NaN without a reading."""
    stride = max(1, v.size // ENOUGH)
    kept = np.empty(v.size // stride + 1)
    many = 0
    for k in range(0, v.size, stride):
        if math.isfinite(v[k]) and math.isfinite(i[k]) and i[k] > 0.0:
            kept[many] = v[k] / i[k]
            many += 1
    return middle(kept, many)


@njit(cache=True, nogil=True, error_model="numpy")
def _first_levels(v: FloatArray, i: FloatArray, closed: float, sigma: float) -> tuple[float, float]:
    """Arcing levels to start from: of what stands clear of the closed one, and beyond the best single change; or NaN.

    The first may be of part-separations alone where the arcing contact is hardly above the closed one; noise as high
    as the move hides it in single samples, not in the sums of the second.
    """
    above = np.empty(v.size)
    many = good = 0
    for k in range(v.size):
        if math.isfinite(v[k]) and math.isfinite(i[k]) and i[k] > 0.0:
            good += 1
            if v[k] > max(1.6 * closed * i[k], closed * i[k] + 6.0 * sigma):
                above[many] = v[k] / i[k]
                many += 1
    if good == 0:
        return np.nan, np.nan
    level = middle(above, many)
    bound = 3.0 * closed if many else np.inf
    _, first, second, saved = change_point(v, i, 0, v.size, bound)
    known = abs(second - level) < NEAR * level
    if saved > 25.0 * sigma**2 and second > 1.2 * max(first, closed) and not known:
        return level, second
    return level, np.nan


@njit(cache=True, nogil=True, error_model="numpy")
def _climbed(
    v: FloatArray, i: FloatArray, closed: float, sigma: float, level: float, settled: float
) -> tuple[int, float]:
    """First sample of the arcing state and its log likelihood, as :func:`split` has it, from one level to start from.

    The level of what was found is the next one to look with.
    """
    at, best = v.size, 0.0
    for _ in range(6):
        found, best = split(v, i, closed, level, sigma)
        if found == v.size:
            return found, 0.0
        new = _level(v[found:], i[found:])
        if (found == at or settled > SETTLED) and abs(new - level) < settled * level:
            return found, best
        at = found
        if new > 0.0:
            level = new
    return at, best


@njit(cache=True, nogil=True, error_model="numpy")
def _search(v: FloatArray, i: FloatArray, closed: float, sigma: float, settled: float) -> int:
    """First sample of the arcing state, from the start that ends in the greatest likelihood."""
    one, other = _first_levels(v, i, closed, sigma)
    at, best = v.size, np.inf
    if one == one:
        at, best = _climbed(v, i, closed, sigma, one, settled)
    if other == other:
        second, value = _climbed(v, i, closed, sigma, other, settled)
        if value < best:
            return second
    return at


@njit(cache=True, nogil=True, error_model="numpy")
def _metal(v: FloatArray, start: int, stop: int, most: float) -> FloatArray:
    """Copy of a part, NaN where it is above `most` volts."""
    out = v[start:stop].copy()
    for k in range(out.size):
        if out[k] > most:
            out[k] = np.nan
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def arcing_from(v: FloatArray, i: FloatArray, closed: float, sigma: float, last: int, most: float) -> int:
    """Most likely first sample of the arcing state up to `last`; ``last + 1`` where there is none.

    Both states are Student's t about ``R I``: the closed one as wide as noise and sliding roughness, the arcing one as
    wide as its own fluctuation, heavy-tailed because momentary part-separations belong to it.

    Parameters
    ----------
    v, i : shape (n,)
        In order of opening; NaN where missing.
    closed, sigma : ohm, V
        Closed level; noise of the voltage.
    last : int
        Last sample in which metal conducts.
    most : V
        That no metal bears: what lies above is parted, a bounce, and tells nothing of the arcing contact's resistance.
    """
    stop = last + 1
    size = max(1, stop // BLOCKS)
    if size == 1:
        return _search(_metal(v, 0, stop, most), i[:stop].copy(), closed, sigma, SETTLED)
    volts, amps = means(v, i, stop, size, most)
    near = _search(volts, amps, closed, sigma / math.sqrt(size), ROUGHLY)
    start, stop = max(0, (near - BEFORE) * size), min(stop, (near + AFTER) * size)
    return start + _search(_metal(v, start, stop, most), i[start:stop].copy(), closed, sigma, SETTLED)
