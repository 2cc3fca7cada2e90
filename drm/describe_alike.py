"""Which item belongs to which mechanism: the assignment in which something that must be alike for all is most alike.

Contacts part, and auxiliary contacts change, at the same share of the stroke in every mechanism of a breaker, to some
tenths of a millimetre; releases take alike long. Read from another mechanism's travel they differ by what the motions
do, so that mechanisms that move alike cannot be told apart: that is said, never guessed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drm.setup_pairing import BAD, MOST, MOVED

__all__ = ["alike"]

FloatArray = NDArray[np.float64]
_FORBIDDEN = 1e6


def alike(values: FloatArray, scatter: float, may: NDArray[np.bool_]) -> tuple[list[int], list[tuple[int, ...]]]:
    """Assign items to mechanisms.

    Parameters
    ----------
    values : ndarray, shape (items, mechanisms, events)
        What must be alike for all items, read with each mechanism; NaN where nothing is read.
    scatter : float
        Standard deviation of it among healthy items, in the same unit.
    may : ndarray of bool, shape (items, mechanisms)
        False where words forbid it.

    Returns
    -------
    list of int
        Mechanism of each item; every mechanism gets as many, where the numbers allow.
    list of tuple of int
        Other mechanisms that fit about as well, and all of them where nothing fits; empty where it is sure.
    """
    items, mechanisms, _ = values.shape
    each = -(-items // mechanisms)
    best: tuple[float, FloatArray, list[int]] | None = None
    for start in range(mechanisms):
        of = [start] * items
        for _ in range(8):
            common = _middle(values[np.arange(items), of])
            cost = _cost(values, common, scatter, may)
            new = _assign(cost, each)
            if new == of:
                break
            of = new
        total = _total(cost, of)
        if best is None or total < best[0]:
            best = (total, cost, of)
    assert best is not None
    total, cost, of = best
    fair = items % mechanisms == 0
    out: list[tuple[int, ...]] = []
    for n in range(items):
        seen = int(np.isfinite(values[n, of[n]]).sum())
        others = [
            m
            for m in range(mechanisms)
            if m != of[n] and may[n, m] and _forced(cost, each if fair else items, n, m) - total < MOVED
        ]
        misfit = cost[n, of[n]] > BAD * max(seen, 1)
        rest = tuple(m for m in range(mechanisms) if m != of[n] and may[n, m])
        out.append(rest if misfit or not seen else tuple(others))
    return of, out


def _middle(rows: FloatArray) -> FloatArray:
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        return np.asarray(np.nanmedian(rows, axis=0))


def _cost(values: FloatArray, common: FloatArray, scatter: float, may: NDArray[np.bool_]) -> FloatArray:
    square = np.minimum(((values - common) / scatter) ** 2, MOST)
    order = np.abs(
        np.subtract.outer(np.arange(len(values)) / max(len(values), 1), np.arange(values.shape[1]) / values.shape[1])
    )
    return np.asarray(np.where(may, np.where(np.isfinite(square), square, 0.0).sum(axis=2) + 1e-3 * order, _FORBIDDEN))


def _assign(cost: FloatArray, each: int) -> list[int]:
    from scipy.optimize import linear_sum_assignment

    _, column = linear_sum_assignment(np.repeat(cost, each, axis=1))
    return [int(c) // each for c in column]


def _total(cost: FloatArray, of: list[int]) -> float:
    return float(cost[np.arange(len(of)), of].sum())


def _forced(cost: FloatArray, each: int, item: int, mechanism: int) -> float:
    forced = cost.copy()
    forced[item] = _FORBIDDEN
    forced[item, mechanism] = cost[item, mechanism]
    return _total(forced, _assign(forced, each))
