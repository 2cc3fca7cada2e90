"""Half width of the interval of about 95 % that is stated beside a value: twice u, less where the error is uniform.

An instant read from a state channel lies anywhere between two samples. Its error is uniform, its standard uncertainty
the interval over root twelve (JCGM 100, 4.3.7), and value +- 2 u would hold it always: 95 % of a uniform distribution
lie within 1.65 u, of the difference of two (a triangle) within 1.90 u, of a normal one within 1.96 u, by custom 2 u
(JCGM 100, 6.3.3 and G.6.6; EA-4/02, S9.14, from memory, has the 1.65).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from drm.wording import measured, number

__all__ = ["NORMAL", "SAMPLED", "expanded", "factor", "factor_of", "told"]

#: Coverage factor of a normal distribution, by custom.
NORMAL = 2.0
#: Column -> how many of its ends are instants that lie between two samples of a state.
SAMPLED: dict[str, int] = {
    # Between two samples, and delayed by anything up to six tenths of one.
    "arcing_contact_ms": 2,
    "opening_time_ms": 1,
    "closing_time_ms": 1,
    "first_ms": 1,
    "last_ms": 1,
    "spread_ms": 2,
    "open_close_time_ms": 2,
    "close_open_time_ms": 2,
    "bounce_ms": 2,
    "resistor_insertion_ms": 1,
    "resistor_duration_ms": 2,
    "offset_ms": 2,
    "motor_duration_s": 1,
    "auxiliary_a_ms": 1,
    "auxiliary_b_ms": 1,
    "auxiliary_a_settled_ms": 1,
    "auxiliary_b_settled_ms": 1,
    "auxiliary_a_after_contact_ms": 2,
    "auxiliary_b_after_contact_ms": 2,
}
#: Figures whose error is the encoder's step at rest, which is uniform, and other things, now the one more, now the
#: other: between 1.65 and 2 (of a normal error 1.75 u hold 92 %). Differences of two such readings: a triangle's.
STEPPED = {"motion_start_ms": 1.75, "latch_ms": 1.75, "run_ms": 1.75, "overtravel_mm": 1.90, "rebound_mm": 1.90}


def factor(u: float, width: float, *, ends: int = 1) -> float:
    """Coverage factor of a standard uncertainty that holds `ends` uniform errors, the rest being normal.

    Parameters
    ----------
    u : float
        The whole standard uncertainty.
    width : float
        Whole width of each uniform error, in the unit of `u`.
    ends : int

    Notes
    -----
    A symmetrical distribution's factor follows its excess kurtosis g, here ``-1.2 sum(u_i^4) / u^4``: the parabola
    through 1.65 (uniform), 1.90 (triangle) and 2. `tests/test_coverage.py` holds it to distributions propagated as
    JCGM 101 has it.
    """
    if not (u > 0.0 and math.isfinite(u) and width > 0.0):
        return NORMAL
    share = min(width**2 / 12.0, u**2 / ends) / u**2
    g = -1.2 * ends * share**2
    return NORMAL + (g - 5.0 * g**2) / 24.0


def factor_of(row: Mapping[Any, Any], column: str) -> float:
    """Coverage factor of one figure of a row of `features`, `mechanisms`, `timing` or `motors`; 2 in other tables.

    What part of `u` is the sampling's, the row's `sample_ms` tells.
    """
    if column in STEPPED:
        return STEPPED[column]
    ends = SAMPLED.get(column, 0)
    if ends == 1 and row.get("reference") == "motion" and column.endswith("_ms"):
        # Counted from a start of motion, whose error is the encoder's step at rest.
        return STEPPED["motion_start_ms"]
    width = number(row.get("sample_ms")) * (1.0 if column.endswith("_ms") else 1e-3)
    if not ends or not math.isfinite(width):
        return NORMAL
    return factor(number(row.get(f"{column}_u")), width, ends=ends)


def told(row: Mapping[Any, Any], column: str) -> str:
    """One figure of a table's row with its expanded uncertainty, in words."""
    return measured(row.get(column), row.get(f"{column}_u"), k=factor_of(row, column))


def expanded(row: Mapping[Any, Any], column: str) -> float:
    """Expanded uncertainty of one figure of a table's row; NaN where its `u` is not known."""
    return factor_of(row, column) * number(row.get(f"{column}_u"))
