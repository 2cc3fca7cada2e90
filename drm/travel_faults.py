"""A travel curve that the sensor and not the mechanism made: dead band, slip, lost counts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drm.clock import interval
from drm.kept import kept
from drm.stroke import Moved

__all__ = ["travel_faults"]

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]
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
    step_s = interval(t)
    least = max(LEAST_SHARE * m.stroke_mm, 5.0 * m.step_mm, 6.0 * m.u_mm)
    inside = np.flatnonzero((x > 0.05 * m.stroke_mm) & (x < 0.95 * m.stroke_mm))
    if inside.size < 16:
        return ()
    first, last = int(inside[0]), int(inside[-1])
    many = max(4, round(BESIDE_S / step_s))
    out: list[str] = []
    still = np.abs(np.diff(x[first : last + 1])) <= max(0.5 * m.step_mm, 2.0 * m.u_mm, 1e-9)
    skip = np.zeros(last - first + 1, dtype=bool)
    a_s, b_s = (edges + first for edges in _runs(still))
    earlier, later = _paces(t, x, a_s - many, a_s), _paces(t, x, b_s + 2, b_s + 2 + many)
    slower = np.minimum(earlier, later)
    lost = slower * (t[b_s] - t[a_s])
    told = ~((lost < least) | (slower < 0.2 * np.maximum(earlier, later)))
    for a, b, missed in zip(a_s[told].tolist(), b_s[told].tolist(), lost[told].tolist(), strict=True):
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


def _paces(t: FloatArray, x: FloatArray, a: IndexArray, b: IndexArray) -> FloatArray:
    """Mean speed from each of samples `a` to its own of `b`; 0 where nothing lies between them."""
    a, b = np.minimum(np.maximum(a, 0), t.size - 1), np.minimum(b, t.size - 1)
    return np.asarray((x[b] - x[a]) / np.where(b > a, t[b] - t[a], np.inf), dtype=np.float64)


def _usual(d: FloatArray, many: int) -> FloatArray:
    # A mean about each sample without the sample itself: encoder steps are too coarse for a median.
    wide = 2 * many + 1
    sums = np.cumsum(np.concatenate([[0.0], np.pad(d, many, mode="edge")]))
    total = sums[wide:] - sums[:-wide]
    return np.asarray((total - d) / (wide - 1), dtype=np.float64)


def _runs(mask: NDArray[np.bool_]) -> tuple[IndexArray, IndexArray]:
    """Where `mask` becomes True, and where it is no longer."""
    edge = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return edge[::2], edge[1::2]


def _first_of_each(at: NDArray[np.intp], apart: int) -> list[int]:
    out: list[int] = []
    for k in at:
        if not out or k - out[-1] > apart:
            out.append(int(k))
    return out
