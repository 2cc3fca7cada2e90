"""The move of the current, the levels and their slopes, the inductance, hum and offset: one maximum of the likelihood.

The fit of the move (:mod:`drm.commutation`) takes the trace as :mod:`drm.hum` and :mod:`drm.offset` left it. What these
could not tell is still on it, and a level that slopes looks as if it fluctuated: a clear slope is taken out, and the
fit made again. From that one Gauss-Newton step goes to the maximum of the likelihood in everything together. All that
the closed contact at rest and the stretch without current said about hum and offset enters as their joint normal
distribution, which is what fitting every sample of those stretches again would give (recursive least squares; Gauss,
1823).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drm.commutation import Commutation, fit_commutation, nothing_left
from drm.hum import Hum
from drm.quantity import Quantity

if TYPE_CHECKING:
    from drm._jointly_kernels import Left

__all__ = ["fit_jointly"]

FloatArray = NDArray[np.float64]

#: Least uncertainty of an offset, V.
LEAST_V = 1e-9


def fit_jointly(
    time_s: FloatArray,
    voltage_v: FloatArray,
    current_a: FloatArray,
    rate_a_s: FloatArray,
    *,
    near: int,
    last: int,
    closed_ohm: Quantity,
    closed_scatter_ohm: float,
    sigma_v: float,
    longest_s: float,
    long_run: float = 1.0,
    scatter_v: float = 0.0,
    hum: Hum | None = None,
    offset_u_v: float = 0.0,
    sense: float = 1.0,
    alike_s: float = 0.0,
) -> Commutation | None:
    """The move at the joint maximum, with the uncertainty that all of it leaves.

    Parameters
    ----------
    time_s, voltage_v, current_a, rate_a_s, near, last, closed_ohm, closed_scatter_ohm, sigma_v, longest_s, long_run, \
scatter_v, alike_s
        As :func:`drm.commutation.fit_commutation` has them.
    hum : Hum, optional
        What was taken out of the trace, with the covariance of its coefficients.
    offset_u_v : float
        Standard uncertainty of the offset that is left.
    sense : {1.0, -1.0}
        By what `time_s` is multiplied to be the clock of `hum`: -1 where a closing was turned round.

    Returns
    -------
    Commutation or None
        None where fewer than eight samples lie in reach.
    """
    return fit_commutation(
        time_s,
        voltage_v,
        current_a,
        rate_a_s,
        near=near,
        first=0,
        last=last,
        closed_ohm=closed_ohm,
        closed_scatter_ohm=closed_scatter_ohm,
        sigma_v=sigma_v,
        longest_s=longest_s,
        long_run=long_run,
        scatter_v=scatter_v,
        left=_left(hum, offset_u_v, sense),
        alike_s=alike_s,
    )


def _left(hum: Hum | None, offset_u_v: float, sense: float) -> Left:
    """What hum and offset may have left on the trace, as the kernel reads it."""
    from drm._jointly_kernels import Left

    offset_u = max(offset_u_v, LEAST_V)
    if hum is None or hum.covariance is None:
        return nothing_left(sense=sense, offset_u_v=offset_u)
    scale = np.sqrt(np.maximum(np.diag(hum.covariance), 1e-30))
    correlation = hum.covariance / np.outer(scale, scale) + 1e-9 * np.eye(scale.size)
    precision = np.ascontiguousarray(np.linalg.inv(correlation))
    amplitudes = np.array(hum.cosine), np.array(hum.sine)
    return Left(hum.frequency_hz, hum.origin_s, *amplitudes, scale, precision, sense, offset_u)
