"""Where the closed state gives way to the arcing one: an exact search on running sums, heavy-tailed states."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drm.median import nanmedian

__all__ = ["arcing_from"]

FloatArray = NDArray[np.float64]

#: Samples, or means of neighbours, that the first search looks at; a second looks closer beside what it found.
BLOCKS = 4096
#: Blocks before and after the first search's answer in which the second looks.
BEFORE, AFTER = 4, 40
#: A first search is settled when the level moves by less than this share; a second looks closer.
ROUGHLY = 0.05
#: Two starts nearer than this share of their level end alike.
NEAR = 0.25
#: Samples that tell a level as well as all of them.
ENOUGH = 4096


def arcing_from(voltage_v: FloatArray, current_a: FloatArray, *, closed_ohm: float, sigma_v: float, last: int) -> int:
    """Most likely first sample of the arcing state; ``last + 1`` where the record shows none.

    Both states are Student's t about ``R I``: the closed one as wide as noise and sliding roughness, the arcing one as
    wide as its own fluctuation, heavy-tailed because momentary part-separations belong to it.

    Parameters
    ----------
    voltage_v, current_a : ndarray, shape (n,)
        In order of opening, contiguous; NaN where missing.
    closed_ohm, sigma_v : float
        Closed level; noise of the voltage.
    last : int
        Last sample in which metal conducts.
    """
    from drm import _change_kernels as kernels

    size = max(1, (last + 1) // BLOCKS)
    if size == 1:
        return _search(voltage_v[: last + 1], current_a[: last + 1], closed_ohm, sigma_v)
    volts, amps = kernels.means(voltage_v, current_a, last + 1, size)
    near = _search(volts, amps, closed_ohm, sigma_v / math.sqrt(size), settled=ROUGHLY)
    start = max(0, (near - BEFORE) * size)
    stop = min(last + 1, (near + AFTER) * size)
    return start + _search(voltage_v[start:stop], current_a[start:stop], closed_ohm, sigma_v)


def _search(volts: FloatArray, amps: FloatArray, closed: float, sigma: float, *, settled: float = 1e-3) -> int:
    """First sample of the arcing state, from the start that ends in the greatest likelihood."""
    levels = _first_levels(volts, amps, closed, sigma)
    starts = [_climbed(volts, amps, closed, sigma, level, settled) for level in levels]
    return min(starts, key=lambda s: s[1])[0] if starts else volts.size


def _climbed(
    volts: FloatArray, amps: FloatArray, closed: float, sigma: float, level: float, settled: float
) -> tuple[int, float]:
    from drm import _change_kernels as kernels

    at, best = volts.size, 0.0
    for _ in range(6):
        found, best = kernels.split(volts, amps, closed, level, sigma)
        if found == volts.size:
            return found, 0.0
        new = _level(volts[found:], amps[found:])
        if (found == at or settled > 1e-3) and abs(new - level) < settled * level:
            at = found
            break
        at, level = found, new if new > 0.0 else level
    return at, best


def _level(volts: FloatArray, amps: FloatArray) -> float:
    """Median resistance; NaN without a reading."""
    stride = max(1, volts.size // ENOUGH)
    v, i = volts[::stride], amps[::stride]
    good = np.isfinite(v) & np.isfinite(i) & (i > 0.0)
    return nanmedian(v[good] / i[good]) if bool(good.any()) else math.nan


def _first_levels(volts: FloatArray, amps: FloatArray, closed: float, sigma: float) -> list[float]:
    """Arcing levels to start from: of what stands clear of the closed one, and beyond the best single change.

    The first may be of part-separations alone where the arcing contact is hardly above the closed one; noise as high
    as the move hides it in single samples, not in the sums of the second.
    """
    from drm import _change_kernels as kernels

    good = np.isfinite(volts) & np.isfinite(amps) & (amps > 0.0)
    if not bool(good.any()):
        return []
    r = volts[good] / amps[good]
    above = r[r > np.maximum(1.6 * closed, closed + 6.0 * sigma / amps[good])]
    levels = [nanmedian(above)] if above.size else []
    bound = 3.0 * closed if above.size else math.inf
    _, first, second, saved = kernels.change_point(volts, amps, 0, volts.size, bound)
    known = bool(levels) and abs(second - levels[0]) < NEAR * levels[0]
    if saved > 25.0 * sigma**2 and second > 1.2 * max(first, closed) and not known:
        levels.append(second)
    return levels
