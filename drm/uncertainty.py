"""Law of propagation of uncertainty: JCGM 100:2008 (GUM), clauses 5 and G.

Two forms of one law. :func:`propagate` takes input estimates with their covariance matrix through any function.
:func:`combined` takes sources that are independent and known by name; because every value keeps its sources
(:attr:`drm.quantity.Quantity.parts`), the covariance of two values follows from the names that they share.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drm.quantity import Quantity

__all__ = [
    "Propagated",
    "combined",
    "correlation",
    "covariance",
    "covariance_matrix",
    "coverage_factor",
    "effective_dof",
    "jacobian",
    "propagate",
    "with_correlation",
]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Propagated:
    """Output estimates and their covariance.

    Attributes
    ----------
    values : ndarray, shape (m,)
    covariance : ndarray, shape (m, m)
    """

    values: FloatArray
    covariance: FloatArray

    @property
    def u(self) -> FloatArray:
        """Standard uncertainties, shape (m,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlation(self) -> FloatArray:
        """Correlation coefficients, shape (m, m); NaN beside an output without uncertainty."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(self.covariance / np.outer(self.u, self.u), dtype=np.float64)


def with_correlation(u: ArrayLike, correlation: ArrayLike) -> FloatArray:
    """Covariance matrix, shape (n, n), from standard uncertainties (n,) and correlation coefficients (n, n)."""
    size = np.asarray(u, dtype=np.float64)
    return np.asarray(np.outer(size, size) * np.asarray(correlation, dtype=np.float64), dtype=np.float64)


def jacobian(function: Callable[[FloatArray], ArrayLike], x: ArrayLike, steps: ArrayLike) -> FloatArray:
    """Derivatives of `function` at `x` by central differences, shape (m, n).

    Parameters
    ----------
    function : callable
        From shape (n,) to a number or shape (m,).
    x : array_like, shape (n,)
    steps : array_like, shape (n,)
        The inputs' standard uncertainties, as JCGM 100, 5.1.3 note 2, has it: the slope over the range that the input
        can take counts, not that in a point. An input without uncertainty has no step, and its column is 0.
    """
    at, step = np.asarray(x, dtype=np.float64), np.asarray(steps, dtype=np.float64)
    columns = []
    for i, width in enumerate(step):
        if width == 0.0:
            columns.append(np.zeros_like(np.atleast_1d(np.asarray(function(at), dtype=np.float64))))
            continue
        move = np.zeros_like(at)
        move[i] = width
        up, down = (np.atleast_1d(np.asarray(function(at + s * move), dtype=np.float64)) for s in (1.0, -1.0))
        columns.append((up - down) / (2.0 * width))
    return np.column_stack(columns)


def propagate(
    function: Callable[[FloatArray], ArrayLike],
    x: ArrayLike,
    covariance: ArrayLike,
    *,
    derivatives: ArrayLike | None = None,
) -> Propagated:
    """Covariance of ``function(x)``: ``J V J^T`` (JCGM 100, 5.2.2, for several outputs H.2).

    Parameters
    ----------
    function : callable
        From shape (n,) to a number or shape (m,).
    x : array_like, shape (n,)
    covariance : array_like, shape (n, n) or (n,)
        Of the inputs; standard uncertainties alone where they are uncorrelated.
    derivatives : array_like, shape (m, n), optional
        Where known in closed form; otherwise from :func:`jacobian`.
    """
    at, given = np.asarray(x, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    matrix = np.diag(given**2) if given.ndim == 1 else given
    values = np.atleast_1d(np.asarray(function(at), dtype=np.float64))
    slopes = (
        jacobian(function, at, np.sqrt(np.diag(matrix)))
        if derivatives is None
        else np.atleast_2d(np.asarray(derivatives, dtype=np.float64))
    )
    return Propagated(values, np.asarray(slopes @ matrix @ slopes.T, dtype=np.float64))


def combined(value: float, parts: Mapping[str, float]) -> Quantity:
    """A value whose independent sources of error add `parts` (derivative times standard uncertainty, signed).

    Its standard uncertainty is their root sum of squares (JCGM 100, 5.1.2). NaN in a part makes it NaN.
    """
    return Quantity(value, math.hypot(*parts.values()), tuple(parts.items()))


def covariance(a: Quantity, b: Quantity) -> float:
    """Covariance of two values of one measurement, from the sources that they share (JCGM 100, F.1.2.3)."""
    other = dict(b.parts)
    return sum(part * other[name] for name, part in a.parts if name in other)


def correlation(a: Quantity, b: Quantity) -> float:
    """Correlation coefficient of two values of one measurement; NaN where one has no uncertainty."""
    size = a.u * b.u
    return covariance(a, b) / size if size > 0.0 else math.nan


def covariance_matrix(quantities: Sequence[Quantity]) -> FloatArray:
    """Covariances of the values of one measurement, shape (m, m)."""
    return np.array([[covariance(a, b) for b in quantities] for a in quantities], dtype=np.float64)


def effective_dof(parts: Iterable[tuple[float, float]]) -> float:
    """Welch-Satterthwaite: degrees of freedom of a sum of independent parts (JCGM 100, G.4.1).

    Parameters
    ----------
    parts : iterable of (part, dof)
        Derivative times standard uncertainty, and its degrees of freedom (infinite where it is taken as known).

    Returns
    -------
    float
        Infinite where every part is known exactly.
    """
    listed = list(parts)
    total = sum(part**2 for part, _ in listed)
    uncertain = sum(part**4 / dof for part, dof in listed)
    return total**2 / uncertain if uncertain > 0.0 else math.inf


def coverage_factor(coverage: float = 0.95, dof: float = math.inf) -> float:
    """Half width of the interval of this coverage, in standard uncertainties: Student's t (JCGM 100, G.3.2).

    Parameters
    ----------
    coverage : float
        Between 0 and 1.
    dof : float
        Cut to a whole number, as JCGM 100, G.4.1, advises.
    """
    from drm.special import ndtri, stdtrit

    upper = 0.5 * (1.0 + coverage)
    return float(ndtri(upper) if math.isinf(dof) else stdtrit(max(1.0, math.floor(dof)), upper))
