"""Whole curves of resistance over travel against each other: a shape that no feature names.

Level and length are what features name (resistance, wipe, positions), so both are taken out: the curve is laid between
its own instants, cut into stretches, and each stretch is taken against the curve's own level. What is left is its shape
as a function, compared stretch by stretch and in its trends, by the same model as the features.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from drm.kept import kept
from drm.median import median
from drm.robust import mad_sd, sidak
from drm.siblings_fit import LEAST_COMPARABLE, fit
from drm.siblings_prior import Population, ScatterPrior

if TYPE_CHECKING:
    from drm.pipeline import Reading

__all__ = ["CurveDifference", "SiblingCurve", "compare_curves", "curves_of", "shape_of"]

FloatArray = NDArray[np.float64]
Zone = Literal["main", "arcing"]

#: Stretches into which each zone is cut: fine enough for a burnt spot, wide enough to average the roughness.
STRETCHES: dict[Zone, int] = {"main": 6, "arcing": 12}
# Of the arcing zone's scatter; a closed main contact is steadier. Common practice, no source.
_MAIN_SCATTER = 0.5
# Scatter of a difference between halves against that of one stretch: neighbours go together.
_TREND_SCATTER = 0.75
# Fewer samples in a stretch give no level; roughness is correlated over so many samples.
_LEAST_SAMPLES, _CORRELATED = 3, 4
# A stretch is compared where this share of the curves has it; fewer stretches make no shape.
_COMMON, _LEAST_STRETCHES = 0.75, 4
# The end of the arcing zone is the parting itself, the start of travel the closed contact at rest.
_ARCING_SPAN, _MAIN_SPAN = (0.0, 0.95), (0.1, 1.0)


@dataclass(frozen=True, eq=False)
class SiblingCurve:
    """One interrupter's resistance over place in one operation, with where its zones lie.

    Attributes
    ----------
    place : ndarray, shape (n,)
        Travel in mm from the closed position, or time in ms where there is no travel (`unit`).
    uohm : ndarray, shape (n,)
        NaN where it means nothing.
    main_end, arcing_start, arcing_end : float
        Where the commutation begins (seen from the closed position), where it ends, and the arcing contact's instant.
    step_uohm : float
        Of the voltage channel's quantisation.
    """

    interrupter: str
    pole: str
    position: str
    kind: str
    operation: int
    unit: Literal["mm", "ms"]
    place: FloatArray
    uohm: FloatArray
    main_end: float
    arcing_start: float
    arcing_end: float
    step_uohm: float = 0.0


@dataclass(frozen=True)
class CurveDifference:
    """How far one interrupter's curve is from its siblings' where it is furthest.

    Attributes
    ----------
    zone : {'main', 'arcing'}
    form : {'stretch', 'trend'}
        One stretch, or one half of `start`..`end` against the other (`ratio`: the half nearer to the closed position).
    start, end : float
        In the curve's unit.
    ratio : float
        Resistance there over what the siblings' shape leads one to expect.
    score, p : float
        As of a contribution; `p` allows for all interrupters and stretches.
    """

    interrupter: str
    kind: str
    zone: Zone
    form: Literal["stretch", "trend"]
    start: float
    end: float
    unit: Literal["mm", "ms"]
    ratio: float
    score: float
    p: float
    siblings: int
    operations: tuple[int, ...]


def curves_of(readings: Iterable[Reading]) -> Iterator[SiblingCurve]:
    """Curves of the readings whose zones are known; over time where no reading of their kind has travel.

    Parameters
    ----------
    readings : iterable of Reading
        Of one record.
    """
    known = [r for r in readings if r.zones.main_s and r.zones.arcing_s]
    for r in known:
        travel = all(k.travel_mm is not None for k in known if k.operation.kind == r.operation.kind)
        yield _curve_of(r, travel)


@kept
def _curve_of(r: Reading, travel: bool) -> SiblingCurve:
    place = r.travel_mm if travel and r.travel_mm is not None else r.time_ms
    origin = r.operation.reference_s.get(r.interrupter.mechanism, math.nan)
    half = 0.6 * r.zones.commutation_s.value if r.zones.commutation_s else 0.0
    opening = r.operation.kind == "open"
    main, arcing = r.zones.main_s.value, r.zones.arcing_s.value
    closed, free = (main - half, main + half) if opening else (main + half, main - half)
    at = np.interp([1e3 * (t - origin) for t in (closed, free, arcing)], r.time_ms, place)
    return SiblingCurve(
        r.interrupter.name,
        r.interrupter.pole,
        str(r.interrupter.position),
        r.operation.kind,
        r.operation.number,
        "mm" if travel else "ms",
        place,
        r.resistance_uohm,
        float(at[0]),
        float(at[1]),
        float(at[2]),
        r.step_uohm,
    )


def _edges(curve: SiblingCurve, zone: Zone) -> FloatArray:
    """Bounds of the stretches, in the curve's unit, from the closed position outwards."""
    if zone == "arcing":
        low, high = curve.arcing_start, curve.arcing_end
        span = _ARCING_SPAN
    else:
        low, high = 0.0, curve.main_end
        span = _MAIN_SPAN
    return np.asarray(low + (high - low) * np.linspace(*span, STRETCHES[zone] + 1), dtype=np.float64)


@kept
def shape_of(curve: SiblingCurve, zone: Zone) -> tuple[FloatArray, FloatArray]:
    """Logarithm of the resistance (uOhm) in each stretch of a zone, and its standard uncertainty.

    Parameters
    ----------
    curve : SiblingCurve
    zone : {'main', 'arcing'}

    Returns
    -------
    tuple of ndarray, shape (stretches,)
        NaN where a stretch holds fewer than three samples or no positive level.
    """
    edges = _edges(curve, zone)
    n = edges.size - 1
    level, u = np.full(n, np.nan), np.full(n, np.nan)
    if zone == "main" and curve.unit == "ms":
        return level, u  # time from the command says nothing of where a closed contact is
    good = np.isfinite(curve.place) & np.isfinite(curve.uohm)
    place, uohm = curve.place[good], curve.uohm[good]
    if edges[0] > edges[-1]:
        place, edges = -place, -edges
    inside = (place >= edges[0]) & (place < edges[-1])
    cell, uohm = np.searchsorted(edges, place[inside], side="right") - 1, uohm[inside]
    order = np.argsort(cell, kind="stable")
    bounds = np.searchsorted(cell[order], np.arange(n + 1))
    for i in range(n):
        mine = np.sort(uohm[order[bounds[i] : bounds[i + 1]]])
        middle = float(mine[(mine.size - 1) // 2] + mine[mine.size // 2]) / 2 if mine.size else 0.0
        if mine.size >= _LEAST_SAMPLES and middle > 0:
            level[i] = math.log(middle)
            scatter = 1.2533 * mad_sd(mine) / math.sqrt(max(mine.size / _CORRELATED, 1.0))
            # The median of a coarse trace stays on its steps, however many samples it is of.
            u[i] = math.hypot(scatter, curve.step_uohm / math.sqrt(12.0)) / middle
    return level, u


def _trends(shape: FloatArray, u: FloatArray) -> tuple[FloatArray, FloatArray, list[tuple[int, int]]]:
    """Halves of the whole and of each half against one another: what is small in each stretch and large in all."""
    n = shape.shape[0]
    parts = [(0, n), (0, n // 2), (n - n // 2, n)]
    difference, spread = [], []
    for a, b in parts:
        h = (b - a) // 2
        difference.append(shape[a : a + h].mean(axis=0) - shape[b - h : b].mean(axis=0))
        spread.append(np.sqrt((u[a : a + h] ** 2).sum(axis=0) + (u[b - h : b] ** 2).sum(axis=0)) / h)
    return np.array(difference), np.array(spread), parts


@kept
def compare_curves(
    curves: Iterable[SiblingCurve], population: Population, *, share: float = 1.0
) -> tuple[CurveDifference, ...]:
    """Compare curves as functions.

    Repeats of one kind are averaged per interrupter. Each stretch, and each trend over the zone, is fitted as a
    feature is: breaker + pole + position + interrupter, scale from the population and from the siblings.

    Parameters
    ----------
    curves : iterable of SiblingCurve
        Of one breaker.
    population : Population
    share : float
        Share of the false alarms allowed that is left for curves.

    Returns
    -------
    tuple of CurveDifference
        One per interrupter and kind where at least three can be compared; the least probable first.
    """
    given = list(curves)
    kinds = sorted({c.kind for c in given})
    found: list[CurveDifference] = []
    tests = len(kinds) * sum(n + 3 for n in STRETCHES.values())
    for kind in kinds:
        best: dict[str, CurveDifference] = {}
        for zone in STRETCHES:
            for d in _zone([c for c in given if c.kind == kind], zone, population, tests / share):
                if d.interrupter not in best or d.p < best[d.interrupter].p:
                    best[d.interrupter] = d
        found += best.values()
    return tuple(sorted(found, key=lambda d: (d.p, d.interrupter, d.kind)))


def _zone(
    curves: Sequence[SiblingCurve], zone: Zone, population: Population, tests: float
) -> Iterator[CurveDifference]:
    read = [(c, *shape_of(c, zone)) for c in curves]
    # On closing the outermost stretches carry no steady current yet: what most curves lack is left out for all.
    share_read = np.mean([np.isfinite(level) for _, level, _ in read], axis=0)
    common = np.flatnonzero(share_read >= _COMMON)
    if common.size < _LEAST_STRETCHES:
        return
    mine: dict[str, list[tuple[SiblingCurve, FloatArray, FloatArray]]] = {}
    for c, level, level_u in read:
        if np.isfinite(level[common]).all():
            own = level[common] - median(level[common])
            mine.setdefault(c.interrupter, []).append((c, own, level_u[common]))
    names = sorted(mine)
    if len(names) < LEAST_COMPARABLE:
        return
    shape = np.array([np.mean([s for _, s, _ in mine[n]], axis=0) for n in names]).T
    u = np.array([np.sqrt(np.mean([v**2 for _, _, v in mine[n]], axis=0)) for n in names]).T
    trend, trend_u, parts = _trends(shape, u)
    sd = population.curve_sd * (_MAIN_SCATTER if zone == "main" else 1.0)
    priors = [ScatterPrior(sd, population.curve_dof, log=True)] * shape.shape[0]
    priors += [ScatterPrior(sd * _TREND_SCATTER, population.curve_dof, log=True)] * trend.shape[0]
    y = np.vstack([shape, trend])
    first = [mine[n][0][0] for n in names]
    pole = np.unique([c.pole for c in first], return_inverse=True)[1].astype(np.int64)
    place = np.unique([c.position for c in first], return_inverse=True)[1].astype(np.int64)
    f = fit(y, np.vstack([u, trend_u]), pole, place, priors, tests=tests)
    p = sidak(f.p, tests)
    away = y - f.expected
    for i, name in enumerate(names):
        if not np.isfinite(p[:, i]).any():
            continue
        row = int(np.nanargmin(f.p[:, i]))
        edges = _edges(first[i], zone)
        a, b = (row, row + 1) if row < shape.shape[0] else parts[row - shape.shape[0]]
        yield CurveDifference(
            name,
            first[i].kind,
            zone,
            "stretch" if row < shape.shape[0] else "trend",
            float(edges[common[a]]),
            float(edges[common[b - 1] + 1]),
            first[i].unit,
            math.exp(float(away[row, i])),
            float(away[row, i] / f.sd[row, i]),
            float(p[row, i]),
            len(names),
            tuple(sorted(c.operation for c, _, _ in mine[name])),
        )
