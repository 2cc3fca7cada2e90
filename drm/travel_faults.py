"""A travel curve that the sensor and not the mechanism made: dead band, slip, lost counts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drm.kept import kept
from drm.median import median
from drm.stroke import Moved

__all__ = ["travel_faults"]

FloatArray = NDArray[np.float64]
#: What a sensor must miss before it is said, share of the stroke.
LEAST_SHARE = 0.01
#: Speeds before and after a standstill are read over this, s.
BESIDE_S = 2e-3


@kept
def travel_faults(m: Moved) -> tuple[str, ...]:
    """What in one motion no mechanism can have done, in words; empty where nothing stands out.

    A mechanism has mass: it neither stops dead and goes on as fast as before, nor moves within one sample.

    * dead band: the sensor stands still while the mechanism moves, and then jumps to where that has got to;
    * slip: it stands still and goes on from there, so that the way is lost;
    * lost or gained counts: it jumps without having stood still.
    """
    if not m.moves or m.time_s.size < 32:
        return ()
    x, t = m.way_mm, m.time_s
    step_s = median(np.diff(t))
    least = max(LEAST_SHARE * m.stroke_mm, 5.0 * m.step_mm, 6.0 * m.u_mm)
    inside = np.flatnonzero((x > 0.05 * m.stroke_mm) & (x < 0.95 * m.stroke_mm))
    if inside.size < 16:
        return ()
    first, last = int(inside[0]), int(inside[-1])
    many = max(4, round(BESIDE_S / step_s))
    out: list[str] = []
    still = np.abs(np.diff(x[first : last + 1])) <= max(0.5 * m.step_mm, 2.0 * m.u_mm, 1e-9)
    skip = np.zeros(last - first + 1, dtype=bool)
    for a, b in _runs(still):
        a, b = a + first, b + first
        before, after = _pace(t, x, a - many, a), _pace(t, x, b + 2, b + 2 + many)
        missed = min(before, after) * (float(t[b]) - float(t[a]))
        if missed < least or min(before, after) < 0.2 * max(before, after):
            continue
        # Where the curve would be had it gone on, against where it goes on.
        ahead = float(x[min(b + 2, x.size - 1)]) - float(x[a])
        skip[max(0, a - first - 2) : b - first + 4] = True
        long_ms = 1e3 * (float(t[b]) - float(t[a]))
        where = f"stands still for {long_ms:.1f} ms at {float(x[a]):.1f} mm of its way"
        if ahead > 0.5 * missed:
            out.append(f"dead band: the sensor {where}, then jumps by {ahead:.1f} mm")
        else:
            out.append(f"slip: the sensor {where} and loses about {missed:.1f} mm")
    d = np.diff(x[first : last + 1])
    usual = _usual(d, many)
    jumps = np.flatnonzero((np.abs(d - usual) > np.maximum(least, 5.0 * np.abs(usual))) & ~skip[:-1])
    for k in _first_of_each(jumps, many):
        out.append(f"lost or gained counts: the sensor jumps by {float(d[k]):.1f} mm at {float(x[first + k]):.1f} mm")
    return tuple(out)


def _pace(t: FloatArray, x: FloatArray, a: int, b: int) -> float:
    a, b = max(0, a), min(t.size - 1, b)
    return (float(x[b]) - float(x[a])) / (float(t[b]) - float(t[a])) if b > a else 0.0


def _usual(d: FloatArray, many: int) -> FloatArray:
    # A mean about each sample without the sample itself: encoder steps are too coarse for a median.
    wide = 2 * many + 1
    sums = np.cumsum(np.concatenate([[0.0], np.pad(d, many, mode="edge")]))
    total = sums[wide:] - sums[:-wide]
    return np.asarray((total - d) / (wide - 1), dtype=np.float64)


def _runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edge = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edge[::2], edge[1::2], strict=True)]


def _first_of_each(at: NDArray[np.intp], apart: int) -> list[int]:
    out: list[int] = []
    for k in at:
        if not out or k - out[-1] > apart:
            out.append(int(k))
    return out
