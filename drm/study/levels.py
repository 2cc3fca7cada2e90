"""Where a type of breaker lies in every figure, and how far its breakers are apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drm.robust import mad_sd
from drm.siblings_prior import ORIENTATION, Population

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Levels", "compared", "levels_of", "standardised"]

FloatArray = NDArray[np.float64]
#: Degrees of freedom that a spread between breakers equal to that within one is believed with beforehand.
_BETWEEN_DOF = 4.0
#: Fewer breakers of a type than this have no level of their own to be held against.
LEAST = 5


@dataclass(frozen=True)
class Levels:
    """Of one type, kind of operation and feature; logarithms where the feature is compared so.

    Attributes
    ----------
    centre : float
        Median of the breakers' medians; NaN for fewer than five breakers.
    fleet_sd : float
        Of an interrupter of any breaker about it.
    within_sd : float
        Of an interrupter about the median of its breaker.
    breakers : int
    """

    centre: float
    fleet_sd: float
    within_sd: float
    breakers: int


def compared(values: pd.Series[float], feature: str) -> FloatArray:
    """Values as they are compared: logarithms of resistances and the like."""
    y: FloatArray = np.asarray(values, dtype=np.float64)
    if not ORIENTATION.priors[feature].log:
        return y
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(y > 0, np.log(y), np.nan), dtype=np.float64)


def levels_of(cells: pd.DataFrame, populations: dict[str, Population]) -> dict[tuple[str, str, str], Levels]:
    """Levels by type, kind and feature.

    Parameters
    ----------
    cells : DataFrame
        One row per breaker, kind and interrupter.
    populations : dict
        Type -> healthy scatter; the shipped one where a type is missing.
    """
    made = {}
    for (of, kind), rows in cells.groupby(["breaker_type", "kind"], sort=True):
        priors = populations.get(str(of), ORIENTATION).priors
        for feature, prior in priors.items():
            if feature not in rows:
                continue
            y = rows[["breaker_id"]].assign(y=compared(rows[feature], feature)).dropna()
            medians = y.groupby("breaker_id")["y"].median().to_numpy(dtype=np.float64)
            n = medians.size
            if not n:
                continue
            own = mad_sd(medians) if n > 1 else 0.0
            between = (_BETWEEN_DOF * prior.sd**2 + (n - 1) * own**2) / (_BETWEEN_DOF + n - 1)
            centre = float(np.median(medians)) if n >= LEAST else np.nan
            sd = float(np.sqrt(between + prior.sd**2))
            made[str(of), str(kind), feature] = Levels(centre, sd, prior.sd, n)
    return made


def standardised(
    rows: pd.DataFrame, feature: str, levels: dict[tuple[str, str, str], Levels]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Distance of each cell from its type and from its breaker, in standard deviations, and the uncertainty of both.

    Parameters
    ----------
    rows : DataFrame
        Cells.
    feature : str
    levels : dict
        As :func:`levels_of` gives them.

    Returns
    -------
    from_fleet, from_siblings, u : ndarray, shape (rows,)
        NaN where there is nothing to be held against.
    """
    n = len(rows)
    fleet, sibling, u = np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
    y = compared(rows[feature], feature)
    spread = rows[f"{feature}_u"].to_numpy(dtype=np.float64, na_value=np.nan)
    if ORIENTATION.priors[feature].log:
        spread = spread / rows[feature].to_numpy(dtype=np.float64, na_value=np.nan)
    place = np.arange(n)
    for (of, kind), group in rows.assign(_place=place).groupby(["breaker_type", "kind"], sort=True):
        level = levels.get((str(of), str(kind), feature))
        if level is None:
            continue
        at = group["_place"].to_numpy()
        # What is read scatters by the contacts and by the measurement.
        error = np.nan_to_num(spread[at])
        fleet[at] = (y[at] - level.centre) / np.hypot(level.fleet_sd, error)
        within = np.hypot(level.within_sd, error)
        u[at] = error / within
        own = group[["breaker_id"]].assign(y=y[at]).groupby("breaker_id")["y"]
        many = own.transform("count").to_numpy() >= 3
        # The median of few moves with the one that is judged: its own scatter is part of the distance.
        away = (y[at] - own.transform("median").to_numpy(dtype=np.float64)) / (within * 1.2)
        sibling[at] = np.where(many, away, np.nan)
    return fleet, sibling, u
