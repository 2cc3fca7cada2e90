"""How figures move with age and with the number of operations, over the tests of a type."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FIGURES", "Drift", "drifts"]

FloatArray = NDArray[np.float64]

#: Figure -> which end of a breaker's interrupters is followed.
FIGURES = {"arcing_wipe_mm": "min", "main_resistance_uohm": "max", "arcing_resistance_uohm": "max"}
ALONG = {"age_years": 1.0, "operation_count": 1000.0}
#: Tests that tell a slope at the least, and at the most that are compared each with each.
LEAST, MOST = 8, 600


@dataclass(frozen=True, eq=False)
class Drift:
    """One figure of one type along age (per year) or operations (per thousand).

    Attributes
    ----------
    slope, low, high : float
        Theil and Sen's, with its interval of 95 % by ranks; NaN where too few tests tell it.
    within : bool
        Slope within breakers that were tested more than once; else between breakers, where a design that changed over
        the years looks like wear.
    x, y : ndarray, shape (n,)
        The tests: worst interrupter of each.
    """

    breaker_type: str
    feature: str
    along: str
    slope: float
    low: float
    high: float
    within: bool
    x: FloatArray
    y: FloatArray


def drifts(tests: pd.DataFrame) -> list[Drift]:
    """Slopes over tests.

    Parameters
    ----------
    tests : DataFrame
        One row per test of a breaker: `breaker_id, breaker_type, age_years, operation_count` and the figures of the
        worst interrupter.

    Returns
    -------
    list of Drift
        For what has at least eight tests with a figure.
    """
    made = []
    for of, rows in tests.groupby("breaker_type", sort=True):
        for feature in FIGURES:
            for along, unit in ALONG.items():
                one = rows[["breaker_id", along, feature]].dropna()
                if len(one) >= LEAST and one[along].nunique() > 2:
                    made.append(_drift(str(of), feature, along, one, unit))
    return made


def _drift(of: str, feature: str, along: str, rows: pd.DataFrame, unit: float) -> Drift:
    from scipy.stats import theilslopes

    x = rows[along].to_numpy(dtype=np.float64) / unit
    y = rows[feature].to_numpy(dtype=np.float64)
    own = rows.assign(_x=x, _y=y).groupby("breaker_id")
    again = own["_x"].transform("nunique").to_numpy() > 1
    within = int(again.sum()) >= LEAST
    if within:
        centred = np.column_stack((x, y)) - own[["_x", "_y"]].transform("mean").to_numpy(dtype=np.float64)
        a, b = centred[again].T
    else:
        a, b = x, y
    few = np.linspace(0, a.size - 1, min(a.size, MOST)).astype(int)
    told = np.ptp(a) > 0 and np.ptp(b) > 0
    slope, _, low, high = theilslopes(b[few], a[few]) if told else (0.0 if np.ptp(a) > 0 else math.nan,) * 4
    return Drift(of, feature, along, float(slope), float(low), float(high), within, x, y)
