"""How far a figure of one healthy breaker moves from test to test."""

from __future__ import annotations

import math
from collections.abc import Mapping

__all__ = ["FIGURES", "PRIOR_DOF", "healthy", "pooled"]

#: From test to test of one mechanism, contact or coil, standard deviations: (absolute, share of the value). They stand
#: below the scatter between mechanisms that the rules use; common practice, no source.
FIGURES: Mapping[str, tuple[float, float]] = {
    "opening_time_ms": (0.3, 0.01),
    "closing_time_ms": (0.5, 0.01),
    "first_ms": (0.3, 0.01),
    "last_ms": (0.3, 0.01),
    "spread_ms": (0.3, 0.0),
    "open_close_time_ms": (0.7, 0.01),
    "close_open_time_ms": (0.7, 0.01),
    "bounce_ms": (0.5, 0.5),
    "resistor_insertion_ms": (0.5, 0.01),
    "resistor_duration_ms": (0.4, 0.02),
    "resistor_ohm": (0.0, 0.02),
    "latch_ms": (0.3, 0.01),
    "run_ms": (0.3, 0.015),
    "offset_ms": (0.3, 0.0),
    "motion_start_ms": (0.3, 0.01),
    "stroke_mm": (0.3, 0.003),
    "overtravel_mm": (0.5, 0.05),
    "rebound_mm": (0.5, 0.05),
    "speed_m_s": (0.0, 0.015),
    "speed_max_m_s": (0.0, 0.015),
    "damping_time_ms": (2.0, 0.05),
    "damping_entry_m_s": (0.0, 0.02),
    "damping_end_m_s": (0.05, 0.05),
    "coil_peak_a": (0.0, 0.015),
    "coil_plateau_a": (0.0, 0.015),
    "coil_resistance_ohm": (0.0, 0.003),
    "coil_duration_ms": (0.5, 0.02),
    "coil_cut_ms": (0.5, 0.015),
    "armature_start_ms": (0.3, 0.03),
    "armature_stop_ms": (0.3, 0.02),
    "auxiliary_a_ms": (0.5, 0.01),
    "auxiliary_b_ms": (0.5, 0.01),
    "auxiliary_a_settled_ms": (1.0, 0.01),
    "auxiliary_b_settled_ms": (1.0, 0.01),
    "auxiliary_a_after_contact_ms": (0.5, 0.01),
    "auxiliary_b_after_contact_ms": (0.5, 0.01),
    "motor_peak_a": (0.0, 0.03),
    "motor_running_a": (0.0, 0.02),
    "motor_duration_s": (0.0, 0.025),
    "motor_energy_j": (0.0, 0.03),
    "static_resistance_uohm": (0.5, 0.03),
    "pick_up_v": (0.0, 0.03),
}
#: For figures without a line above, by their unit; the longest ending first. Common practice, no source.
_BY_UNIT: tuple[tuple[str, tuple[float, float]], ...] = (
    ("_m_s", (0.0, 0.02)),
    ("_uohm", (1.0, 0.05)),
    ("_percent", (1.0, 0.05)),
    ("_ohm", (0.0, 0.02)),
    ("_mm", (0.5, 0.02)),
    ("_ms", (0.5, 0.02)),
    ("_a", (0.0, 0.03)),
    ("_v", (0.0, 0.03)),
    ("_j", (0.0, 0.05)),
    ("_s", (0.0, 0.03)),
)
#: Degrees of freedom by which such a value counts beside the breaker's own repeatability.
PRIOR_DOF = 10.0


def healthy(column: str, value: float) -> float:
    """Standard deviation of one healthy figure from test to test, in its unit.

    Parameters
    ----------
    column : str
        A figure of the tables; one that is not listed is told by the ending of its name.
    value : float
        About which it stands.
    """
    spread = FIGURES.get(column)
    if spread is None:
        ends = (s for end, s in _BY_UNIT if column.endswith(end))
        spread = FIGURES["speed_m_s"] if column.startswith("speed_") else next(ends, (0.0, 0.05))
    return math.hypot(spread[0], spread[1] * value)


def pooled(stated: float, squares: float, freedom: float) -> float:
    """`stated` joined with the repeatability of both tests, each weighed by its degrees of freedom.

    Parameters
    ----------
    stated : float
        Standard deviation that :func:`healthy` gives.
    squares, freedom : float
        Sum of squares of repeated operations about their means, and its degrees of freedom (ISO 5725's s_r² is their
        quotient).
    """
    return math.sqrt((PRIOR_DOF * stated**2 + squares) / (PRIOR_DOF + freedom))
