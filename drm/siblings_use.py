"""Which values of a flagged row can still be used: a reason spoils what it touches and no more."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COARSE_WIPE", "LEAST_A", "MAIN_ALONE", "NO_ARCING", "NO_TRAVEL", "SPOILED_BY_THE_TEST", "reasons",
           "usable", "usable_in"]  # fmt: skip

NO_ARCING = "no arcing zone"
NO_TRAVEL = "no travel channel"
MAIN_ALONE = "the level beside the parting is less than twice"
# What a fault of the test spoils begins with one of these.
SPOILED_BY_THE_TEST = ("setup:", "setup, ")
# Its uncertainty says it all, and every comparison carries that.
COARSE_WIPE = "the wipe is known to"
# Below this injected current the trace says nothing about the contact: common practice, no source.
LEAST_A = 20.0

_BEFORE_THE_CUT = ("main_", "commutation_", "arcing_resistance_uohm")
_OF_TIME = ("main_contact", "commutation_", "arcing_contact", "arcing_wipe", "parting_")
_NOT_OF_TRAVEL = ("main_resistance", "main_contact_ms", "commutation_", "arcing_contact_ms", "arcing_wipe_ms",
                  "arcing_resistance", "arcing_roughness")  # fmt: skip
# Start of a reason -> starts of the columns that it leaves good. Any other reason spoils the whole row.
_LEAVES: tuple[tuple[str, tuple[str, ...]], ...] = (
    (NO_TRAVEL, ("",)),
    (COARSE_WIPE, ("",)),
    ("the reading falls below", ("main_resistance", "arcing_contact")),
    ("the current goes down and up", ("main_resistance", "arcing_contact")),
    ("the current was cut off", _BEFORE_THE_CUT),
    ("the current began only", _BEFORE_THE_CUT),
    ("the current flows before the voltage", ("main_", "commutation_")),
    ("the record ends before the contact parts", _BEFORE_THE_CUT),
    ("the record begins with the contact closed", ("main_resistance",)),
    (NO_ARCING, ("main_resistance",)),
    (MAIN_ALONE, ("main_resistance", "arcing_contact")),
    ("only the contact's state", ("arcing_contact_ms",)),
    # A fault of the test that spoils all of the row begins with "setup:".
    ("setup, resistances:", _OF_TIME),
    ("setup, travel:", _NOT_OF_TRAVEL),
    ("the voltage channel's steps or noise", ("main_contact", "commutation_", "arcing_", "parting_")),
)


def reasons(quality: object) -> tuple[str, ...]:
    """The reasons in a ``;``-joined quality text; none where it is missing."""
    return tuple(r.strip() for r in quality.split(";") if r.strip()) if isinstance(quality, str) else ()


@lru_cache(4096)
def _spares(quality: str, column: str) -> bool:
    """Whether every reason in a quality text leaves the column good."""
    return all(any(r.startswith(s) and column.startswith(good) for s, good in _LEAVES) for r in reasons(quality))


def usable(features: pd.DataFrame, column: str) -> NDArray[np.bool_]:
    """Rows whose value in `column` a verdict may rest on.

    Parameters
    ----------
    features : DataFrame
        One row per operation and interrupter.
    column : str
        A feature.

    Returns
    -------
    ndarray of bool, shape (rows,)
        False where the column or the value is missing, where a `quality` reason spoils it, or where the injected
        current is below 20 A.
    """
    return usable_in(features)(column)


def usable_in(features: pd.DataFrame) -> Callable[[str], NDArray[np.bool_]]:
    """:func:`usable` for many columns of one table: what they share is read once."""
    columns = set(features.columns)
    enough = np.ones(len(features), dtype=np.bool_)
    if "current_a" in columns:
        enough = ~(np.abs(features["current_a"].to_numpy(dtype=np.float64)) < LEAST_A)
    said = features["quality"].tolist() if "quality" in columns else []

    def judge(column: str) -> NDArray[np.bool_]:
        if column not in columns:
            return np.zeros(len(features), dtype=np.bool_)
        good: NDArray[np.bool_] = np.isfinite(features[column].to_numpy(dtype=np.float64)) & enough
        if said:
            good &= np.array([_spares(q, column) if isinstance(q, str) else True for q in said], dtype=np.bool_)
        return good

    return judge
