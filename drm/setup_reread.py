"""The feature table as it would be, had the test been connected in another way."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from drm.frames import rows_of
from drm.quantity import Quantity
from drm.setup_alternatives import Alternative, Instants

if TYPE_CHECKING:
    import pandas as pd

    from drm.observe import Moving

__all__ = ["read_again"]

#: Columns that stay with the interrupter whoever's voltage was read.
_ITS_OWN = ("record", "breaker", "operation", "kind", "pole", "interrupter", "position", "mechanism", "reference",
            "current_a", "by_hand")  # fmt: skip
_PER_CURRENT = ("_uohm", "_uohm_u", "_uohm_mm", "_uohm_mm_u")


def read_again(table: pd.DataFrame, seen: Sequence[Instants], other: Alternative) -> pd.DataFrame:
    """What would have been measured, had the test been made in the `other` way; uncertainties as they were.

    Parameters
    ----------
    table : DataFrame
        One row per operation and interrupter.
    seen : sequence of Instants
        Of the same operations.

    Returns
    -------
    DataFrame
        On the same index.
    """
    import pandas as pd

    old: dict[tuple[int, str], dict[str, Any]] = {}
    old |= {(int(r["operation"]), str(r["interrupter"])): r for r in rows_of(table)}
    at = {(i.operation, i.interrupter): i for i in seen}
    new = dict(old)
    for key, here in at.items():
        source = (key[0], other.voltage.get(key[1], key[1]))
        if key[1] in other.who and source in at and {key, source} <= old.keys():
            row = old[key] if source == key else _exchanged(old[key], old[source])
            new[key] = row | _travelled(row, here, at[source], other)
    return pd.DataFrame(list(new.values()), index=table.index, columns=table.columns)


def _exchanged(own: dict[str, Any], source: dict[str, Any]) -> dict[str, Any]:
    """The row with the other's voltage over its own current."""
    row = source | {k: own[k] for k in _ITS_OWN if k in own}
    share = _ratio(source["current_a"], own["current_a"])
    return row | {k: v * share for k, v in row.items() if k.endswith(_PER_CURRENT) and math.isfinite(share)}


def _travelled(row: dict[str, Any], here: Instants, source: Instants, other: Alternative) -> dict[str, Any]:
    """What the travel reads at the instants, as far as the row has it."""
    moving = here.movements.get(other.travel.get(here.interrupter, here.mechanism))
    if moving is None:
        return {}
    later = other.later_s.get(here.interrupter, 0.0)
    apart = later + other.apart_s.get(here.interrupter, 0.0)
    places = _places(_moved(source.main_s, later), _moved(source.arcing_s, apart), moving)
    share = _ratio(places["arcing_wipe_mm"], row.get("arcing_wipe_mm", math.nan))
    if share > 0.0 and "arcing_area_uohm_mm" in row:
        # Resistance over travel grows with the travel between the instants.
        places["arcing_area_uohm_mm"] = share * row["arcing_area_uohm_mm"]
    return {k: v for k, v in places.items() if k in row}


def _places(main_s: Quantity, arcing_s: Quantity, moving: Moving) -> dict[str, float]:
    main, arcing = moving.at(main_s).mm, moving.at(arcing_s).mm
    pace = float(np.interp(arcing_s.value, moving.time_s, moving.pace_m_s)) if arcing_s else math.nan
    return {
        "main_contact_mm": main,
        "arcing_contact_mm": arcing,
        "arcing_wipe_mm": arcing - main,
        "parting_speed_m_s": pace,
    }


def _moved(instant: Quantity, later_s: float) -> Quantity:
    return replace(instant, value=instant.value + later_s)


def _ratio(one: float, other: float) -> float:
    return float(one) / float(other) if float(other) else math.nan
