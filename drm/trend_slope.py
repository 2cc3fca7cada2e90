"""A robust slope with its interval, and when a line would cross a limit."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LEAST_FOR_RANKS", "YEAR_S", "Crossing", "Line", "crossing_of", "line_of", "sen_interval", "theil_sen"]

FloatArray = NDArray[np.float64]
YEAR_S = 365.25 * 86400.0
#: Fewer values than this give ranks no interval of 95 %; the stated uncertainties must then carry it.
LEAST_FOR_RANKS = 6
#: How far beyond the last test a line is followed, in spans of the tests; common practice, no source.
HORIZON_SPANS = 1.0


@dataclass(frozen=True)
class Line:
    """A straight line through values over time.

    Attributes
    ----------
    slope, low, high : float
        Per unit of time, with an interval of 95 %.
    time, value : float
        A point of the line: median time, and the median of the values carried there by the slope.
    value_u : float
        Standard uncertainty of that value.
    n : int
    """

    slope: float
    low: float
    high: float
    time: float
    value: float
    value_u: float
    n: int

    @property
    def moves(self) -> bool:
        """Whether the interval of the slope leaves zero out."""
        return self.low > 0.0 or self.high < 0.0

    def at(self, time: float) -> tuple[float, float, float]:
        """Value of the line, and the ends of its band, at `time`."""
        away, u = time - self.time, 2.0 * self.value_u
        ends = sorted((self.low * away, self.high * away))
        return self.value + self.slope * away, self.value + ends[0] - u, self.value + ends[1] + u


@dataclass(frozen=True)
class Crossing:
    """When a limit would be crossed: from `earliest` to `latest` (infinite: beyond what the data carry)."""

    limit: float
    earliest: float
    latest: float
    horizon: float


def theil_sen(t: FloatArray, y: FloatArray) -> float:
    """Median of the slopes between all pairs of different times (Theil 1950, Sen 1968); NaN without one."""
    slopes = _slopes(t, y)
    return float(np.median(slopes)) if slopes.size else math.nan


def sen_interval(t: FloatArray, y: FloatArray, *, confidence: float = 0.95) -> tuple[float, float]:
    """Interval of the slope from the ranks of the pairs' slopes (Sen 1968), ties in time and value allowed for.

    Infinite where the values are too few for the confidence wanted.
    """
    from statistics import NormalDist

    slopes = np.sort(_slopes(t, y))
    n = t.size

    def ties(x: FloatArray) -> float:
        counts = np.unique(x, return_counts=True)[1]
        return float(np.sum(counts * (counts - 1) * (2 * counts + 5)))

    variance = (n * (n - 1) * (2 * n + 5) - ties(t) - ties(y)) / 18.0
    reach = NormalDist().inv_cdf(0.5 + confidence / 2.0) * math.sqrt(max(variance, 0.0))
    low, high = round((slopes.size - reach) / 2.0) - 1, round((slopes.size + reach) / 2.0)
    return (
        float(slopes[low]) if 0 <= low < slopes.size else -math.inf,
        float(slopes[high]) if 0 <= high < slopes.size else math.inf,
    )


def _slopes(t: FloatArray, y: FloatArray) -> FloatArray:
    i, j = np.triu_indices(t.size, 1)
    apart = t[j] - t[i]
    use = apart != 0.0
    return np.asarray((y[j] - y[i])[use] / apart[use], dtype=np.float64)


def line_of(t: FloatArray, y: FloatArray, u: FloatArray) -> Line | None:
    """Line through `y` with standard uncertainties `u`; None with fewer than three values or one time only.

    The slope is Theil and Sen's. Its interval covers both what the stated uncertainties allow (a weighted straight
    line, widened where the values scatter more than stated, Student's t) and, from six values on, what their ranks
    allow: uncertainties may be stated too small, and ranks know nothing of a common error.
    """
    from scipy.stats import t as student

    good = np.isfinite(t) & np.isfinite(y)
    t, y, u = t[good], y[good], u[good]
    if t.size < 3 or np.unique(t).size < 3:
        return None
    known = u[np.isfinite(u) & (u > 0.0)]
    fill = float(np.median(known)) if known.size else 0.0
    u = np.where(np.isfinite(u) & (u > 0.0), u, fill)
    slope = theil_sen(t, y)
    middle = float(np.median(t))
    value = float(np.median(y - slope * (t - middle)))
    weight = np.ones_like(u) if fill == 0.0 else 1.0 / np.maximum(u, 1e-3 * fill) ** 2
    centre = float(np.average(t, weights=weight))
    spread = float(np.sum(weight * (t - centre) ** 2))
    straight = float(np.sum(weight * (t - centre) * y)) / spread
    left = y - float(np.average(y, weights=weight)) - straight * (t - centre)
    freedom = t.size - 2
    chi = float(np.sum(weight * left**2)) / freedom
    wide = math.sqrt(chi) if fill == 0.0 else max(1.0, math.sqrt(chi))
    factor = float(student.ppf(0.975, freedom)) if fill == 0.0 or chi > 1.0 else 2.0
    reach = factor * wide / math.sqrt(spread)
    low, high = slope - reach, slope + reach
    if t.size >= LEAST_FOR_RANKS:
        ranked = sen_interval(t, y)
        if math.isfinite(ranked[0]) and math.isfinite(ranked[1]):
            low, high = min(low, ranked[0]), max(high, ranked[1])
    return Line(slope, low, high, middle, value, wide / math.sqrt(float(np.sum(weight))), int(t.size))


def crossing_of(line: Line, t: FloatArray, *, low: float | None, high: float | None) -> Crossing | None:
    """When the nearer limit would be crossed; None where the line does not move towards one within the horizon.

    Parameters
    ----------
    t : ndarray
        Times of the tests: the line is followed for as long again as they span, and no further.
    low, high : float or None
        Limits of the value.
    """
    begin, last = float(np.min(t)), float(np.max(t))
    horizon = last + HORIZON_SPANS * (last - begin)
    if not line.moves:
        return None
    limit = high if line.slope > 0.0 else low
    if limit is None:
        return None
    grid = np.linspace(last, horizon, 2001)
    band = np.array([line.at(float(x)) for x in grid])
    sign = 1.0 if line.slope > 0.0 else -1.0
    near, far = (band[:, 2], band[:, 1]) if sign > 0 else (band[:, 1], band[:, 2])
    first, sure = np.flatnonzero(sign * (near - limit) >= 0.0), np.flatnonzero(sign * (far - limit) >= 0.0)
    if first.size == 0:
        return None
    return Crossing(limit, float(grid[first[0]]), float(grid[sure[0]]) if sure.size else math.inf, horizon)
