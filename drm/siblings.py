"""Interrupters of one breaker against each other: an unsupervised outlier model with a borrowed scale."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from drm.robust import sidak
from drm.siblings_fit import LEAST_COMPARABLE, Fit, GroupShift, fit
from drm.siblings_prior import PRIORS, ScatterPrior
from drm.siblings_use import usable

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["PRIORS", "Comparison", "Contribution", "Shift", "ScatterPrior", "compare"]

FloatArray = NDArray[np.float64]

# Instants counted from a coil and from the start of motion are no siblings.
_COUNTED_FROM_A_REFERENCE = ("main_contact_ms", "arcing_contact_ms")


@dataclass(frozen=True)
class Contribution:
    """How one interrupter stands in one feature and kind of operation.

    Attributes
    ----------
    value, expected, deviation : float
        In the feature's unit; of resistances the geometric mean.
    ratio : float
        value / expected where the feature is compared on a log scale, else NaN.
    score : float
        Deviation in healthy standard deviations, signed.
    p : float
        Probability by chance after allowing for all interrupters, features and kinds compared.
    siblings : int
        How many interrupters were compared, this one included.
    """

    interrupter: str
    kind: str
    feature: str
    value: float
    expected: float
    deviation: float
    ratio: float
    score: float
    p: float
    siblings: int
    operations: tuple[int, ...]

    @property
    def direction(self) -> Literal["high", "low"]:
        """Above or below what the siblings lead one to expect."""
        return "high" if self.score > 0 else "low"


@dataclass(frozen=True)
class Shift:
    """A pole, or a place along the poles, that differs as a whole; `amount` is a ratio where `log`."""

    what: Literal["pole", "position"]
    name: str
    kind: str
    feature: str
    amount: float
    log: bool
    score: float
    p: float
    interrupters: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Comparison:
    """What comparing siblings gave.

    Attributes
    ----------
    rows : DataFrame
        `sibling_score` and `sibling_p`, on the index of the features.
    contributions : dict
        Interrupter -> its contributions, the least probable first.
    shifts : tuple of Shift
        Poles and places that differ as a whole; taken out before interrupters are compared.
    comparisons : int
        How many (interrupter, feature, kind) were compared, a second kind counted half.
    """

    rows: pd.DataFrame
    contributions: dict[str, tuple[Contribution, ...]]
    shifts: tuple[Shift, ...]
    comparisons: int


@dataclass(frozen=True, eq=False)
class _Cell:
    """One feature in one kind of operation, averaged per interrupter."""

    kind: str
    feature: str
    prior: ScatterPrior
    names: tuple[str, ...]
    poles: tuple[str, ...]
    positions: tuple[str, ...]
    y: FloatArray
    u: FloatArray
    operations: tuple[tuple[int, ...], ...]


def compare(features: pd.DataFrame, *, priors: Mapping[str, ScatterPrior] = PRIORS) -> Comparison:
    """Compare the interrupters of one breaker.

    Operations of one kind are averaged per interrupter: repeats make no siblings. Values that are empty, or
    that a `quality` reason of their row spoils, are not used.

    Parameters
    ----------
    features : DataFrame
        One row per operation and interrupter (columns `operation`, `kind`, `pole`, `interrupter`, features and
        their `NAME_u`; `position` and `quality` may be missing).
    priors : mapping
        Feature -> healthy scatter. Only features named here are compared.

    Returns
    -------
    Comparison
        Scores are NaN where fewer than three interrupters can be compared.
    """
    cells = list(_cells(features, priors))
    count = _count(cells)
    found: list[Contribution] = []
    shifts: list[Shift] = []
    for c in cells:
        f = fit(c.y, c.u, _codes(c.poles), _codes(c.positions), c.prior, tests=len(cells))
        found += _contributions(c, f, count)
        shifts += [_shift(c, s, "pole") for s in f.poles] + [_shift(c, s, "position") for s in f.positions]
    by_name: dict[str, list[Contribution]] = {}
    for item in sorted(found, key=lambda x: (x.p, -abs(x.score), x.feature, x.kind)):
        by_name.setdefault(item.interrupter, []).append(item)
    shifts.sort(key=lambda s: (s.p, s.what, s.name, s.feature, s.kind))
    ordered = {name: tuple(items) for name, items in by_name.items()}
    return Comparison(_rows(features, ordered), ordered, tuple(shifts), count)


def _count(cells: list[_Cell]) -> int:
    """How many comparisons chance had.

    Opening and closing see the same contact, so that their scatter goes together: what one kind adds to the other
    counts half. Counting it in full made healthy breakers stand out in 1-4 % instead of 5 % (benchmarks/siblings.py).
    """
    sizes: dict[str, int] = {}
    for c in cells:
        sizes[c.kind] = sizes.get(c.kind, 0) + c.y.size
    most = max(sizes.values(), default=0)
    return most + math.ceil(0.5 * (sum(sizes.values()) - most))


def _codes(names: tuple[str, ...]) -> NDArray[np.int64]:
    return np.asarray(np.unique(np.asarray(names), return_inverse=True)[1], dtype=np.int64)


def _numbers(features: pd.DataFrame, column: str) -> FloatArray:
    if column not in features:
        return np.full(len(features), np.nan)
    return np.asarray(features[column], dtype=np.float64)


def _cells(features: pd.DataFrame, priors: Mapping[str, ScatterPrior]) -> Iterator[_Cell]:
    text = {c: np.asarray(features[c].astype(str)) for c in ("kind", "interrupter", "pole")}
    text["position"] = np.asarray(
        features["position"].astype(str) if "position" in features else [""] * len(features), dtype=object
    )
    number = np.asarray(features["operation"], dtype=np.int64)
    for kind in sorted(set(text["kind"])):
        done: set[str] = set()
        for name, prior in priors.items():
            value, u = _numbers(features, name), _numbers(features, name + "_u")
            use = usable(features, name) & (text["kind"] == kind)
            if prior.log:
                use &= value > 0
            if (
                name in _COUNTED_FROM_A_REFERENCE
                and "reference" in features
                and len(set(features["reference"][use])) > 1
            ):
                continue
            if prior.instead_of in done or len(set(text["interrupter"][use])) < LEAST_COMPARABLE:
                continue
            done.add(name)
            u = np.where(np.isfinite(u), u, 0.0)[use]
            y = value[use]
            if prior.log:
                u, y = u / y, np.log(y)
            yield _average(kind, name, prior, y, u, number[use], {k: v[use] for k, v in text.items()})


def _average(
    kind: str,
    feature: str,
    prior: ScatterPrior,
    y: FloatArray,
    u: FloatArray,
    number: NDArray[np.int64],
    text: Mapping[str, NDArray[np.str_]],
) -> _Cell:
    """Average repeats per interrupter, after taking out what an operation has in common."""
    level = float(np.median(y))
    y = y.copy()
    for n in np.unique(number):
        y[number == n] -= np.median(y[number == n])
    names = sorted(set(text["interrupter"]))
    mine = [text["interrupter"] == n for n in names]
    return _Cell(
        kind,
        feature,
        prior,
        tuple(names),
        tuple(str(text["pole"][m][0]) for m in mine),
        tuple(str(text["position"][m][0]) for m in mine),
        level + np.array([y[m].mean() for m in mine]),
        # Not divided by the number of repeats: what is not known of the instrument repeats too.
        np.array([math.sqrt(float(np.mean(u[m] ** 2))) for m in mine]),
        tuple(tuple(sorted(int(n) for n in number[m])) for m in mine),
    )


def _contributions(c: _Cell, f: Fit, count: int) -> list[Contribution]:
    p = sidak(f.p, count)
    score = (c.y - f.expected) / f.sd
    log = c.prior.log
    value, expected = (np.exp(c.y), np.exp(f.expected)) if log else (c.y, f.expected)
    return [
        Contribution(
            name,
            c.kind,
            c.feature,
            float(value[i]),
            float(expected[i]),
            float(value[i] - expected[i]),
            float(value[i] / expected[i]) if log else math.nan,
            float(score[i]),
            float(p[i]),
            len(c.names),
            c.operations[i],
        )
        for i, name in enumerate(c.names)
    ]


def _shift(c: _Cell, s: GroupShift, what: Literal["pole", "position"]) -> Shift:
    labels = c.poles if what == "pole" else c.positions
    name = sorted(set(labels))[s.group]
    amount = math.exp(s.shift) if c.prior.log else s.shift
    members = tuple(n for n, g in zip(c.names, labels, strict=True) if g == name)
    return Shift(what, name, c.kind, c.feature, amount, c.prior.log, s.shift / s.sd, s.p, members)


def _rows(features: pd.DataFrame, contributions: Mapping[str, tuple[Contribution, ...]]) -> pd.DataFrame:
    import pandas as pd

    best: dict[tuple[str, str, int], Contribution] = {}
    for items in contributions.values():
        for item in items:
            for n in item.operations:
                best.setdefault((item.interrupter, item.kind, n), item)
    keys = zip(features["interrupter"].astype(str), features["kind"].astype(str), features["operation"], strict=True)
    picked = [best.get((i, k, int(n))) for i, k, n in keys]
    return pd.DataFrame(
        {
            "sibling_score": [abs(b.score) if b else math.nan for b in picked],
            "sibling_p": [b.p if b else math.nan for b in picked],
        },
        index=features.index,
        dtype=np.float64,
    )
