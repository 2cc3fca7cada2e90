"""The comparison of siblings as a scikit-learn estimator, for tables of figures that know of no poles.

Needs scikit-learn; nothing in the program imports this module, so that the command line stays light.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, OutlierMixin
from sklearn.utils.validation import check_is_fitted, validate_data

from drm.robust import inliers, mad_sds
from drm.siblings_joint import JOINT_DOF, as_normal, shrunken

__all__ = ["SiblingOutliers"]

FloatArray = NDArray[np.float64]


class SiblingOutliers(OutlierMixin, BaseEstimator):
    """Few siblings, many features: who stands apart, with a scale that may be borrowed.

    Each feature is centred on the siblings that lie together and scaled by their scatter joined with the healthy
    scatter known from elsewhere, (nu0 s0^2 + nu s^2) / (nu0 + nu); deviations become normal ones of the same
    probability, and their squared distance by a covariance shrunk towards none is judged by F. The bound of 'auto'
    allows for how many are compared.

    Parameters
    ----------
    contamination : float or 'auto', default 0.1
        Share of the fitted samples to be called outliers, healthy or not: the library's convention for its detectors.
        'auto': as many as stand apart, by the bound that `alpha` sets; what a judgement should rest on.
    alpha : float, default 0.05
        With 'auto', the probability that any of as many healthy siblings as were fitted is called an outlier.
    scatter : array-like of shape (n_features,), optional
        Healthy standard deviation of each feature, in its unit; None: only the siblings tell. Then three or four can be
        ranked by :meth:`score_samples`, and :meth:`predict` calls almost nobody an outlier.
    scatter_dof : float, default 10.0
        Degrees of freedom behind `scatter`.
    correlation_dof : float, default 20.0
        How firmly features are held for unrelated, in degrees of freedom.

    Attributes
    ----------
    location_, scale_ : ndarray of shape (n_features,)
    dof_ : ndarray of shape (n_features,)
        Degrees of freedom of `scale_`.
    covariance_ : ndarray of shape (n_features, n_features)
        Of the standardised features, shrunken.
    offset_ : float
        Bound of :meth:`score_samples`.
    n_features_in_ : int
    """

    def __init__(
        self,
        *,
        contamination: float | str = 0.1,
        alpha: float = 0.05,
        scatter: ArrayLike | None = None,
        scatter_dof: float = 10.0,
        correlation_dof: float = JOINT_DOF,
    ) -> None:
        self.contamination = contamination
        self.alpha = alpha
        self.scatter = scatter
        self.scatter_dof = scatter_dof
        self.correlation_dof = correlation_dof

    def fit(self, X: ArrayLike, y: Any = None) -> SiblingOutliers:
        """Learn location, scale and correlations.

        Parameters
        ----------
        X : array-like of shape (n_samples, n_features)
            At least two siblings.
        y : ignored

        Returns
        -------
        SiblingOutliers
            Itself.

        Raises
        ------
        ValueError
            If a parameter or the table is out of range.
        """
        from drm.special import chdtri, fdtri

        x: FloatArray = validate_data(self, X, dtype=np.float64, ensure_min_samples=2)
        n, d = x.shape
        known, dof = self._borrowed(d)
        columns = x.T
        own = n - 1.0
        rough = np.sqrt((dof * known**2 + own * mad_sds(columns) ** 2) / (dof + own))
        # Features that are equal for more than half have no robust scatter: their plain one is taken.
        rough = np.where(rough > 0, rough, columns.std(axis=1, ddof=1))
        keep = inliers(columns, rough) if n > 2 else np.ones(columns.shape, dtype=np.bool_)
        m = keep.sum(axis=1)
        self.location_ = np.where(keep, columns, 0.0).sum(axis=1) / m
        squares = (np.where(keep, columns - self.location_[:, None], 0.0) ** 2).sum(axis=1)
        self.dof_ = dof + m - 1.0
        variance = (dof * known**2 + squares) / self.dof_
        tiny = np.finfo(np.float64).tiny ** 0.5
        self.scale_ = np.sqrt(np.maximum(variance * (1.0 + 1.0 / m), tiny))
        z = self._standard(x)
        near = (z**2).sum(axis=1) <= float(chdtri(d, 1e-3))
        self._joint_dof = float(self.correlation_dof + near.sum())
        self.covariance_ = shrunken(z[near], np.eye(d), float(self.correlation_dof)) / self._joint_dof
        self._inverse = np.linalg.inv(self.covariance_)
        if isinstance(self.contamination, str):
            single = -np.expm1(np.log1p(-float(self.alpha)) / n)
            self.offset_ = -float(fdtri(d, self._joint_dof, 1.0 - single))
        else:
            self.offset_ = float(np.percentile(self._scores(x), 100.0 * self.contamination))
        return self

    def _borrowed(self, d: int) -> tuple[FloatArray, float]:
        c = self.contamination
        if c != "auto" if isinstance(c, str) else not 0.0 < c <= 0.5:
            raise ValueError(f"contamination must be 'auto' or lie in (0, 0.5], got {c!r}")
        if not 0.0 < self.alpha < 1.0:
            raise ValueError(f"alpha must lie between 0 and 1, got {self.alpha!r}")
        if not self.scatter_dof >= 0.0 or not self.correlation_dof > 0.0:
            raise ValueError("scatter_dof must be zero or more and correlation_dof above zero")
        if self.scatter is None:
            return np.zeros(d), 0.0
        known = np.asarray(self.scatter, dtype=np.float64)
        if known.shape != (d,) or not bool((known > 0).all()):
            raise ValueError(f"scatter must be {d} numbers above zero, one for each feature, got {self.scatter!r}")
        return known, float(self.scatter_dof)

    def _standard(self, x: FloatArray) -> FloatArray:
        return as_normal((x - self.location_) / self.scale_, np.broadcast_to(self.dof_, x.shape))

    def explain(self, X: ArrayLike) -> FloatArray:
        """Part of each sample's distance that each feature brings, shape (n_samples, n_features).

        Rows add up to minus :meth:`score_samples`.
        """
        check_is_fitted(self)
        x: FloatArray = validate_data(self, X, dtype=np.float64, reset=False)
        return self._parts(x)

    def _parts(self, x: FloatArray) -> FloatArray:
        z = self._standard(x)
        return np.asarray(z * (z @ self._inverse) / z.shape[1], dtype=np.float64)

    def _scores(self, x: FloatArray) -> FloatArray:
        return np.asarray(-self._parts(x).sum(axis=1), dtype=np.float64)

    def score_samples(self, X: ArrayLike) -> FloatArray:
        """Minus the squared distance over the number of features: the lower, the further apart; shape (n_samples,)."""
        return np.asarray(-self.explain(X).sum(axis=1), dtype=np.float64)

    def decision_function(self, X: ArrayLike) -> FloatArray:
        """:meth:`score_samples` above its bound: negative for outliers; shape (n_samples,)."""
        return np.asarray(self.score_samples(X) - self.offset_, dtype=np.float64)

    def predict(self, X: ArrayLike) -> NDArray[np.int64]:
        """-1 for outliers, 1 for the others; shape (n_samples,)."""
        return np.where(self.decision_function(X) < 0, -1, 1).astype(np.int64)
