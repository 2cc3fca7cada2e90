"""Healthy scatter of a type of breaker, learnt from a fleet in which some are not healthy.

Every pair of interrupters of one breaker differs by what they do not have in common. Such differences over the fleet
tell the scale, whatever the level of a breaker, and no breaker needs more than two. Their median is the start; those
beyond three standard deviations are then left out and what is left is taken with the correction for the tails, until
nothing changes: a sixth of bad interrupters does not move it, and little is lost where all are healthy. Pairs of one
pole, of one place along the poles, and of neither tell the parts of the variance that a pole and a place have in
common. Types then borrow from one another and from the shipped orientation, the less the more their own breakers say
(partial pooling on the logarithm of the variance, DerSimonian and Laird 1986, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drm.siblings_prior import ORIENTATION, Population, ScatterPrior

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Differences", "differences", "learn_populations"]

FloatArray = NDArray[np.float64]

#: Median of |N(0, 1)|, and the variance of a normal deviation that is known to lie within three.
_MEDIAN_ABS, _WITHIN_3 = 0.6744897501960817, 0.9733369246625415
_ROUNDS = 30
#: What rejection leaves of the degrees of freedom: 0.96 by simulation of healthy breakers of three; some are not.
_EFFICIENCY = 0.9
#: Where the scatter is known, false alarms are spent on what no other test shows: the wipe is given twice its share.
_LOOKED_FOR = {"arcing_wipe_mm": 2.0, "arcing_wipe_ms": 2.0}
#: As many breakers as it takes to believe the fleet's shares of pole and place, or its correlations, as much as the
#: shipped ones; and the firmest that a scatter is held to be known, for breakers of one type are not all alike.
_BREAKERS_HALF, _MOST_DOF = 20.0, 400.0
#: Fewer breakers than this say nothing of a type.
LEAST_BREAKERS = 5
_SAME_POLE, _SAME_PLACE, _NEITHER = 0, 1, 2


@dataclass(frozen=True, eq=False)
class Differences:
    """Pairs of interrupters of one breaker in every feature.

    Attributes
    ----------
    features : tuple of str
    away : ndarray, shape (pairs, features)
        Difference, of logarithms where the feature is compared so; NaN where one of the two was not measured.
    u2 : ndarray, shape (pairs, features)
        Variance of it that the measurement explains.
    kind : ndarray of int, shape (pairs,)
        0 in one pole, 1 at one place of two poles, 2 neither.
    weight : ndarray, shape (pairs,)
        A breaker's pairs count together as one less than its interrupters.
    breakers : int
    """

    features: tuple[str, ...]
    away: FloatArray
    u2: FloatArray
    kind: NDArray[np.int64]
    weight: FloatArray
    breakers: int


def differences(cells: pd.DataFrame, priors: Mapping[str, ScatterPrior]) -> Differences:
    """Differences within breakers.

    Parameters
    ----------
    cells : DataFrame
        One row per breaker (`breaker_id`), `kind` and interrupter, with `pole`, `position`, features, `NAME_u`.
    priors : mapping
        Feature -> what is known of it; features that no row has are left out.

    Returns
    -------
    Differences
        Openings and closings of a breaker share its weight, for they see the same contacts.
    """
    features = tuple(f for f in priors if f in cells and bool(cells[f].notna().any()))
    away, u2, kind, weight = [], [], [], []
    breakers = 0
    for _, whole in cells.groupby("breaker_id", sort=True):
        kinds = [one for _, one in whole.groupby("kind", sort=True) if len(one) > 1]
        breakers += bool(kinds)
        for one in kinds:
            y, u = _compared(one, features, priors)
            first, second = (np.array(side) for side in zip(*combinations(range(len(one)), 2), strict=True))
            away.append(y[first] - y[second])
            u2.append(u[first] ** 2 + u[second] ** 2)
            pole, place = one["pole"].to_numpy(dtype=str), one["position"].to_numpy()
            alike = np.where(place[first] == place[second], _SAME_PLACE, _NEITHER)
            kind.append(np.where(pole[first] == pole[second], _SAME_POLE, alike))
            weight.append(np.full(first.size, 2.0 / len(one) / len(kinds)))
    if not away:
        empty = np.zeros((0, len(features)))
        return Differences(features, empty, empty, np.zeros(0, dtype=np.int64), np.zeros(0), 0)
    return Differences(features, np.vstack(away), np.vstack(u2), np.concatenate(kind), np.concatenate(weight), breakers)


def _compared(
    rows: pd.DataFrame, features: tuple[str, ...], priors: Mapping[str, ScatterPrior]
) -> tuple[FloatArray, FloatArray]:
    y, u = np.empty((len(rows), len(features))), np.empty((len(rows), len(features)))
    for j, f in enumerate(features):
        value = rows[f].to_numpy(dtype=np.float64, na_value=np.nan)
        known = rows.get(f"{f}_u")
        spread = np.zeros(len(rows)) if known is None else known.to_numpy(dtype=np.float64, na_value=np.nan)
        spread = np.nan_to_num(spread)
        if priors[f].log:
            value = np.where(value > 0, value, np.nan)
            spread, value = spread / value, np.log(value)
        if priors[f].of_pole:
            value = _of_poles(value, rows["pole"].to_numpy(dtype=str))
        y[:, j], u[:, j] = value, spread
    return y, u


def _of_poles(value: FloatArray, pole: NDArray[np.str_]) -> FloatArray:
    """A pole's mean at its first interrupter: what it has in common is one value and not several."""
    out = np.full(value.size, np.nan)
    for name in np.unique(pole):
        mine = np.flatnonzero(pole == name)
        if np.isfinite(value[mine]).any():
            out[mine[0]] = np.nanmean(value[mine])
    return out


def learn_populations(cells: pd.DataFrame, *, orientation: Population = ORIENTATION) -> dict[str, Population]:
    """Healthy scatter of every type of breaker.

    Parameters
    ----------
    cells : DataFrame
        As :func:`differences` takes it, with `breaker_type`; healthy breakers and others.
    orientation : Population
        What is believed beforehand.

    Returns
    -------
    dict
        Type -> population; a type with fewer than five breakers of two interrupters is left out. Features of which a
        type shows nothing keep the orientation.
    """
    groups = {str(t): differences(g, orientation.priors) for t, g in cells.groupby("breaker_type", sort=True)}
    groups = {t: d for t, d in groups.items() if d.breakers >= LEAST_BREAKERS}
    learnt: dict[str, dict[str, ScatterPrior]] = {t: {} for t in groups}
    for feature, prior in orientation.priors.items():
        own = {t: _own(d, feature, prior) for t, d in groups.items() if feature in d.features}
        known = {t: o for t, o in own.items() if o is not None}
        weighed = replace(prior, weight=prior.weight * _LOOKED_FOR.get(feature, 1.0))
        for t, made in _pooled(known, weighed).items():
            learnt[t][feature] = made
    return {
        t: Population(
            f"healthy scatter of {groups[t].breakers} breakers" + (f" of type {t}" if t else ""),
            {**orientation.priors, **learnt[t]},
            _correlations(groups[t], orientation),
            orientation.curve_sd,
            orientation.curve_dof,
            groups[t].breakers,
        )
        for t in groups
    }


@dataclass(frozen=True)
class _Own:
    """What one type alone says of one feature."""

    variance: float
    dof: float
    pole_share: float
    position_share: float


def _own(d: Differences, feature: str, prior: ScatterPrior) -> _Own | None:
    j = d.features.index(feature)
    y, u2 = np.abs(d.away[:, j]), d.u2[:, j]
    known = np.isfinite(y)
    if known.sum() < LEAST_BREAKERS:
        return None
    variance, weight = np.full(3, np.nan), np.zeros(3)
    for k in (_SAME_POLE, _SAME_PLACE, _NEITHER):
        mine = known & (d.kind == k)
        if mine.sum() >= LEAST_BREAKERS:
            raw = _robust_square(y[mine], d.weight[mine])
            # What the measurement explains is no scatter of the contacts; a twentieth is left, for its uncertainty
            # holds what siblings share as well, and a scatter of nothing would be believed.
            explained = _weighted_median(u2[mine], d.weight[mine])
            variance[k], weight[k] = 0.5 * max(raw - explained, 0.05 * raw), d.weight[mine].sum()
    if not weight.any():
        return None
    pole, place = _shares(variance, d.breakers, prior)
    left = np.array([1.0 - pole, 1.0 - place, 1.0])
    told = weight > 0
    total = float(np.average(variance[told] / left[told], weights=weight[told]))
    return None if total <= 0.0 else _Own(total, _EFFICIENCY * float(d.weight[known].sum()), pole, place)


def _robust_square(away: FloatArray, weight: FloatArray) -> float:
    """Mean square of absolute differences, shape (n,), far ones left out."""
    square = (_weighted_median(away, weight) / _MEDIAN_ABS) ** 2
    for _ in range(_ROUNDS):
        near = away**2 <= 9.0 * square
        new = float(np.average(away[near] ** 2, weights=weight[near])) / _WITHIN_3 if near.any() else square
        if abs(new - square) <= 1e-9 * square:
            break
        square = new
    return square


def _shares(variance: FloatArray, breakers: int, prior: ScatterPrior) -> tuple[float, float]:
    """Shares of pole and place, drawn towards those believed beforehand; kept where nothing tells them apart."""
    firm = breakers / (breakers + _BREAKERS_HALF)
    shares = []
    for k, before in ((_SAME_POLE, prior.pole_share), (_SAME_PLACE, prior.position_share)):
        ratio = variance[k] / variance[_NEITHER]
        own = min(max(1.0 - ratio, 0.0), 0.9) if math.isfinite(ratio) else before
        shares.append(firm * own + (1.0 - firm) * before)
    total = max(1.0, sum(shares) / 0.95)
    return shares[0] / total, shares[1] / total


def _weighted_median(values: FloatArray, weight: FloatArray) -> float:
    order = np.argsort(values, kind="stable")
    share = np.cumsum(weight[order])
    # The middle of each value's weight: an even number of equal ones gives the mean of the two in the middle.
    return float(np.interp(0.5 * share[-1], share - 0.5 * weight[order], values[order]))


def _pooled(own: Mapping[str, _Own], prior: ScatterPrior) -> dict[str, ScatterPrior]:
    """Each type's variance drawn towards that of all types and of the orientation."""
    if not own:
        return {}
    s = np.log([o.variance for o in own.values()] + ([prior.sd**2] if prior.dof > 0 else []))
    dof = np.array([o.dof for o in own.values()] + ([prior.dof] if prior.dof > 0 else []))
    w = 0.5 * dof  # the logarithm of a variance from so many degrees of freedom has a variance of 2 / dof
    centre = float((w * s).sum() / w.sum())
    spread = w.sum() - (w**2).sum() / w.sum()
    between = max(0.0, (float((w * (s - centre) ** 2).sum()) - (s.size - 1)) / spread) if spread > 0 else 0.0
    wide = 1.0 / (between + 1.0 / w)
    common = math.exp(float((wide * s).sum() / wide.sum()))
    # As firm as types are alike, and never firmer than what all of them together say.
    believed = min(2.0 / between if between > 0 else math.inf, float(dof.sum()))
    made = {}
    for t, o in own.items():
        others = max(believed - o.dof, 0.0) if between == 0.0 else believed
        variance = (others * common + o.dof * o.variance) / (others + o.dof)
        made[t] = replace(
            prior,
            sd=math.sqrt(variance),
            dof=min(others + o.dof, _MOST_DOF),
            pole_share=o.pole_share,
            position_share=o.position_share,
        )
    return made


def _correlations(d: Differences, orientation: Population) -> dict[tuple[str, str], float]:
    """Correlations of healthy deviations by the signs of the differences, drawn towards those believed beforehand.

    Source: Blomqvist 1950 (from memory): for normal deviations the mean product of signs is 2/pi arcsin of theirs.
    """
    names = [f for f in d.features if not orientation.priors[f].of_pole]
    signs = np.sign(d.away[:, [d.features.index(f) for f in names]]) if d.away.size else np.zeros((0, len(names)))
    both = np.isfinite(signs)
    signs = np.where(both, signs, 0.0) * np.sqrt(d.weight)[:, None]
    mass = both.astype(float).T @ (both * d.weight[:, None])
    with np.errstate(invalid="ignore", divide="ignore"):
        own = np.sin(0.5 * np.pi * (signs.T @ signs) / mass)
    before = np.array([[orientation.correlation(a, b) for b in names] for a in names]).reshape(len(names), len(names))
    firm = d.breakers / (d.breakers + _BREAKERS_HALF)
    mixed = np.where(np.isfinite(own), firm * own + (1.0 - firm) * before, before)
    mixed = _possible(mixed)
    pairs = combinations(range(len(names)), 2)
    # A quarter of what is not told from nothing is not worth a line.
    # What is next to nothing is worth a line only where the orientation says otherwise.
    return {
        (names[a], names[b]): float(np.clip(mixed[a, b], -0.98, 0.98))
        for a, b in pairs
        if abs(mixed[a, b]) >= 0.02 or before[a, b] != 0.0
    }


def _possible(correlation: FloatArray) -> FloatArray:
    """The nearest that can be correlations at once: negative eigenvalues taken out, the diagonal made one again."""
    if correlation.size == 0:
        return correlation
    values, vectors = np.linalg.eigh(0.5 * (correlation + correlation.T))
    made = (vectors * np.maximum(values, 1e-3)) @ vectors.T
    root = np.sqrt(np.diag(made))
    return np.asarray(made / root[:, None] / root[None, :], dtype=np.float64)
