"""Interrupters of one breaker against each other: an unsupervised outlier model with a borrowed scale.

Each feature is breaker + pole + position + interrupter (siblings_fit), each interrupter is judged without itself, the
features are also taken together (siblings_joint), and curves as functions (curves_shape). The false alarms that are
allowed, 5 % of healthy breakers, are shared out between these ways of looking and, within the first, by the features'
weights; every probability given here has allowed for that, so that 0.05 means one healthy breaker in twenty.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import groupby
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from drm.curves_shape import CurveDifference, SiblingCurve, compare_curves
from drm.robust import effective_tests, sidak
from drm.siblings_fit import LEAST_JUDGED_ALONE, Fit, fit
from drm.siblings_groups import GROUP_P
from drm.siblings_joint import as_normal, together
from drm.siblings_prior import ORIENTATION, PRIORS, Population, ScatterPrior
from drm.siblings_table import Cell, Siblings, siblings_of
from drm.siblings_use import usable_in

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "PRIORS",
    "Comparison",
    "Contribution",
    "CurveDifference",
    "Joint",
    "Population",
    "ScatterPrior",
    "Shift",
    "SiblingCurve",
    "compare",
]

FloatArray = NDArray[np.float64]

# Opening and closing see the same contact: correlation of an interrupter's deviations in the two; common practice.
_KINDS_TOGETHER = 0.94
# Three interrupters' deviations lie in a plane: their features taken together say nothing new.
_LEAST_JOINT = 4


@dataclass(frozen=True)
class _Shares:
    """How the false alarms are shared out between the ways of looking; what cannot be looked at gets none."""

    single: float = 0.76
    groups: float = 0.05
    pole_only: float = 0.08
    joint: float = 0.05
    curves: float = 0.06

    @classmethod
    def of(cls, s: Siblings, *, curves: bool) -> _Shares:
        poles = len(set(s.poles))
        grouped = poles >= 3 and len(s.names) >= 2 * poles
        mechanisms = poles >= 3 and any(c.prior.of_pole for c in s.cells)
        wanted = cls(
            groups=cls.groups * grouped,
            pole_only=cls.pole_only * mechanisms,
            joint=cls.joint * (len(s.names) >= _LEAST_JOINT),
            curves=cls.curves * curves,
        )
        total = wanted.single + wanted.groups + wanted.pole_only + wanted.joint + wanted.curves
        return cls(*(v / total for v in (wanted.single, wanted.groups, wanted.pole_only, wanted.joint, wanted.curves)))


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
        Probability by chance after allowing for all interrupters, features and kinds compared; NaN where there is no
        scale to judge by and the score can only rank.
    siblings : int
        How many interrupters were compared, this one included.
    pole_effect, position_effect : float
        What its pole and its place have in common and `expected` has allowed for: a ratio where `ratio` is given,
        else in the feature's unit.
    repeatability : float
        Standard deviation from one operation to the next, a ratio where `ratio` is given; NaN without repeats.
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
    pole_effect: float = math.nan
    position_effect: float = math.nan
    repeatability: float = math.nan

    @property
    def direction(self) -> Literal["high", "low"]:
        """Above or below what the siblings lead one to expect."""
        return "high" if self.score > 0 else "low"


@dataclass(frozen=True)
class Joint:
    """How one interrupter stands in all features together.

    Attributes
    ----------
    score : float
        As far out as a single feature by so many healthy standard deviations would be.
    p : float
        After allowing for all interrupters.
    features : tuple of (str, float)
        Feature and its part of the squared distance, the greatest first.
    """

    interrupter: str
    score: float
    p: float
    features: tuple[tuple[str, float], ...]


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
        Interrupter -> its contributions, the least probable first: its explanation.
    shifts : tuple of Shift
        Poles and places that differ as a whole; taken out before interrupters are compared.
    comparisons : int
        How many (interrupter, feature) were compared, kinds of one feature counted for what they amount to.
    joint : dict
        Interrupter -> all features together. Where its `p` is small and no contribution's is, the interrupter is off
        in a combination and in no single feature.
    curves : tuple of CurveDifference
        Interrupter and kind, least probable first: shape of resistance over travel that differs, level and length
        (which features name) taken out.
    scale : str
        What the healthy scatter rests on.
    unjudged : str
        Empty, or why interrupters are ranked by score and not judged.
    """

    rows: pd.DataFrame
    contributions: dict[str, tuple[Contribution, ...]]
    shifts: tuple[Shift, ...]
    comparisons: int
    joint: dict[str, Joint]
    curves: tuple[CurveDifference, ...] = ()
    scale: str = ORIENTATION.name
    unjudged: str = ""


def compare(
    features: pd.DataFrame,
    *,
    population: Population = ORIENTATION,
    priors: Mapping[str, ScatterPrior] | None = None,
    curves: Iterable[SiblingCurve] = (),
) -> Comparison:
    """Compare the interrupters of one breaker.

    Operations of one kind are averaged per interrupter: repeats make no siblings but tell the repeatability. Values
    that are empty, or that a `quality` reason of their row spoils, are not used.

    Parameters
    ----------
    features : DataFrame
        One row per operation and interrupter (columns `operation`, `kind`, `pole`, `interrupter`, features and
        their `NAME_u`; `position` and `quality` may be missing).
    population : Population
        Where the scale is borrowed from; see :func:`drm.siblings_population.load_population`.
    priors : mapping, optional
        Feature -> healthy scatter, in place of the population's.
    curves : iterable of SiblingCurve
        Resistance over travel (:func:`drm.curves_shape.curves_of`); none: only features are compared.

    Returns
    -------
    Comparison
        Scores are NaN where fewer than three interrupters can be compared. With three or four and no scale from
        elsewhere there are scores, no probabilities, and `unjudged` says so.
    """
    s = siblings_of(features, population.priors if priors is None else priors)
    curves = tuple(curves)
    given = _trusted(features, curves)
    # Curves that a fault of the test took out keep their share too.
    share = _Shares.of(s, curves=bool(given) or (bool(curves) and bool(s.set_aside)))
    shapes = compare_curves(given, population, share=share.curves) if given else ()
    charge = _charges(s)
    found: list[Contribution] = []
    shifts: list[Shift] = []
    normal: dict[tuple[str, str], FloatArray] = {}
    for who, cells in _batches(s):
        f = _fit(s, who, cells, share)
        found += _contributions(s, who, cells, f, charge, share)
        shifts += _shifts(s, who, cells, f)
        z = as_normal((_y(cells, who) - f.expected) / f.sd, f.dof)
        for cell, row in zip(cells, z, strict=True):
            normal[cell.kind, cell.feature] = _spread_out(row, who, len(s.names))
    shifts += _pole_only(s, charge, share)
    shifts.sort(key=lambda x: (x.p, x.what, x.name, x.feature, x.kind))
    found.sort(key=lambda c: (1.0 if math.isnan(c.p) else round(c.p, 9), -abs(c.score), c.feature, c.kind))
    ordered: dict[str, tuple[Contribution, ...]] = {
        name: tuple(c for c in found if c.interrupter == name)
        for name in sorted({c.interrupter for c in found}, key=[c.interrupter for c in found].index)
    }
    unjudged = _unjudged(found)
    joint = {} if unjudged or not share.joint else _joint(s, normal, population, share)
    return Comparison(
        _rows(features, ordered, joint, shapes),
        ordered,
        tuple(shifts),
        _count(s),
        joint,
        shapes,
        population.name,
        unjudged,
    )


def _trusted(features: pd.DataFrame, curves: Iterable[SiblingCurve]) -> tuple[SiblingCurve, ...]:
    """Curves whose rows can be trusted as far as both instants and the resistance between them go."""
    judge = usable_in(features)
    good = judge("arcing_wipe_ms") & judge("arcing_resistance_uohm")
    keys = zip(features["interrupter"], features["operation"], strict=True)
    known = {(str(i), int(n)) for (i, n), ok in zip(keys, good, strict=True) if ok}
    return tuple(c for c in curves if (c.interrupter, c.operation) in known)


def _count(s: Siblings) -> int:
    most: dict[str, int] = {}
    kinds: dict[str, int] = {}
    for c in s.cells:
        if not c.prior.of_pole:
            most[c.feature] = max(most.get(c.feature, 0), int(np.isfinite(c.y).sum()))
            kinds[c.feature] = kinds.get(c.feature, 0) + 1
    return round(sum(n * _of_kinds(kinds[f]) for f, n in most.items()))


def _charges(s: Siblings) -> dict[tuple[str, str], float]:
    """How many independent comparisons one interrupter's test in one cell stands for.

    Equal weights would give the number of cells; kinds of one feature count for what they amount to.
    """
    cells = [c for c in s.cells if not c.prior.of_pole]
    total = sum({c.feature: c.prior.weight for c in cells}.values())
    total += sum(prior.weight for prior in s.set_aside.values() if not prior.of_pole)
    out: dict[tuple[str, str], float] = {}
    for c in s.cells:
        kinds = sum(d.feature == c.feature for d in s.cells)
        amounts = _of_kinds(kinds)
        out[c.feature, c.kind] = amounts if c.prior.of_pole else amounts * total / c.prior.weight
    return out


def _y(cells: Sequence[Cell], who: NDArray[np.intp]) -> FloatArray:
    return np.array([c.y[who] for c in cells])


def _spread_out(row: FloatArray, who: NDArray[np.intp], n: int) -> FloatArray:
    out = np.full(n, np.nan)
    out[who] = row
    return out


def _batches(s: Siblings) -> list[tuple[NDArray[np.intp], list[Cell]]]:
    """Cells that the same interrupters have, together."""

    def key(c: Cell) -> bytes:
        return np.isfinite(c.y).tobytes()

    ordinary = sorted((c for c in s.cells if not c.prior.of_pole), key=key)
    return [(np.flatnonzero(np.frombuffer(k, dtype=np.bool_)), list(cells)) for k, cells in groupby(ordinary, key)]


def _fit(s: Siblings, who: NDArray[np.intp], cells: list[Cell], share: _Shares) -> Fit:
    kinds = len({c.kind for c in s.cells})
    features = len({c.feature for c in s.cells if not c.prior.of_pole})
    features += sum(not prior.of_pole for prior in s.set_aside.values())
    return fit(
        _y(cells, who),
        np.array([c.u[who] for c in cells]),
        _codes(s.pole[who]),
        _codes(s.position[who]),
        [c.prior for c in cells],
        tests=features * _of_kinds(kinds) / max(share.groups, 1e-9),
    )


@cache
def _of_kinds(kinds: int) -> float:
    """How many kinds of operation `kinds` of them amount to as far as contacts are concerned."""
    return effective_tests(np.full((kinds, kinds), _KINDS_TOGETHER) + (1.0 - _KINDS_TOGETHER) * np.eye(kinds))


def _codes(labels: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.asarray(np.unique(labels, return_inverse=True)[1], dtype=np.int64)


def _contributions(
    s: Siblings,
    who: NDArray[np.intp],
    cells: list[Cell],
    f: Fit,
    charge: Mapping[tuple[str, str], float],
    share: _Shares,
) -> list[Contribution]:
    pole, place = _codes(s.pole[who]), _codes(s.position[who])
    made: list[Contribution] = []
    for row, c in enumerate(cells):
        y, expected = c.y[who], f.expected[row]
        p = sidak(f.p[row], charge[c.feature, c.kind] / share.single)
        score = (y - expected) / f.sd[row]
        effects = f.pole[row][pole], f.position[row][place]
        if c.prior.log:
            ratio = np.exp(y - expected)
            y, expected, effects = np.exp(y), np.exp(expected), (np.exp(effects[0]), np.exp(effects[1]))
        else:
            ratio = np.full(y.size, np.nan)
        for j, i in enumerate(who):
            made.append(
                Contribution(
                    interrupter=s.names[i],
                    kind=c.kind,
                    feature=c.feature,
                    value=float(y[j]),
                    expected=float(expected[j]),
                    deviation=float(y[j] - expected[j]),
                    ratio=float(ratio[j]),
                    score=float(score[j]),
                    p=float(p[j]),
                    siblings=who.size,
                    operations=c.operations[i],
                    pole_effect=float(effects[0][j]),
                    position_effect=float(effects[1][j]),
                    repeatability=c.repeat_sd,
                )
            )
    return made


def _shifts(s: Siblings, who: NDArray[np.intp], cells: list[Cell], f: Fit) -> list[Shift]:
    made: list[Shift] = []
    for what, labels, found in (("pole", s.poles, f.poles), ("position", s.positions, f.positions)):
        mine = [labels[i] for i in who]
        names = sorted(set(mine))
        for c, groups in zip(cells, found, strict=True):
            for g in groups:
                members = tuple(s.names[i] for i, label in zip(who, mine, strict=True) if label == names[g.group])
                amount = math.exp(g.shift) if c.prior.log else g.shift
                made.append(
                    Shift(
                        "pole" if what == "pole" else "position",
                        names[g.group],
                        c.kind,
                        c.feature,
                        amount,
                        c.prior.log,
                        g.shift / g.sd,
                        g.p,
                        members,
                    )
                )
    return made


def _pole_only(s: Siblings, charge: Mapping[tuple[str, str], float], share: _Shares) -> list[Shift]:
    """Poles compared in what their interrupters have in common: a slow mechanism is nobody's worn contact."""
    made: list[Shift] = []
    cells = [c for c in s.cells if c.prior.of_pole]
    total = sum({c.feature: 1.0 for c in cells}.values()) + sum(prior.of_pole for prior in s.set_aside.values())
    for c in cells:
        measured = np.isfinite(c.y)
        names = sorted({s.poles[i] for i in np.flatnonzero(measured)})
        if len(names) < 3:
            continue
        members = [[i for i in np.flatnonzero(measured) if s.poles[i] == name] for name in names]
        y = np.array([[float(np.mean(c.y[m])) for m in members]])
        u = np.array([[float(np.sqrt(np.mean(c.u[m] ** 2))) for m in members]])
        alone, same = np.arange(len(names)), np.zeros(len(names), dtype=np.int64)
        f = fit(y, u, alone, same, [c.prior])
        p = sidak(f.p[0], charge[c.feature, c.kind] * total / share.pole_only)
        score = (y - f.expected)[0] / f.sd[0]
        for j in np.flatnonzero(p < GROUP_P):
            away = float(y[0, j] - f.expected[0, j])
            made.append(
                Shift(
                    "pole",
                    names[j],
                    c.kind,
                    c.feature,
                    math.exp(away) if c.prior.log else away,
                    c.prior.log,
                    float(score[j]),
                    float(p[j]),
                    tuple(s.names[i] for i in members[j]),
                )
            )
    return made


def _joint(
    s: Siblings, normal: Mapping[tuple[str, str], FloatArray], population: Population, share: _Shares
) -> dict[str, Joint]:
    from drm.special import ndtri

    derived = {c.feature for c in s.cells if c.prior.derived}
    features = sorted({f for _, f in normal} - derived)
    if len(features) < 2:
        return {}
    columns = []
    for feature in features:
        rows = np.array([z for (_, f), z in normal.items() if f == feature])
        known = np.isfinite(rows).sum(axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            # Kinds of one feature make one deviation again of unit variance.
            columns.append(np.nansum(rows, axis=0) / np.sqrt(known + known * (known - 1) * _KINDS_TOGETHER))
    prior = np.array([[population.correlation(a, b) for b in features] for a in features])
    p, lead = together(np.array(columns).T, prior)
    p = sidak(p, len(s.names) / share.joint)
    made: dict[str, Joint] = {}
    for i, name in enumerate(s.names):
        if math.isfinite(p[i]):
            parts = [(f, float(v)) for f, v in zip(features, lead[i], strict=True) if math.isfinite(v)]
            score = max(float(-ndtri(max(float(p[i]), 1e-300) / 2)), 0.0)
            made[name] = Joint(name, score, float(p[i]), tuple(sorted(parts, key=lambda x: -x[1])))
    return made


def _unjudged(found: Sequence[Contribution]) -> str:
    if not found or any(math.isfinite(c.p) for c in found):
        return ""
    n = max(c.siblings for c in found)
    return (
        f"{n} interrupters (fewer than {LEAST_JUDGED_ALONE}) and no healthy scatter known from elsewhere: "
        "they are ranked by score, and nothing is judged"
    )


def _rows(
    features: pd.DataFrame,
    contributions: Mapping[str, tuple[Contribution, ...]],
    joint: Mapping[str, Joint],
    shapes: Sequence[CurveDifference],
) -> pd.DataFrame:
    import pandas as pd

    best: dict[tuple[str, str], tuple[float, float]] = {}
    for name, items in contributions.items():
        for c in items:
            best.setdefault((name, c.kind), (abs(c.score), c.p))
        for key, (_, p) in list(best.items()):
            if key[0] == name and name in joint and joint[name].p < p:
                best[key] = (max(joint[name].score, best[key][0]), joint[name].p)
    for shape in shapes:
        key = (shape.interrupter, shape.kind)
        if key in best and shape.p < best[key][1]:
            best[key] = (max(abs(shape.score), best[key][0]), shape.p)
    used = {(c.interrupter, c.kind, n) for items in contributions.values() for c in items for n in c.operations}
    nothing = (math.nan, math.nan)
    keys = zip(features["interrupter"], features["kind"], features["operation"], strict=True)
    picked = [best.get((str(i), str(k)), nothing) if (str(i), str(k), int(n)) in used else nothing for i, k, n in keys]
    return pd.DataFrame(
        np.array(picked, dtype=np.float64).reshape(-1, 2), columns=["sibling_score", "sibling_p"], index=features.index
    )
