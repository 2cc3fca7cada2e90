"""Records and tables of figures in scikit-learn's pipelines.

Needs scikit-learn; nothing that the command line loads at once imports this module.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, OneToOneFeatureMixin, TransformerMixin
from sklearn.utils.validation import check_is_fitted, validate_data

from drm.features.registry import FEATURES
from drm.robust import mad_sds, median

__all__ = ["FleetDeviations", "RecordFeatures"]

FloatArray = NDArray[np.float64]
#: How the interrupters of one record become one figure.
SUMMARIES = ("median", "least", "greatest", "spread")


class RecordFeatures(TransformerMixin, BaseEstimator):
    """From records to one row of figures each: the whole job, and a summary over the interrupters.

    Parameters
    ----------
    breaker : Breaker or path, optional
        Of all records; None: each record's own, found as `drm study` finds it (beside it or above).
    features : sequence of str
        Columns of the feature table.
    kinds : sequence of {'open', 'close'}
    summaries : sequence of {'median', 'least', 'greatest', 'spread'}
        Over all interrupters and operations of a kind.
    on_error : {'raise', 'missing'}
        What a record that cannot be used becomes: the error, or a row of missing values.

    Attributes
    ----------
    n_features_in_ : int
        1: the records.
    """

    def __init__(
        self,
        *,
        breaker: Any = None,
        features: Sequence[str] = ("arcing_wipe_mm", "main_resistance_uohm", "arcing_resistance_uohm"),
        kinds: Sequence[str] = ("open", "close"),
        summaries: Sequence[str] = ("median", "least", "greatest"),
        on_error: str = "raise",
    ) -> None:
        self.breaker = breaker
        self.features = features
        self.kinds = kinds
        self.summaries = summaries
        self.on_error = on_error

    def fit(self, X: Any, y: Any = None) -> RecordFeatures:
        """Check the parameters; nothing is learnt.

        Parameters
        ----------
        X : array-like of paths or Records, shape (n_records,) or (n_records, 1)
        y : ignored

        Raises
        ------
        ValueError
            If a parameter is not one of those allowed.
        """
        known = {f.name for f in FEATURES} | {f"{f.name}_u" for f in FEATURES}
        for what, given, allowed in (
            ("features", self.features, known),
            ("kinds", self.kinds, {"open", "close"}),
            ("summaries", self.summaries, set(SUMMARIES)),
            ("on_error", [self.on_error], {"raise", "missing"}),
        ):
            wrong = [g for g in given if g not in allowed]
            if wrong or not list(given):
                raise ValueError(f"{what} must be among {sorted(allowed)}, got {list(given)}")
        _records(X)
        self.n_features_in_ = 1
        return self

    def transform(self, X: Any) -> FloatArray:
        """Figures of every record, shape (n_records, n_figures); NaN where nothing can be measured."""
        check_is_fitted(self)
        return np.array([self._row(record) for record in _records(X)]).reshape(-1, len(self.get_feature_names_out()))

    def get_feature_names_out(self, input_features: Any = None) -> NDArray[np.object_]:
        """``KIND_FEATURE_SUMMARY`` for each figure."""
        names = [f"{k}_{f}_{s}" for k in self.kinds for f in self.features for s in self.summaries]
        return np.array(names, dtype=object)

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.input_tags.two_d_array = False
        tags.input_tags.string = True
        tags.requires_fit = False
        tags.no_validation = True
        return tags

    def _row(self, given: Any) -> FloatArray:
        from drm.errors import DrmError
        from drm.pipeline import diagnose
        from drm.readers import read
        from drm.record import Record
        from drm.siblings_use import usable

        try:
            record = given if isinstance(given, Record) else read(given)
            table = diagnose(record, self._breaker_of(record)).features
        except DrmError:
            if self.on_error == "raise":
                raise
            return np.full(len(self.get_feature_names_out()), np.nan)
        values: list[float] = []
        for kind in self.kinds:
            mine = table[table["kind"] == kind]
            for feature in self.features:
                column = mine[feature].to_numpy(dtype=np.float64)[usable(mine, feature)]
                values += [_summary(column, s) for s in self.summaries]
        return np.array(values)

    def _breaker_of(self, record: Any) -> Any:
        from drm.breaker import Breaker
        from drm.errors import InputError
        from drm.study.tree import breaker_file_of

        if isinstance(self.breaker, Breaker):
            return self.breaker
        place = self.breaker if self.breaker is not None else breaker_file_of(os.fspath(record.path or ""))
        if place is None:
            raise InputError("no breaker file belongs to the record", path=record.path, mend="give breaker=")
        return Breaker.load(place)


def _records(X: Any) -> list[Any]:
    from drm.record import Record

    if isinstance(X, (str, bytes, os.PathLike, Record)):
        raise ValueError("give a list of records, not one record")
    if hasattr(X, "to_numpy"):
        X = X.to_numpy()
    rows = list(X)
    if rows and isinstance(rows[0], (list, tuple, np.ndarray)):
        if any(len(r) != 1 for r in rows):
            raise ValueError("give one column of records")
        rows = [r[0] for r in rows]
    if not rows:
        raise ValueError("Found array with 0 sample(s) while a minimum of 1 is required.")
    return rows


def _summary(values: FloatArray, what: str) -> float:
    if values.size == 0:
        return float("nan")
    if what == "spread":
        return float(values.max() - values.min())
    share = {"least": 0.0, "median": 0.5, "greatest": 1.0}[what]
    return float(np.quantile(values, share))


class FleetDeviations(OneToOneFeatureMixin, TransformerMixin, BaseEstimator):
    """Every figure as its robust distance from the fleet's, in robust standard deviations; missing ones stay missing.

    Parameters
    ----------
    scatter : array-like of shape (n_features,), optional
        Scatter known from elsewhere, in the unit of each figure.
    scatter_dof : float, default 10.0
        As if it were estimated from so many degrees of freedom; partial pooling with the fleet's own scatter.
    limit : float, optional
        Deviations are cut off at plus and minus so many; None: not.

    Attributes
    ----------
    location_, scale_ : ndarray of shape (n_features,)
    n_features_in_ : int
    """

    def __init__(
        self, *, scatter: ArrayLike | None = None, scatter_dof: float = 10.0, limit: float | None = None
    ) -> None:
        self.scatter = scatter
        self.scatter_dof = scatter_dof
        self.limit = limit

    def fit(self, X: ArrayLike, y: Any = None) -> FleetDeviations:
        """Learn the fleet's medians and scatters.

        Parameters
        ----------
        X : array-like of shape (n_samples, n_features)
        y : ignored

        Raises
        ------
        ValueError
            If a parameter or the table is out of range.
        """
        x: FloatArray = validate_data(self, X, dtype=np.float64, ensure_all_finite="allow-nan")
        columns = x.T
        self.location_ = np.nan_to_num(median(columns))
        own, n = np.nan_to_num(mad_sds(columns)), np.maximum(np.isfinite(columns).sum(axis=1) - 1.0, 0.0)
        variance = own**2
        if self.scatter is not None:
            known = np.asarray(self.scatter, dtype=np.float64)
            if known.shape != (x.shape[1],) or not bool((known > 0).all()) or not self.scatter_dof > 0:
                raise ValueError(f"scatter must be {x.shape[1]} numbers above zero, got {self.scatter!r}")
            variance = (self.scatter_dof * known**2 + n * variance) / (self.scatter_dof + n)
        # A figure that is equal for more than half of the fleet has no robust scatter.
        self.scale_ = np.where(variance > 0, np.sqrt(variance), 1.0)
        return self

    def transform(self, X: ArrayLike) -> FloatArray:
        """Deviations, shape (n_samples, n_features)."""
        check_is_fitted(self)
        x: FloatArray = validate_data(self, X, dtype=np.float64, reset=False, ensure_all_finite="allow-nan")
        z = (x - self.location_) / self.scale_
        return z if self.limit is None else np.clip(z, -self.limit, self.limit)

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.input_tags.allow_nan = True
        return tags
