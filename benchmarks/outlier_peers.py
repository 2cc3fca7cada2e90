"""Outlier tests of the textbooks and of the common library, for the benchmark of siblings."""

from __future__ import annotations

import warnings
from typing import NamedTuple

import numpy as np
from scipy import stats

from drm.robust import median


class Grubbs(NamedTuple):
    """Statistic G of the furthest value and its critical value."""

    g: float
    critical: float


def grubbs(values: np.ndarray, *, alpha: float = 0.05, sides: int = 2) -> Grubbs:
    """Grubbs' test of the furthest value (Grubbs 1969; formula as in the NIST/SEMATECH e-Handbook, 1.3.5.17.1)."""
    n = values.size
    t2 = stats.t.isf(alpha / (sides * n), n - 2) ** 2
    critical = (n - 1) / np.sqrt(n) * np.sqrt(t2 / (n - 2 + t2))
    return Grubbs(float(np.abs(values - values.mean()).max() / values.std(ddof=1)), float(critical))


class Esd(NamedTuple):
    """Statistics R and critical values of the generalized ESD test, and how many outliers it finds."""

    r: np.ndarray
    critical: np.ndarray
    outliers: np.ndarray


def generalized_esd(values: np.ndarray, *, most: int, alpha: float = 0.05) -> Esd:
    """Rosner's generalized extreme studentized deviate test (Rosner 1983; NIST/SEMATECH e-Handbook, 1.3.5.17.3)."""
    left, taken = np.asarray(values, dtype=float).copy(), []
    r, critical = np.empty(most), np.empty(most)
    n = left.size
    for i in range(most):
        far = int(np.argmax(np.abs(left - left.mean())))
        r[i] = abs(left[far] - left.mean()) / left.std(ddof=1)
        m = n - i  # values still there
        t = stats.t.ppf(1 - alpha / (2 * m), m - 2)
        critical[i] = (m - 1) * t / np.sqrt((m - 2 + t * t) * m)
        taken.append(left[far])
        left = np.delete(left, far)
    over = np.flatnonzero(r > critical)
    return Esd(r, critical, np.array(taken[: over[-1] + 1 if over.size else 0]))


def modified_z(values: np.ndarray) -> np.ndarray:
    """0.6745 (x - median) / MAD along axis 0 (Iglewicz & Hoaglin 1993; 3.5 is their bound)."""
    away = values - median(values, 0)
    return 0.6745 * away / np.maximum(median(np.abs(away), 0), 1e-12)


# Each peer: (n, f) standardised features -> (scores of shape (n,), outliers as it says by itself).
Said = tuple[np.ndarray, np.ndarray]


def by_grubbs(x: np.ndarray) -> Said:
    """Furthest feature of each, corrected for the number of features."""
    score = (np.abs(x - x.mean(axis=0)) / x.std(axis=0, ddof=1)).max(axis=1)
    return score, score > grubbs(x[:, 0], alpha=0.05 / x.shape[1]).critical


def by_modified_z(x: np.ndarray) -> Said:
    """Furthest feature of each."""
    score = np.abs(modified_z(x)).max(axis=1)
    return score, score > 3.5


def by_forest(x: np.ndarray) -> Said:
    """Isolation forest with its own settings, 100 trees."""
    from sklearn.ensemble import IsolationForest

    made = IsolationForest(random_state=0).fit(x)
    return -made.score_samples(x), made.predict(x) < 0


def by_envelope(x: np.ndarray) -> Said:
    """Robust covariance (minimum covariance determinant); by itself: chi-square at 5 % of breakers."""
    from sklearn.covariance import EllipticEnvelope

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        made = EllipticEnvelope(random_state=0).fit(x)
    score = made.mahalanobis(x)
    return score, score > stats.chi2.isf(0.05 / len(x), x.shape[1])


def by_neighbours(x: np.ndarray) -> Said:
    """Local outlier factor with half of the others as neighbours."""
    from sklearn.neighbors import LocalOutlierFactor

    made = LocalOutlierFactor(n_neighbors=max(len(x) // 2, 2))
    said = made.fit_predict(x) < 0
    return -made.negative_outlier_factor_, said


PEERS = {
    "Grubbs": by_grubbs,
    "modified z": by_modified_z,
    "local outlier factor": by_neighbours,
    "elliptic envelope": by_envelope,
    "isolation forest": by_forest,
}
#: Peers that take long: fewer breakers are enough to see what they do.
SLOW = ("elliptic envelope", "isolation forest")
