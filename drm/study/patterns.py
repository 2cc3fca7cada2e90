"""Wear patterns: interrupters that are out in the same way, whatever by how much."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drm.study.levels import Levels, standardised
from drm.study.ranking import BAD

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["AXES", "OUT", "deviating", "grouped"]

FloatArray = NDArray[np.float64]

#: What a pattern is made of.
AXES = tuple(f for f in BAD if f not in ("arcing_wipe_ms", "parting_speed_m_s"))
#: An interrupter is out from so many healthy standard deviations on: one in some ten thousand by chance.
OUT = 4.0
#: Interrupters that are grouped, the furthest out first: the grouping compares each with each.
MOST = 1500
#: Directions whose angle is beyond 60 degrees make patterns of their own.
_APART = 0.5


def deviating(rows: pd.DataFrame, levels: dict[tuple[str, str, str], Levels]) -> pd.DataFrame:
    """Interrupters that are out, with their deviation in each of the axes; what was not measured counts as nothing.

    Against the siblings where there are three at least, else against the type; the mean of opening and closing.
    """
    made = rows[["breaker_id", "breaker_type", "interrupter"]].copy()
    for feature in AXES:
        fleet, sibling, _ = standardised(rows, feature, levels)
        made[feature] = np.where(np.isfinite(sibling), sibling, fleet)
    made = made.groupby(["breaker_id", "breaker_type", "interrupter"], sort=True).mean().reset_index().fillna(0.0)
    made["severity"] = made[list(AXES)].abs().max(axis=1)
    return made[made["severity"] >= OUT]


def furthest(table: pd.DataFrame) -> pd.DataFrame:
    """The rows that are grouped, in an order that does not depend on how they were met."""
    keys = ["severity", "breaker_id", "interrupter"]
    return table.sort_values(keys, ascending=[False, True, True], kind="stable").head(MOST).reset_index(drop=True)


def grouped(table: pd.DataFrame) -> pd.DataFrame:
    """Number the pattern of every row, the most frequent first, and say it in words.

    Parameters
    ----------
    table : DataFrame
        Of :func:`deviating`.

    Returns
    -------
    DataFrame
        With `pattern` (from 1) and `words`.
    """
    from sklearn.cluster import AgglomerativeClustering

    table = furthest(table)
    if len(table) < 2:
        labels = np.zeros(len(table), dtype=np.int64)
    else:
        # Direction alone: how far a contact has worn is no pattern.
        fitted = AgglomerativeClustering(None, metric="cosine", linkage="average", distance_threshold=_APART)
        labels = np.asarray(fitted.fit_predict(table[list(AXES)].to_numpy(dtype=np.float64)), dtype=np.int64)
    count = np.bincount(labels, minlength=1)
    first = {int(k): int(np.argmax(labels == k)) for k in np.unique(labels)}
    order = sorted(first, key=lambda k: (-count[k], first[k]))
    number = {k: n for n, k in enumerate(order, start=1)}
    out = table.assign(pattern=[number[int(k)] for k in labels])
    words = {n: _words(out.loc[out["pattern"] == n, list(AXES)].median().to_numpy()) for n in number.values()}
    return out.assign(words=[words[n] for n in out["pattern"]])


def _words(centre: FloatArray) -> str:
    """The axes that carry a pattern, the strongest first."""
    from drm.wording import title_of

    size = float(np.linalg.norm(centre)) or 1.0
    strong = [k for k in np.argsort(-np.abs(centre), kind="stable") if abs(centre[k]) >= 0.35 * size]
    return ", ".join(f"{title_of(AXES[k])} {'high' if centre[k] > 0 else 'low'}" for k in strong)
