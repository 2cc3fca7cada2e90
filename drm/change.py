"""Where the closed state gives way to the arcing one: an exact search on running sums, heavy-tailed states."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["arcing_from"]

FloatArray = NDArray[np.float64]


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
    from drm._change_kernels import arcing_from as search

    volts, amps = np.ascontiguousarray(voltage_v), np.ascontiguousarray(current_a)
    return search(volts, amps, closed_ohm, sigma_v, last)
