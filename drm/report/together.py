"""Tables of what only several records can say: static resistance, pick-up voltage, charging runs, repeatability."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from drm.coverage import factor, told
from drm.frames import rows_of
from drm.report.tables import Table
from drm.wording import figure, measured, name, number, title_of, unit_of

if TYPE_CHECKING:
    from drm.pipeline import Result

__all__ = ["tables"]

#: Repeatability is shown of these; the file has every figure.
REPEATED = (
    "main_resistance_uohm", "arcing_contact_ms", "arcing_contact_mm", "arcing_wipe_mm", "arcing_resistance_uohm",
    "opening_time_ms", "closing_time_ms", "motion_start_ms", "stroke_mm", "speed_m_s",
)  # fmt: skip


def tables(result: Result) -> list[Table]:
    """Each table that has something to show."""
    return [t for t in (_static(result), _pick_up(result), _motors(result), _repeats(result)) if t is not None]


def _static(result: Result) -> Table | None:
    if result.static is None or not len(result.static):
        return None
    rows = tuple(
        (
            name(r["interrupter"]),
            name(r["record"]),
            measured(r["static_resistance_uohm"], r["static_resistance_uohm_u"]),
            measured(r["static_resistance_20c_uohm"], r["static_resistance_20c_uohm_u"]),
            measured(r["static_current_a"], r["static_current_a_u"]),
            str(r["quality"]) or "–",
        )
        for r in rows_of(result.static)
    )
    heads = (
        ("interrupter", ""),
        ("record", ""),
        ("as measured", "µΩ"),
        ("at 20 °C", "µΩ"),
        ("current", "A"),
        ("why not", ""),
    )
    return Table("Static resistance of the closed breaker", heads, rows)


def _pick_up(result: Result) -> Table | None:
    if result.pick_up is None or not len(result.pick_up):
        return None
    rows = []
    for r in rows_of(result.pick_up):
        low, high = number(r["range_low_percent"]), number(r["range_high_percent"])
        rows.append(
            (
                f"{name(r['mechanism'])}, {r['kind']}",
                str(r["attempts"]),
                measured(r["least_v"], r["least_v_u"]),
                measured(r["refused_v"], r["refused_v_u"]),
                # It lies anywhere between the two before.
                measured(r["pick_up_v"], r["pick_up_v_u"], k=_pick_up_factor(r)),
                figure(r["least_percent"], digits=3),
                f"{low:.0f}–{high:.0f}" if math.isfinite(low) else "–",
            )
        )
    heads = (
        ("coil", ""), ("commands", ""), ("least that operated", "V"), ("greatest refused", "V"), ("pick-up", "V"),
        ("least, of rated", "%"), ("release's range", "%"),
    )  # fmt: skip
    return Table(
        "Operation at reduced coil voltage (no pick-up value is prescribed: it is trended)", heads, tuple(rows)
    )


def _pick_up_factor(row: dict[Any, Any]) -> float:
    return factor(number(row["pick_up_v_u"]), number(row["least_v"]) - number(row["refused_v"]))


def _motors(result: Result) -> Table | None:
    if result.motors is None or not len(result.motors):
        return None
    columns = ("motor_peak_a", "motor_running_a", "motor_duration_s", "motor_energy_j")
    rows = tuple(
        (f"{name(r['mechanism'])}, {name(r['record'])}", *(told(r, c) for c in columns)) for r in rows_of(result.motors)
    )
    return Table("Charging runs", (("mechanism, record", ""), *((title_of(c), unit_of(c)) for c in columns)), rows)


def _repeats(result: Result) -> Table | None:
    r = result.repeats
    if r is None or not len(r):
        return None
    mine = r[r["column"].isin(REPEATED) & ((r["name"] == "all") | (r["of"] == "mechanism"))]
    if not len(mine):
        return None
    rows = tuple(
        (
            f"{title_of(x['column'])}, {x['kind']}",
            unit_of(x["column"]),
            "all interrupters" if x["name"] == "all" and x["of"] == "interrupter" else name(x["name"]),
            str(x["n"]),
            figure(x["s_r"], digits=2),
            figure(x["s_r_u"], digits=2),
            figure(x["stated_u"], digits=2),
        )
        for x in rows_of(mine)
    )
    heads = (("figure", ""), ("unit", ""), ("of", ""), ("values", ""), ("s_r", ""), ("u of s_r", ""), ("stated u", ""))
    return Table("Repeatability: standard deviation from operation to operation", heads, rows)
