"""From the feature table to one value per interrupter, feature and kind of operation."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drm.median import median
from drm.siblings_fit import LEAST_COMPARABLE
from drm.siblings_prior import ScatterPrior
from drm.siblings_use import SPOILED_BY_THE_TEST, reasons, usable_in

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Cell", "Siblings", "siblings_of"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Instants counted from a coil and from the start of motion are no siblings.
_COUNTED_FROM_A_REFERENCE = ("main_contact_ms", "arcing_contact_ms")


@dataclass(frozen=True, eq=False)
class Cell:
    """One feature in one kind of operation, averaged per interrupter; NaN where not measured.

    Attributes
    ----------
    y, u : ndarray, shape (n,)
        In the feature's unit, or its logarithm where the prior says so.
    repeat_sd : float
        Repeatability from one operation to the next, NaN without repeats.
    operations : tuple of tuple of int
        Per interrupter, the operations averaged.
    """

    kind: str
    feature: str
    prior: ScatterPrior
    y: FloatArray
    u: FloatArray
    repeat_sd: float
    operations: tuple[tuple[int, ...], ...]


@dataclass(frozen=True, eq=False)
class Siblings:
    """The interrupters of one breaker in a fixed order, and what is compared of them.

    Attributes
    ----------
    set_aside : mapping
        Feature -> healthy scatter, of those that a fault of the test took out of the comparison. They keep their share
        of the false alarms: a fault of the test must not make anything easier to name.
    """

    names: tuple[str, ...]
    poles: tuple[str, ...]
    positions: tuple[str, ...]
    pole: IntArray
    position: IntArray
    cells: tuple[Cell, ...]
    set_aside: Mapping[str, ScatterPrior] = field(default_factory=dict)


def _text(features: pd.DataFrame, column: str) -> NDArray[np.str_]:
    if column not in features:
        return np.array([""] * len(features), dtype=np.str_)
    return np.array([str(v) for v in features[column]], dtype=np.str_)


def siblings_of(features: pd.DataFrame, priors: Mapping[str, ScatterPrior]) -> Siblings:
    """Gather what can be compared.

    Parameters
    ----------
    features : DataFrame
        As for :func:`drm.siblings.compare`.
    priors : mapping
        Feature -> healthy scatter.

    Returns
    -------
    Siblings
        Cells of which at least three interrupters (of a pole's own features: rows of three poles) are measured.
    """
    kind, who = _text(features, "kind"), _text(features, "interrupter")
    number = np.asarray(features["operation"], dtype=np.int64)
    names, first, code = np.unique(who, return_index=True, return_inverse=True)
    poles, positions = _text(features, "pole")[first], _text(features, "position")[first]
    judge = usable_in(features)
    columns = {f: _Column(features, f, prior, judge(f)) for f, prior in priors.items() if f in features}
    reference = _text(features, "reference") if "reference" in features else None
    aside = _set_aside(features, columns)
    cells: list[Cell] = []
    for k in sorted(set(kind.tolist())):
        rows = kind == k
        done: set[str] = set()
        for feature, column in columns.items():
            # Nor does time stand in for a travel that a fault of the test spoils: how fast each moved is not known.
            if column.prior.instead_of in done or column.prior.instead_of in aside:
                continue
            cell = _cell(k, column, column.use & rows, code.astype(np.int64), number, names.size, reference)
            if cell is not None:
                cells.append(cell)
                done.add(feature)
    return Siblings(
        tuple(names.tolist()),
        tuple(poles.tolist()),
        tuple(positions.tolist()),
        np.asarray(np.unique(poles, return_inverse=True)[1], dtype=np.int64),
        np.asarray(np.unique(positions, return_inverse=True)[1], dtype=np.int64),
        tuple(cells),
        {f: prior for f, prior in aside.items() if f not in {c.feature for c in cells}},
    )


def _set_aside(features: pd.DataFrame, columns: Mapping[str, _Column]) -> dict[str, ScatterPrior]:
    """Features that would be compared but for a fault of the test, those that stand in for others left out."""
    if "quality" not in features:
        return {}
    spoiled = np.array([any(r.startswith(SPOILED_BY_THE_TEST) for r in reasons(q)) for q in features["quality"]])
    if not spoiled.any():
        return {}
    who = _text(features, "interrupter")
    out: dict[str, ScatterPrior] = {}
    for feature, column in columns.items():
        could = column.use | (spoiled & np.isfinite(np.asarray(features[feature], dtype=np.float64)))
        enough = np.unique(who[column.use]).size >= LEAST_COMPARABLE
        if not enough and np.unique(who[could]).size >= LEAST_COMPARABLE and column.prior.instead_of not in columns:
            out[feature] = column.prior
    return out


class _Column:
    """A feature's values and uncertainties as they are compared, and which rows may be used."""

    def __init__(self, features: pd.DataFrame, feature: str, prior: ScatterPrior, use: NDArray[np.bool_]) -> None:
        self.feature, self.prior, self.use = feature, prior, use
        y = features[feature].to_numpy(dtype=np.float64)
        u_name = feature + "_u"
        u = features[u_name].to_numpy(dtype=np.float64) if u_name in features else np.zeros(y.size)
        u = np.where(np.isfinite(u), u, 0.0)
        if prior.log:
            self.use = self.use & (y > 0)
            good = np.where(self.use, y, 1.0)
            y, u = np.log(good), u / good
        self.y, self.u = y, u


def _cell(
    kind: str,
    column: _Column,
    use: NDArray[np.bool_],
    code: IntArray,
    number: IntArray,
    n: int,
    reference: NDArray[np.str_] | None,
) -> Cell | None:
    mine = code[use]
    if np.count_nonzero(np.bincount(mine, minlength=n)) < LEAST_COMPARABLE:
        return None
    if column.feature in _COUNTED_FROM_A_REFERENCE and reference is not None and len(set(reference[use])) > 1:
        return None
    numbers = number[use]
    used: list[list[int]] = [[] for _ in range(n)]
    for c, k in zip(mine.tolist(), numbers.tolist(), strict=True):
        used[c].append(k)
    operations = tuple(tuple(sorted(one)) for one in used)
    return Cell(
        kind, column.feature, column.prior, *_averaged(column.y[use], column.u[use], numbers, mine, n), operations
    )


def _averaged(
    y: FloatArray, u: FloatArray, number: IntArray, code: IntArray, n: int
) -> tuple[FloatArray, FloatArray, float]:
    """Repeats averaged per interrupter, after taking out what an operation has in common; and their repeatability."""
    mean, mean_u = np.full(n, np.nan), np.full(n, np.nan)
    if np.unique(code).size == code.size:
        mean[code], mean_u[code] = y, u
        return mean, mean_u, math.nan
    level = median(y)
    y = y.copy()
    for one in np.unique(number):
        y[number == one] -= median(y[number == one])
    count = np.bincount(code, minlength=n)
    seen = count > 0
    mean[seen] = np.bincount(code, y, n)[seen] / count[seen]
    rest = y - mean[code]
    repeat = float(np.sqrt((rest @ rest) / (code.size - int(seen.sum()))))
    # Not divided by the number of repeats: what is not known of the instrument repeats too. Where the repeats
    # scatter more than the instrument's uncertainty says, their mean is as uncertain as they show.
    mean_u[seen] = np.maximum(np.sqrt(np.bincount(code, u * u, n)[seen] / count[seen]), repeat / np.sqrt(count[seen]))
    mean[seen] += level
    return mean, mean_u, repeat
