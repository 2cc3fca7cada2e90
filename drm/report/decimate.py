"""Fewer points for the eye: per pixel column the first, least, greatest and last sample, so that spikes survive."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def keep(x_px: FloatArray, y: FloatArray) -> NDArray[np.intp]:
    """Indices of the samples worth drawing.

    Parameters
    ----------
    x_px : ndarray, shape (n,)
        Place of each sample in pixels; samples of one column must follow one another to be merged.
    y : ndarray, shape (n,)
        Values; NaN where missing. A column without any value keeps one sample, so that the gap is seen.

    Returns
    -------
    ndarray, shape (m,)
        Ascending; at most four for each run of samples in one column.
    """
    here = np.flatnonzero(np.isfinite(x_px))
    if not here.size:
        return here
    group = np.cumsum(np.diff(np.floor(x_px[here]), prepend=np.floor(x_px[here[0]])) != 0)
    finite = np.isfinite(y[here])
    filled = np.bincount(group, weights=finite) > 0
    lone = _first(group, ~filled[group])
    good = np.flatnonzero(finite)
    if not good.size:
        return here[lone]
    g, v = group[good], y[here][good]
    starts = np.flatnonzero(np.diff(g, prepend=g[0] - 1))
    which = np.repeat(np.arange(starts.size), np.diff(np.append(starts, g.size)))
    low, high = np.minimum.reduceat(v, starts), np.maximum.reduceat(v, starts)
    last = np.append(starts[1:] - 1, g.size - 1)
    chosen = [starts, last, _first(which, v == low[which]), _first(which, v == high[which])]
    kept = np.unique(np.concatenate([lone, *(good[c] for c in chosen)]))
    return np.asarray(here[kept], dtype=np.intp)


def _first(group: NDArray[np.intp], hit: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Index of the first hit in each group that has one; groups are numbered from 0 and follow one another."""
    where = np.flatnonzero(hit)
    return np.asarray(where[np.diff(group[where], prepend=-1) != 0], dtype=np.intp)
