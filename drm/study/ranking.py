"""The fleet ranked by concern: how far the worst reading of a latest test is out, and how sure the rank is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drm.findings import LEVELS
from drm.study.levels import Levels, standardised

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["BAD", "concerns", "ranked"]

FloatArray = NDArray[np.float64]

#: Feature -> which way it is bad: 1 high, -1 low, 0 either.
BAD: dict[str, int] = {
    "arcing_wipe_mm": -1,
    "arcing_wipe_ms": -1,
    "main_resistance_uohm": 1,
    "arcing_resistance_uohm": 1,
    "arcing_roughness_uohm": 1,
    "commutation_ms": 1,
    "main_contact_mm": 0,
    "parting_speed_m_s": -1,
}
#: Features that stand in for another where that was not measured.
_STANDS_IN = {"arcing_wipe_ms": "arcing_wipe_mm"}
#: Drawn readings that an interval of ranks rests on.
DRAWS = 200


def concerns(rows: pd.DataFrame, levels: dict[tuple[str, str, str], Levels]) -> pd.DataFrame:
    """Concern of every breaker among `rows`.

    Every feature of every interrupter is held against the breaker's siblings and against its type, in the direction
    in which it is bad. The greatest distance counts, taken back by as much as the greatest of so many looked at would
    be out by chance (Šidák): about zero is what a healthy breaker shows, however many interrupters it has.

    Parameters
    ----------
    rows : DataFrame
        Cells of latest tests.
    levels : dict
        As :func:`drm.study.levels.levels_of` gives them.

    Returns
    -------
    DataFrame
        `breaker_id, breaker_type, concern, concern_u, because, interrupter, kind, held_against`.
    """
    import pandas as pd

    from drm.special import log_ndtr, ndtri_exp

    found = []
    for feature, bad in BAD.items():
        if feature not in rows:
            continue
        fleet, sibling, u = standardised(rows, feature, levels)
        skip = rows[_STANDS_IN[feature]].notna().to_numpy() if feature in _STANDS_IN else np.zeros(len(rows), bool)
        for z, against in ((fleet, "type"), (sibling, "siblings")):
            worse = np.abs(z) if bad == 0 else bad * z
            part = rows[["breaker_id", "breaker_type", "interrupter", "kind"]].assign(
                because=feature, held_against=against, z=np.where(skip, np.nan, worse), concern_u=u
            )
            found.append(part.assign(tails=2.0 if bad == 0 else 1.0).dropna(subset=["z"]))
    whole = pd.concat(found, ignore_index=True)
    looked = whole.groupby("breaker_id")["z"].transform("size").to_numpy(dtype=np.float64)
    p = np.minimum(log_ndtr(-whole["z"].to_numpy()) + np.log(whole["tails"].to_numpy()), -1e-12)
    with np.errstate(under="ignore"):
        near = np.log(-np.expm1(looked * np.log1p(-np.exp(p))) + np.finfo(np.float64).tiny)
    # So far out the power is a product, and the probability itself no number any more.
    whole["concern"] = -ndtri_exp(np.where(p < -30.0, p + np.log(looked), np.minimum(near, -1e-12)))
    whole = whole.sort_values(
        ["breaker_id", "concern", "because", "interrupter", "kind", "held_against"],
        ascending=[True, False, True, True, True, True],
        kind="stable",
    )
    columns = ["breaker_id", "breaker_type", "concern", "concern_u", "because", "interrupter", "kind", "held_against"]
    return whole.drop_duplicates("breaker_id")[columns]


def ranked(concern: pd.DataFrame, worst: dict[str, str]) -> pd.DataFrame:
    """Breakers in the order in which they should be looked at.

    Parameters
    ----------
    concern : DataFrame
        One row per breaker.
    worst : dict
        Breaker -> level of its most urgent finding that is not about the test. `hold` comes before `inspect`, and both
        before all others; within these, concern decides.

    Returns
    -------
    DataFrame
        With `rank`, `rank_low` and `rank_high` (interval of 90 % from the uncertainty of the readings) and `level`.
    """
    import pandas as pd

    table = concern.assign(level=[worst.get(b, "") for b in concern["breaker_id"]])
    # Nothing that can be measured is out by a thousand standard deviations.
    first = table["level"].map({LEVELS[0]: 2000.0, LEVELS[1]: 1000.0}).fillna(0.0).to_numpy(dtype=np.float64)
    value = table["concern"].to_numpy(dtype=np.float64)
    lowest = float(np.nanmin(value)) if np.isfinite(value).any() else 0.0
    value = first + np.where(np.isfinite(value), value, lowest)
    u = np.nan_to_num(table["concern_u"].to_numpy(dtype=np.float64))
    order = np.argsort(-value, kind="stable")
    rng = np.random.default_rng(0)  # fixed: the same tables give the same page
    ranks = np.empty((DRAWS, value.size), dtype=np.int32)
    for k in range(DRAWS):
        drawn = np.argsort(-(value + u * rng.standard_normal(value.size)), kind="stable")
        ranks[k, drawn] = np.arange(1, value.size + 1, dtype=np.int32)
    low, high = np.quantile(ranks, [0.05, 0.95], axis=0) if value.size else (np.zeros(0), np.zeros(0))
    table = table.iloc[order].assign(
        rank=np.arange(1, value.size + 1),
        rank_low=np.floor(low[order]).astype(np.int64),
        rank_high=np.ceil(high[order]).astype(np.int64),
    )
    head = ["rank", "rank_low", "rank_high", "breaker_id", "breaker_type", "level"]
    return pd.DataFrame(table[[*head, *(c for c in table if c not in head)]]).reset_index(drop=True)
