"""At what conditions a figure of two tests may be compared, and what differs between them by itself."""

from __future__ import annotations

import math
from dataclasses import dataclass

from drm.quantity import NOTHING, Quantity
from drm.static import COPPER_C

__all__ = ["NEVER", "SAME_VOLTAGE", "Moved", "Surroundings", "bulk", "driven", "moved"]

AT_C = 20.0
#: What an ambient that nobody stated may differ by from test to test, K, standard; common practice, no source.
UNKNOWN_K = 8.0
#: Supplies that differ by more than this share are not comparable; common practice, no source.
SAME_VOLTAGE = 0.05
#: What a supply that was not recorded may differ by, share, standard; common practice, no source.
UNKNOWN_VOLT = 0.03
#: A damper's fluid at temperatures further apart, K, is another damper; common practice, no source.
SAME_FLUID_K = 20.0

#: Figures that say nothing of the breaker: column -> why they are passed over.
NEVER = {
    "coil_onset_s": "counts on the record's clock",
    "coil_voltage_v": "a condition of the test",
    "static_current_a": "a condition of the test",
    "least_v": "the voltages that were tried; the pick-up between them is compared",
    "refused_v": "the voltages that were tried; the pick-up between them is compared",
    "envelope_above_percent": "is itself a comparison with a curve",
    "envelope_below_percent": "is itself a comparison with a curve",
    "static_resistance_20c_uohm": "compared beside the value as measured",
}
_CURRENTS = ("coil_plateau_a", "coil_peak_a")
_COIL_TIMES = (
    "armature_", "coil_duration", "coil_cut", "motion_start", "latch_", "opening_time", "closing_time", "first_ms",
    "last_ms", "resistor_insertion", "auxiliary_",
)  # fmt: skip
#: Share of a motor's figure that follows the share of its supply: inrush and speed do, the load's current hardly.
_OF_SUPPLY = {"motor_peak_a": 1.0, "motor_duration_s": 1.0, "motor_energy_j": 0.5}


def driven(column: str) -> bool:
    """Whether a figure follows the voltage at the release's coil."""
    return column in _CURRENTS or (column.startswith(_COIL_TIMES) and "after_contact" not in column)


@dataclass(frozen=True)
class Surroundings:
    """What one test's figure was measured at; NaN where it is not known."""

    ambient_c: Quantity = NOTHING
    coil_v: Quantity = NOTHING
    motor_v: float = math.nan


@dataclass(frozen=True)
class Moved:
    """A difference at comparable conditions, or why there is none.

    Attributes
    ----------
    by, more_u : float
        Difference now less then; standard uncertainty that the conditions add.
    now_20, then_20 : float
        Both values referred to 20 °C, NaN where they are not.
    why : str
        Empty where they can be compared.
    """

    by: float = math.nan
    more_u: float = 0.0
    now_20: float = math.nan
    then_20: float = math.nan
    why: str = ""


def moved(column: str, now: float, then: float, here: Surroundings, there: Surroundings) -> Moved:
    """Difference of a figure, `now` less `then`, at conditions that are alike as far as they are known."""
    if column == "static_resistance_uohm":
        return bulk(now, then, here, there)
    if column == "coil_resistance_ohm":
        return _warm(now, then, here, there, 1.0)
    if driven(column):
        apart = _apart(here.coil_v.value, there.coil_v.value)
        if abs(apart) > SAME_VOLTAGE:
            return Moved(why=f"coil voltages differ: {here.coil_v.value:.4g} V now, {there.coil_v.value:.4g} V then")
        if column in _CURRENTS:
            return _current(now, then, here, there, apart)
        # No armature is slower than in proportion to what its coil is given less.
        return Moved(now - then, _half_width(apart, then))
    if column in _OF_SUPPLY:
        apart = _apart(here.motor_v, there.motor_v)
        if abs(apart) > SAME_VOLTAGE:
            told = f"{here.motor_v:.4g} V now, {there.motor_v:.4g} V then"
            return Moved(why=f"motor supplies (energy over charge) differ: {told}")
        share = _OF_SUPPLY[column]
        more = share * (_half_width(apart, then) if math.isfinite(apart) else UNKNOWN_VOLT * abs(then))
        return Moved(now - then, more)
    if column.startswith("damping_") and here.ambient_c and there.ambient_c:
        degrees = here.ambient_c.value - there.ambient_c.value
        if abs(degrees) > SAME_FLUID_K:
            return Moved(
                why=f"ambients differ: {here.ambient_c.value:g} °C now, {there.ambient_c.value:g} °C then, and a "
                "damper's fluid with them"
            )
    return Moved(now - then)


def _apart(now: float, then: float) -> float:
    """Relative difference, NaN where one is not known."""
    known = math.isfinite(now) and math.isfinite(then) and now > 0.0 and then > 0.0
    return (now - then) / then if known else math.nan


def _half_width(apart: float, value: float) -> float:
    return abs(apart * value) / math.sqrt(3.0) if math.isfinite(apart) else 0.0


def _warm(now: float, then: float, here: Surroundings, there: Surroundings, way: float) -> Moved:
    """A winding, all of it copper: both at 20 °C. `way` is 1 for its resistance, -1 for a current through it."""
    if not (here.ambient_c and there.ambient_c):
        return Moved(now - then, 0.5 * (abs(now) + abs(then)) * UNKNOWN_K / (COPPER_C + AT_C))
    factors = [((COPPER_C + AT_C) / (COPPER_C + s.ambient_c.value)) ** way for s in (here, there)]
    a, b = now * factors[0], then * factors[1]
    us = [x * s.ambient_c.u / (COPPER_C + s.ambient_c.value) for x, s in ((a, here), (b, there))]
    return Moved(a - b, math.hypot(*us), a, b)


def _current(now: float, then: float, here: Surroundings, there: Surroundings, apart: float) -> Moved:
    """A steady coil current: in proportion to the voltage, at 20 °C."""
    if not math.isfinite(apart):
        got = _warm(now, then, here, there, -1.0)
        return Moved(got.by, math.hypot(got.more_u, UNKNOWN_VOLT * abs(then)), got.now_20, got.then_20)
    got = _warm(now / (1.0 + apart), then, here, there, -1.0)
    u = abs(then) * math.hypot(here.coil_v.u / here.coil_v.value, there.coil_v.u / there.coil_v.value)
    return Moved(got.by, math.hypot(got.more_u, u), got.now_20, got.then_20)


def bulk(now: float, then: float, here: Surroundings, there: Surroundings) -> Moved:
    """Difference of a contact's resistance: only the bulk follows the temperature, so the truth lies between the raw
    and the corrected one.
    """
    got = _warm(now, then, here, there, 1.0)
    if not math.isfinite(got.now_20):
        return got
    both = (now - then, got.by)
    least = 0.0 if both[0] * both[1] <= 0.0 else min(both, key=abs)
    return Moved(least, got.more_u, got.now_20, got.then_20)
