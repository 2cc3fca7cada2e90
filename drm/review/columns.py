"""Least and greatest value in every column of pixels, fast on ten million samples, so that no spike is lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Blocks", "edges_along"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

#: Samples a block. Small, so that the samples beside whole blocks cost little; large, so that the blocks do.
BLOCK = 128


@dataclass(frozen=True, eq=False)
class Blocks:
    """Samples, and least and greatest value of every block of them.

    Attributes
    ----------
    samples : ndarray, shape (n,)
        NaN where missing.
    low, high : ndarray, shape (n // BLOCK,)
        Of whole blocks only; NaN where a block has no value.
    """

    samples: FloatArray
    low: FloatArray
    high: FloatArray

    @classmethod
    def of(cls, samples: FloatArray) -> Blocks:
        """Blocks of `samples`, shape (n,)."""
        whole = np.asarray(samples[: samples.size // BLOCK * BLOCK], dtype=np.float64).reshape(-1, BLOCK)
        return cls(samples, np.fmin.reduce(whole, axis=1), np.fmax.reduce(whole, axis=1))

    def between(self, edges: IntArray) -> tuple[FloatArray, FloatArray]:
        """Least and greatest value of each column.

        Parameters
        ----------
        edges : ndarray of int, shape (m + 1,)
            Strictly ascending; column k holds the samples ``edges[k]`` up to but not ``edges[k + 1]``.

        Returns
        -------
        ndarray, ndarray, shape (m,)
            NaN where a column has no value.
        """
        start, stop = edges[:-1], edges[1:]
        first = -(-start // BLOCK)
        last = np.maximum(stop // BLOCK, first)
        inner = last > first
        # A column without a whole block is all head and no tail.
        head_stop = np.where(inner, first * BLOCK, stop)
        tail_start = np.where(inner, last * BLOCK, stop)
        low, high = np.full(start.size, np.nan), np.full(start.size, np.nan)
        for values, a, b in ((self.samples, start, head_stop), (self.samples, tail_start, stop)):
            _fold(low, values, a, b, np.fmin)
            _fold(high, values, a, b, np.fmax)
        _fold(low, self.low, first, np.where(inner, last, first), np.fmin)
        _fold(high, self.high, first, np.where(inner, last, first), np.fmax)
        return low, high


def _fold(out: FloatArray, values: FloatArray, start: IntArray, stop: IntArray, least: np.ufunc) -> None:
    """Join the extremes of ``values[start:stop]`` of each column to `out`, shape (m,)."""
    length = stop - start
    some = np.flatnonzero(length > 0)
    if not some.size:
        return
    length = length[some]
    begin = np.concatenate(([0], np.cumsum(length)[:-1]))
    index = np.arange(int(length.sum())) + np.repeat(start[some] - begin, length)
    out[some] = least(out[some], least.reduceat(values[index], begin))


def edges_along(x: FloatArray, low: float, high: float, columns: int) -> IntArray:
    """Edges of at most `columns` columns of equal width between `low` and `high`, one sample more on each side.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Ascending.
    low, high : float
    columns : int
        At least one.

    Returns
    -------
    ndarray of int, shape (m + 1,)
        Strictly ascending, so no column is empty; a column for every sample where there are no more than twice as many
        samples as columns.
    """
    begin = max(int(np.searchsorted(x, low)) - 1, 0)
    end = min(int(np.searchsorted(x, high, side="right")) + 1, x.size)
    if end - begin <= 2 * columns:
        return np.arange(begin, end + 1, dtype=np.intp)
    inside = np.searchsorted(x, np.linspace(low, high, columns + 1)[1:-1])
    return np.unique(np.concatenate(([begin], np.clip(inside, begin, end), [end]))).astype(np.intp)
