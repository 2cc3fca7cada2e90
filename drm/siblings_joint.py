"""Features taken together: an interrupter that is a little off in many, or off in a combination that is not usual."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["JOINT_DOF", "as_normal", "shrunken", "together"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: How well the correlations known from elsewhere are known, in degrees of freedom: common practice, no source.
JOINT_DOF = 20.0
# Siblings that only one healthy interrupter in a thousand would match do not help to find the correlations.
_FAR_P = 1e-3


def as_normal(t: FloatArray, dof: FloatArray) -> FloatArray:
    """Student's t as the standard normal deviate of the same probability; same shape."""
    from drm.special import ndtri, stdtr

    tail = np.clip(stdtr(dof, -np.abs(t)), 1e-300, 0.5)
    return np.asarray(np.sign(t) * -ndtri(tail), dtype=np.float64)


def shrunken(z: FloatArray, prior: FloatArray, dof: float) -> FloatArray:
    """Covariance between the prior's and the rows' own, shape (d, d), times its degrees of freedom.

    (dof C0 + sum of z z'): the conjugate form, whose weight on the prior is dof / (dof + rows).

    Parameters
    ----------
    z : ndarray, shape (m, d)
    prior : ndarray, shape (d, d)
    dof : float
    """
    return np.asarray(dof * prior + z.T @ z, dtype=np.float64)


def together(z: FloatArray, prior: FloatArray, *, dof: float = JOINT_DOF) -> tuple[FloatArray, FloatArray]:
    """Distance of each interrupter from the others in all features, and its probability by itself.

    With the inverse Wishart's `dof` on the correlations, the squared distance by the covariance of the others follows
    F with d and dof + m degrees of freedom, m being how many others there are.

    Parameters
    ----------
    z : ndarray, shape (n, d)
        Standardised deviations, NaN where not measured.
    prior : ndarray, shape (d, d)
        Correlations known from elsewhere.
    dof : float

    Returns
    -------
    p : ndarray, shape (n,)
        NaN where fewer than two features are measured.
    lead : ndarray, shape (n, d)
        Part of the squared distance that each feature brings, adding up to it; NaN where not measured.
    """
    from drm.special import chdtri, fdtrc

    p, lead = np.full(z.shape[0], np.nan), np.full(z.shape, np.nan)
    known = np.isfinite(z)
    for pattern in np.unique(known, axis=0):
        d = int(pattern.sum())
        if d < 2:
            continue
        core = prior[np.ix_(pattern, pattern)]
        mine = np.flatnonzero((known == pattern).all(axis=1))
        whole = np.flatnonzero(known[:, pattern].all(axis=1))
        inside = z[np.ix_(whole, pattern)]
        near = np.einsum("ij,ij->i", inside, np.linalg.solve(core, inside.T).T) <= float(chdtri(d, _FAR_P))
        inverse = np.linalg.inv(shrunken(inside[near], core, dof))
        x = z[np.ix_(mine, pattern)]
        part = x * (x @ inverse)
        q = part.sum(axis=1)
        one_of_them = np.isin(mine, whole[near])
        # Sherman-Morrison: the distance by the covariance without the row itself.
        free = np.where(one_of_them, 1.0 / np.maximum(1.0 - q, 1e-12), 1.0)
        m = int(near.sum()) - one_of_them
        p[mine] = fdtrc(d, dof + m, q * free * (dof + m) / d)
        lead[np.ix_(mine, pattern)] = part * (free * (dof + m))[:, None]
    return p, lead
