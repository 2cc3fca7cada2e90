"""Robust least squares for curves of a few unknowns: Levenberg and Marquardt's steps under the soft-l1 loss."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["fit_curve"]

FloatArray = NDArray[np.float64]


def fit_curve(
    residual: Callable[[FloatArray], FloatArray],
    seed: FloatArray,
    *,
    low: FloatArray,
    high: FloatArray,
    soft: float,
    rounds: int = 60,
) -> tuple[FloatArray, FloatArray]:
    """Unknowns that minimise ``sum 2 s^2 (sqrt(1 + (r/s)^2) - 1)`` with ``s = soft``, within bounds.

    Parameters
    ----------
    residual : function of ndarray, shape (p,), to ndarray, shape (n,)
        In standard deviations.
    seed, low, high : ndarray, shape (p,)
        Where to begin, and the bounds; all unknowns are to be of order one.
    soft : float
        Residual from which the loss grows by the residual and no longer by its square.
    rounds : int
        Steps tried at the most.

    Returns
    -------
    unknowns : ndarray, shape (p,)
    jacobian : ndarray, shape (n, p)
        Of the weighed residuals there: ``inv(J.T @ J)`` is the covariance.

    Notes
    -----
    D. W. Marquardt, "An algorithm for least-squares estimation of nonlinear parameters", J. SIAM 11 (1963), 431.
    The weights are those that make ``J.T @ J`` the loss's second derivative: B. Triggs et al., "Bundle adjustment - a
    modern synthesis" (2000), section 4.3.
    """
    x = np.clip(np.asarray(seed, dtype=np.float64), low, high)
    r = residual(x)
    cost, damping = _loss(r, soft), 1e-3
    jacobian, weighed = _linear(residual, x, r, low, high, soft)
    for _ in range(rounds):
        normal, slope = jacobian.T @ jacobian, jacobian.T @ weighed
        # An unknown held at its bound leaves the step to the others.
        free = ~((x <= low) & (slope > 0.0) | (x >= high) & (slope < 0.0))
        if not bool(free.any()):
            break
        part = normal[np.ix_(free, free)] + damping * np.diag(np.maximum(np.diag(normal)[free], 1e-12))
        step = np.zeros(x.size)
        step[free] = -np.linalg.solve(part, slope[free])
        trial = np.clip(x + step, low, high)
        r_trial = residual(trial)
        now = _loss(r_trial, soft)
        if now < cost:
            done = cost - now < 1e-10 * cost or float(np.abs(trial - x).max()) < 1e-9
            x, r, cost, damping = trial, r_trial, now, max(0.2 * damping, 1e-12)
            jacobian, weighed = _linear(residual, x, r, low, high, soft)
            if done:
                break
        else:
            damping *= 6.0
            if damping > 1e12 or float(np.abs(trial - x).max()) < 1e-12:
                break
    return x, jacobian


def _loss(r: FloatArray, soft: float) -> float:
    return float(np.sum(2.0 * soft**2 * (np.sqrt(1.0 + np.square(r / soft)) - 1.0)))


def _linear(
    residual: Callable[[FloatArray], FloatArray],
    x: FloatArray,
    r: FloatArray,
    low: FloatArray,
    high: FloatArray,
    soft: float,
) -> tuple[FloatArray, FloatArray]:
    """Jacobian by differences, into the bounds, and residuals, both weighed."""
    columns = []
    for k in range(x.size):
        step = 1e-7 * max(1.0, abs(float(x[k])))
        moved = x.copy()
        moved[k] += step if x[k] + step <= high[k] else -step
        moved[k] = max(moved[k], low[k])
        columns.append((residual(moved) - r) / (moved[k] - x[k]))
    z = 1.0 + np.square(r / soft)
    weight = z**-0.75
    return np.stack(columns, axis=1) * weight[:, None], r * z**-0.5 / weight
