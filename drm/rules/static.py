"""Rules for static resistance and for operation at reduced coil voltage."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from drm.findings import Finding
from drm.frames import rows_of
from drm.rules.cautions import look_at_mechanism, measure_again
from drm.rules.context import Context, joined
from drm.static import IEC_LEAST_A, IEEE_LEAST_A

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["above_accepted", "static_current", "static_siblings", "within_range"]

#: IEC 62271-1, routine test (from memory): at most 1.2 times the value before the type test's temperature rise.
ACCEPTED_FACTOR = 1.2
#: ANSI/NETA MTS, circuit-breaker resistance: with no maker's value, investigate more than 50 % above the lowest.
LOWEST_FACTOR = 1.5


def _rows(c: Context) -> list[dict[str, Any]]:
    frame: pd.DataFrame | None = c.facts.get("static")
    if frame is None or not len(frame):
        return []
    rows = rows_of(frame)
    return [r for r in rows if math.isfinite(float(r["static_resistance_uohm"]))]


def _value(row: dict[str, Any]) -> tuple[float, float, str]:
    """The value at 20 °C where the temperature is known, else as measured."""
    if math.isfinite(float(row["static_resistance_20c_uohm"])):
        return float(row["static_resistance_20c_uohm"]), float(row["static_resistance_20c_uohm_u"]), "at 20 °C"
    return float(row["static_resistance_uohm"]), float(row["static_resistance_uohm_u"]), "as measured"


def above_accepted(c: Context) -> Iterator[Finding]:
    """Static resistance against 1.2 times the accepted value of the breaker file; equality passes."""
    accepted = {i.name: i.accepted_uohm for i in c.breaker.interrupters if i.accepted_uohm is not None}
    for row in _rows(c):
        stated = accepted.get(str(row["interrupter"]))
        if stated is None:
            continue
        value, u, how = _value(row)
        limit = ACCEPTED_FACTOR * stated
        if value + 2.0 * u <= limit:
            continue
        outside = value - 2.0 * u > limit
        if not outside and value <= limit:
            continue
        yield Finding(
            code="static.above-accepted",
            level="inspect" if outside else "watch",
            subject="contact",
            message=f"{row['interrupter']}: static resistance {value:.1f} µΩ {how} is above 1.2 times the accepted "
            f"{stated:.1f} µΩ{'' if outside else ', by less than its uncertainty'}.",
            basis="published limit: IEC 62271-1, 1.2 times the value before the temperature-rise test (from memory); "
            "breaker file's accepted value",
            advice=measure_again("Measure again, voltage leads inside current leads, and operate a few times between."),
            interrupters=(str(row["interrupter"]),),
            evidence={
                "static_resistance_uohm": float(row["static_resistance_uohm"]),
                "static_resistance_20c_uohm": float(row["static_resistance_20c_uohm"]),
                "expanded_u_uohm": 2.0 * u,
                "limit_uohm": limit,
            },
        )


def static_siblings(c: Context) -> Iterator[Finding]:
    """Interrupters more than 50 % above the lowest static resistance, where no accepted value is stated."""
    stated = {i.name for i in c.breaker.interrupters if i.accepted_uohm is not None}
    found: dict[str, list[float]] = {}
    for row in _rows(c):
        found.setdefault(str(row["interrupter"]), []).append(float(row["static_resistance_uohm"]))
    values = {k: sum(v) / len(v) for k, v in found.items() if k not in stated}
    if len(values) < 2:
        return
    lowest = min(values.values())
    high = {k: v for k, v in values.items() if v > LOWEST_FACTOR * lowest}
    if high:
        names = tuple(sorted(high))
        yield Finding(
            code="static.above-lowest",
            level="inspect",
            subject="contact",
            message=f"{joined(list(names))}: static resistance more than 50 % above the lowest, {lowest:.1f} µΩ.",
            basis="published limit: ANSI/NETA MTS, more than 50 % above the lowest where the maker gives no value",
            advice=measure_again(
                "Measure again and compare with the maker's value; a set that is uniformly bad passes this rule."
            ),
            interrupters=names,
            evidence={"static_resistance_uohm": high, "lowest_uohm": lowest, "limit_uohm": LOWEST_FACTOR * lowest},
        )


def static_current(c: Context) -> Iterator[Finding]:
    """Static resistance measured with too little current."""
    least = {}
    for row in _rows(c):
        value = float(row["static_current_a"])
        if value + 2.0 * float(row["static_current_a_u"]) < IEEE_LEAST_A:
            least[str(row["interrupter"])] = value
    if least:
        names = tuple(sorted(least))
        low = min(least.values())
        both = " and below the 50 A of IEC 62271-1" if low < IEC_LEAST_A else ""
        yield Finding(
            code="setup.static-current-low",
            level="note",
            subject="setup",
            message=f"{joined(list(names))}: static resistance taken at {low:.0f} A, below 100 A{both}.",
            basis="published: IEEE C37.09, at least 100 A d.c.; IEC 62271-1, 50 A up to rated current",
            advice=measure_again("Measure at 100 A or more, and compare tests at equal current only."),
            interrupters=names,
            evidence={"static_current_a": least},
        )


def within_range(c: Context) -> Iterator[Finding]:
    """A mechanism that refused at a coil voltage within the operating range of its release."""
    frame: pd.DataFrame | None = c.facts.get("pick_up")
    rated = c.breaker.rated_control_voltage_v
    if frame is None or not len(frame):
        return
    for row in rows_of(frame):
        refused, u = float(row["refused_v"]), float(row["refused_v_u"])
        low, high = float(row["range_low_percent"]), float(row["range_high_percent"])
        if rated is None or not math.isfinite(refused):
            continue
        bottom = 0.01 * low * rated
        if refused < bottom or refused > 0.01 * high * rated:
            continue
        outside = refused - 2.0 * u > bottom
        mine = tuple(i.name for i in c.breaker.interrupters if i.mechanism == row["mechanism"])
        yield Finding(
            code="mechanism.refused-in-range",
            level="inspect" if outside else "watch",
            subject="mechanism",
            message=f"Mechanism {row['mechanism']} did not {row['kind']} at {refused:.1f} V, "
            f"{100.0 * refused / rated:.0f} % of the rated voltage; its release is to operate from {low:.0f} % on.",
            basis="published: IEC 62271-1, operating range of releases (from memory)",
            advice=look_at_mechanism(
                "See that the voltage was taken at the coil's terminals; then coil, latch and its lubrication."
            ),
            interrupters=mine,
            evidence={
                "refused_v": refused,
                "refused_expanded_u_v": 2.0 * u,
                "least_operating_v": float(row["least_v"]),
                "rated_control_voltage_v": rated,
                "range_low_percent": low,
            },
        )
