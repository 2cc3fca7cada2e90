"""Auxiliary contacts: they follow the travel, bounce as they make, and their truth."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drm.synthetic.scenario import Auxiliary
from drm.synthetic.truth import AuxiliaryTruth

__all__ = ["changes", "switch"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def switch(
    state: BoolArray, time: FloatArray, auxiliary: Auxiliary, rng: np.random.Generator
) -> tuple[BoolArray, list[tuple[float, float, int]]]:
    """The contact with its bounce, and for each change the first and the settled instant and the losses between.

    A contact bounces as it makes and parts cleanly: each loss is shorter than the one before by half.
    """
    out, found = state.copy(), []
    for k in np.flatnonzero(state[1:] != state[:-1]) + 1:
        first = last = float(time[k])
        lost = 0
        if state[k]:
            length = 1e-3 * auxiliary.bounce_ms * rng.uniform(0.7, 1.3)
            begin = first + rng.uniform(0.5, 1.5) * length
            for _ in range(auxiliary.bounces):
                gone = (time >= begin) & (time < begin + length)
                if not gone.any():
                    break
                out[gone] = False
                last, lost = float(time[min(np.flatnonzero(gone)[-1] + 1, time.size - 1)]), lost + 1
                begin, length = begin + 2.0 * length, 0.5 * length
        found.append((first, last, lost))
    return out, found


def changes(
    mechanism: str,
    contact: str,
    state: BoolArray,
    found: list[tuple[float, float, int]],
    starts_s: list[float],
    time: FloatArray,
) -> list[AuxiliaryTruth]:
    """The truth of each change, with the number of the operation that made it."""
    rows = []
    for first, last, lost in found:
        operation = max(int(np.searchsorted(starts_s, first, side="right")), 1)
        makes = bool(state[int(np.searchsorted(time, first))])
        rows.append(AuxiliaryTruth(mechanism, operation, contact, makes, first, last, lost))
    return rows
