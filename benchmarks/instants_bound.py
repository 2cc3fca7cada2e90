"""Cramer-Rao bound of one straight commutation, from the Fisher information of the whole record.

``V_k = I_k [Rm (1 - h_k) + Ra h_k] (+ L dI/dt) + white noise`` with ``h = clip((t - m) / d + 1/2, 0, 1)``; unknown are
Rm, Ra, the middle m, the duration d and, where asked, L. For Gaussian noise of known deviation the information is
``J^T J / sigma^2`` with J the derivatives of the mean (S. M. Kay, *Fundamentals of Statistical Signal Processing:
Estimation Theory*, 1993, section 3.9; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Bound:
    """Least standard deviations that an unbiased estimate can have."""

    closed_ohm: float
    arcing_ohm: float
    middle_s: float
    duration_s: float
    onset_s: float
    inductance_h: float = math.nan


def bound(
    time_s: FloatArray,
    current_a: FloatArray,
    *,
    closed_ohm: float,
    arcing_ohm: float,
    middle_s: float,
    duration_s: float,
    sigma_v: float,
    rate_a_s: FloatArray | None = None,
) -> Bound:
    """The bound over all samples given.

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        Of the metallic contact only.
    closed_ohm, arcing_ohm, middle_s, duration_s : float
        The truth.
    sigma_v : float
        Standard deviation of the white noise of the voltage.
    rate_a_s : ndarray, shape (n,), optional
        dI/dt where the sense loop's inductance is unknown as well.
    """
    u = (time_s - middle_s) / duration_s
    h = np.clip(u + 0.5, 0.0, 1.0)
    rise = np.where(np.abs(u) < 0.5, current_a * (arcing_ohm - closed_ohm) / duration_s, 0.0)
    # Columns scaled to comparable size, so that the information can be inverted in double precision.
    scales = [closed_ohm, arcing_ohm, duration_s, duration_s]
    columns = [current_a * (1.0 - h), current_a * h, -rise, -rise * u]
    if rate_a_s is not None:
        scales.append(1e-6)
        columns.append(rate_a_s)
    scale = np.array(scales)
    jacobian = np.column_stack(columns) * scale / sigma_v
    covariance = np.linalg.inv(jacobian.T @ jacobian) * np.outer(scale, scale)
    to_onset = np.zeros(scale.size)
    to_onset[2:4] = 1.0, -0.5
    sd = np.sqrt(np.diag(covariance))
    return Bound(
        *(float(x) for x in sd[:4]),
        onset_s=math.sqrt(float(to_onset @ covariance @ to_onset)),
        inductance_h=float(sd[4]) if rate_a_s is not None else math.nan,
    )
