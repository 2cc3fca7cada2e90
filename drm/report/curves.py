"""Resistance over travel (over time where there is no travel), and the spread of the siblings on a common grid."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from drm.pipeline import Reading

FloatArray = NDArray[np.float64]
BINS = 160
LEAST_SIBLINGS = 2


@dataclass(frozen=True, eq=False)
class Curve:
    """One interrupter's resistance in one operation; `x` in mm or ms, shape (n,), never turning back."""

    interrupter: str
    operation: int
    x: FloatArray
    uohm: FloatArray


@dataclass(frozen=True, eq=False)
class Spread:
    """Median and 10–90 % band of the siblings over `x`, shape (m,) each, NaN where too few of them are measured."""

    x: FloatArray
    median: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, eq=False)
class Block:
    """The curves of one operation with what all its panels share."""

    operation: int
    kind: str
    unit: str
    window: tuple[float, float]
    curves: tuple[Curve, ...]


def blocks(readings: tuple[Reading, ...]) -> tuple[Block, ...]:
    """One block per operation; operations of one kind share their window, so that they can be compared by eye."""
    numbers = sorted({r.operation.number for r in readings})
    kinds = {r.operation.number: r.operation.kind for r in readings}
    unit = {k: _unit(readings, k) for k in set(kinds.values())}
    made = {n: _curves([r for r in readings if r.operation.number == n], unit[kinds[n]]) for n in numbers}
    window = {k: _window([r for r in readings if r.operation.kind == k], unit[k]) for k in set(kinds.values())}
    return tuple(Block(n, kinds[n], unit[kinds[n]], window[kinds[n]], made[n]) for n in numbers)


def _unit(readings: tuple[Reading, ...], kind: str) -> str:
    """'mm' where every reading of the kind has travel, else 'ms': one axis for all, else nothing can be compared."""
    every = all(_usable(r.travel_mm) for r in readings if r.operation.kind == kind)
    return "mm" if every else "ms"


def _usable(travel: FloatArray | None) -> bool:
    return travel is not None and bool(np.isfinite(travel).any())


def _curves(readings: list[Reading], unit: str) -> tuple[Curve, ...]:
    return tuple(Curve(r.interrupter.name, r.operation.number, *along(r, unit)) for r in readings)


def along(reading: Reading, unit: str) -> tuple[FloatArray, FloatArray]:
    """Place and resistance of a reading.

    Over travel the place is the furthest travel reached so far, so that sensor noise at rest and rebound
    do not draw the same stretch again and again.
    """
    if unit == "ms" or reading.travel_mm is None:
        return reading.time_ms, reading.shown_uohm
    opening = reading.operation.kind == "open"
    reached = np.asarray((np.fmax if opening else np.fmin).accumulate(reading.travel_mm), dtype=np.float64)
    here = _around_motion(reading.time_ms, reached, opening=opening)
    return reached[here], reading.shown_uohm[here]


def _around_motion(time_ms: FloatArray, reached: FloatArray, *, opening: bool) -> slice:
    """The stroke and 2 ms of the closed contact beside it: the long rest would all be drawn on one spot."""
    low, high = np.nanmin(reached), np.nanmax(reached)
    moving = np.flatnonzero(reached > low + 0.01 * (high - low))
    if not moving.size:
        return slice(None)
    if opening:
        return slice(int(np.searchsorted(time_ms, time_ms[moving[0]] - 2.0)), None)
    return slice(None, int(np.searchsorted(time_ms, time_ms[moving[-1]] + 2.0)))


def instants(reading: Reading, unit: str) -> tuple[tuple[float, float], tuple[float, float]]:
    """Place of the main and of the arcing contact's instant with standard uncertainty, NaN where not measured."""
    origin = reading.operation.reference_s.get(reading.interrupter.mechanism, np.nan)
    at: list[tuple[float, float]] = []
    for q in (reading.zones.main_s, reading.zones.arcing_s):
        at.append(((q.value - origin) * 1e3, q.u * 1e3))
    if unit == "ms" or reading.travel_mm is None:
        return at[0], at[1]
    good = np.isfinite(reading.time_ms) & np.isfinite(reading.travel_mm)
    if good.sum() < 2:
        return (np.nan, np.nan), (np.nan, np.nan)
    t, s = reading.time_ms, reading.travel_mm
    if not good.all():
        t, s = t[good], s[good]
    placed = [(float(np.interp(v, t, s)) if np.isfinite(v) else np.nan, np.nan) for v, _ in at]
    return placed[0], placed[1]


def _window(readings: list[Reading], unit: str) -> tuple[float, float]:
    """Stretch worth showing: from the closed contact to a little beyond the last parting or the first touch."""
    marks = np.array([p for r in readings for p, _ in instants(r, unit)], dtype=float)
    marks = marks[np.isfinite(marks)]
    if not marks.size:
        marks = np.array([e for r in readings for e in _extent(r, unit)], dtype=float)
    if not marks.size:
        return 0.0, 1.0
    low, high = float(marks.min()), float(marks.max())
    if unit == "mm":
        return 0.0, max(high * 1.12, 1.0)
    room = max(0.35 * (high - low), 2.0)
    return low - room, high + room


def _extent(reading: Reading, unit: str) -> tuple[float, ...]:
    x, y = along(reading, unit)
    seen = x[np.isfinite(x) & np.isfinite(y)]
    return (float(seen.min()), float(seen.max())) if seen.size else ()


def grid_of(window: tuple[float, float]) -> FloatArray:
    """Middles of the common grid's cells, shape (BINS,)."""
    edges = np.linspace(*window, BINS + 1)
    return np.asarray((edges[:-1] + edges[1:]) / 2, dtype=np.float64)


def on_grid(curve: Curve, window: tuple[float, float]) -> FloatArray:
    """Median resistance in each cell of the common grid, shape (BINS,); short gaps between cells are bridged."""
    out = np.full(BINS, np.nan)
    good = np.isfinite(curve.x) & np.isfinite(curve.uohm)
    cell = np.floor((curve.x[good] - window[0]) / ((window[1] - window[0]) or 1.0) * BINS).astype(int)
    inside = (cell >= 0) & (cell < BINS)
    cell, value = cell[inside], curve.uohm[good][inside]
    order = np.lexsort((value, cell))
    cell, value = cell[order], value[order]
    which, start, many = np.unique(cell, return_index=True, return_counts=True)
    out[which] = 0.5 * (value[start + (many - 1) // 2] + value[start + many // 2])
    seen = np.flatnonzero(np.isfinite(out))
    for a, b in pairwise(seen):
        if 1 < b - a <= 6:
            out[a + 1 : b] = np.interp(np.arange(a + 1, b), [a, b], [out[a], out[b]])
    return out


def spread(grid: FloatArray, rows: list[FloatArray]) -> Spread:
    """Median and 10–90 % band of `rows`, each of shape (BINS,), where at least half of them are measured."""
    if len(rows) < LEAST_SIBLINGS:
        nothing = np.full(grid.size, np.nan)
        return Spread(grid, nothing, nothing, nothing)
    table = np.vstack(rows)
    enough = np.isfinite(table).sum(axis=0) >= max(LEAST_SIBLINGS, (len(rows) + 1) // 2)
    low, median, high = (np.where(enough, q, np.nan) for q in _quantiles(table, (0.1, 0.5, 0.9)))
    return Spread(grid, median, low, high)


def _quantiles(table: FloatArray, shares: tuple[float, ...]) -> list[FloatArray]:
    """Quantiles of each column between its finite values, by straight lines; NaN where it has none."""
    ordered = np.sort(table, axis=0)  # NaN last
    most = np.isfinite(table).sum(axis=0) - 1
    out = []
    for share in shares:
        place = share * np.maximum(most, 0)
        below = np.floor(place).astype(int)
        above = np.minimum(below + 1, np.maximum(most, 0))
        a, b = (np.take_along_axis(ordered, k[None, :], axis=0)[0] for k in (below, above))
        out.append(np.asarray(a + (place - below) * (b - a), dtype=np.float64))
    return out
