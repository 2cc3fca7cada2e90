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
#: What an item costs at the most: it may be misadjusted or worn and belong where it does not fit. Less than what makes
#: an assignment sure: two that changed places both fit badly, but one odd item alone decides nothing.
ODD = 0.9 * MOVED


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
            misfit = _misfit(values, _middle(values[np.arange(items), of]), scatter)
            cost = _cost(misfit, may)
            new = _assign(cost, each)
            if new == of:
                break
            of = new
        total = _total(cost, of)
        if best is None or total < best[0]:
            best = (total, misfit, of)
    assert best is not None
    total, misfit, of = best
    cost = _cost(misfit, may)
    fair = items % mechanisms == 0
    out: list[tuple[int, ...]] = []
    for n in range(items):
        seen = int(np.isfinite(values[n, of[n]]).sum())
        others = [
            m
            for m in range(mechanisms)
            if m != of[n] and may[n, m] and _forced(cost, each if fair else items, n, m) - total < MOVED
        ]
        odd = misfit[n, of[n]] > BAD * max(seen, 1)
        rest = tuple(m for m in range(mechanisms) if m != of[n] and may[n, m])
        out.append(rest if odd or not seen else tuple(others))
    return of, out


def _middle(rows: FloatArray) -> FloatArray:
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        return np.asarray(np.nanmedian(rows, axis=0))


def _misfit(values: FloatArray, common: FloatArray, scatter: float) -> FloatArray:
    """Squared misfit of each item with each mechanism, summed over what is seen."""
    square = np.minimum(((values - common) / scatter) ** 2, MOST)
    return np.asarray(np.where(np.isfinite(square), square, 0.0).sum(axis=2))


def _cost(misfit: FloatArray, may: NDArray[np.bool_]) -> FloatArray:
    """What each assignment costs; the order of the record decides between equals."""
    items, mechanisms = misfit.shape
    order = np.abs(np.subtract.outer(np.arange(items) / items, np.arange(mechanisms) / mechanisms))
    return np.asarray(np.where(may, np.minimum(misfit, ODD) + 1e-3 * order, _FORBIDDEN))


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
