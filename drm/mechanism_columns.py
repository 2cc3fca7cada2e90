"""Columns of the mechanism table after its identity, in a module that imports nothing."""

from __future__ import annotations

__all__ = ["COLUMNS", "LIMITED", "TIMING_LIMITED", "WORDS"]

#: Name -> whether a column of standard uncertainty stands beside it.
COLUMNS: dict[str, bool] = {
    "opening_time_ms": True,
    "closing_time_ms": True,
    "motion_start_ms": True,
    "stroke_mm": True,
    "overtravel_mm": True,
    "rebound_mm": True,
    "speed_m_s": True,
    "speed_max_m_s": True,
    "damping_time_ms": True,
    "damping_entry_m_s": True,
    "damping_end_m_s": True,
    "envelope_above_percent": True,
    "envelope_below_percent": True,
    "coil_onset_s": True,
    "coil_peak_a": True,
    "coil_duration_ms": True,
    "armature_start_ms": True,
    "armature_stop_ms": True,
    "coil_plateau_a": True,
    "coil_voltage_v": True,
    "coil_resistance_ohm": True,
    "coil_cut_ms": True,
    "auxiliary_a_ms": True,
    "auxiliary_b_ms": True,
    "auxiliary_a_settled_ms": True,
    "auxiliary_b_settled_ms": True,
    "auxiliary_a_after_contact_ms": True,
    "auxiliary_b_after_contact_ms": True,
    "motor_peak_a": True,
    "motor_running_a": True,
    "motor_duration_s": True,
    "motor_energy_j": True,
}
#: Columns of words, after the values.
WORDS = ("speed_zone", "coil_cut_by", "travel_flags")
#: Columns of the times of breaker, poles and interrupters that a limit may name; the others are the mechanisms' too.
TIMING_LIMITED = (
    "spread_ms",
    "open_close_time_ms",
    "close_open_time_ms",
    "bounce_ms",
    "resistor_duration_ms",
    "resistor_ohm",
)
#: Columns that a limit of the breaker file may name beyond the first six.
LIMITED: tuple[str, ...] = tuple(
    c
    for c in COLUMNS
    if c
    not in (
        "opening_time_ms",
        "closing_time_ms",
        "stroke_mm",
        "overtravel_mm",
        "rebound_mm",
        "speed_m_s",
        "coil_onset_s",
    )
)
