"""Whether a scenario can be simulated: its words, names and numbers, each refused with its place."""

from __future__ import annotations

import dataclasses

from drm.errors import ScenarioError, nearest
from drm.synthetic.scenario import FAULTS, Scenario

__all__ = ["checked", "refuse"]

#: Numbers that must be above zero, by table.
POSITIVE = {
    "motion": ("stroke_mm", "open_speed_m_s", "close_speed_m_s"),
    "coil": ("supply_v",),
    "auxiliary": ("bounce_ms", "a_share", "b_share"),
    "motor": ("charging_s", "supply_v", "resistance_ohm", "running_a", "constant_vs", "electric_ms", "run_up_ms"),
    "contact": ("main_resistance_uohm", "arcing_resistance_uohm", "correlation_mm", "commutation_mm", "fingers"),
    "injection": ("current_a", "limit_v", "output_ohm", "lead_mohm", "lead_uh", "arc_v", "droop_ms", "ramp_ms"),
    "chain": ("sample_rate_hz", "oversampling", "bits", "voltage_range_v", "current_range_a", "filter_hz"),
    "setup": ("scale_factor",),
}
#: Numbers that must not be below zero.
NOT_NEGATIVE = {
    "auxiliary": ("bounces",),
    "motor": ("start_ms",),
    "chain": (
        "voltage_noise_mv",
        "current_noise_a",
        "hum_mv",
        "impulses",
        "impulses_per_s",
        "dither_lsb",
        "coil_coupling_mv",
        "motor_coupling_mv",
    ),
    "contact": (
        "main_scatter_rel",
        "arcing_scatter_rel",
        "resistor_ohm",
        "resistor_scatter_rel",
        "resistor_mm",
        "bounces",
    ),
    "injection": ("earth_loop_mohm", "sense_uh", "on_ms", "off_ms"),
    "setup": ("loose_uohm", "loose_lead_mohm", "loose_breaks"),
    "errors": ("voltage_gain_rel", "current_gain_rel", "voltage_offset_v", "skew_s", "travel_rel", "linkage_mm"),
}
#: Lists of the set-up that name poles, and those that name two; the other lists name interrupters.
POLES = ("sensors_exchanged",)
PAIRS = ("leads_exchanged", "currents_exchanged", "sensors_exchanged")


def refuse(what: str, path: object, place: str, mend: str) -> ScenarioError:
    """The error to raise about the key at `place` of the file at `path`."""
    return ScenarioError(what, path=path, place=place, mend=mend)


def checked(s: Scenario, path: object) -> Scenario:
    """The scenario itself, if it can be simulated.

    Raises
    ------
    ScenarioError
        With the place and the nearest valid name.
    """
    _sequence(s, path)
    if s.motor.supply_v <= s.motor.resistance_ohm * s.motor.running_a:
        raise refuse("the motor does not turn at so much current", path, "motor.running_a", "lower it")
    _names(s, path)
    if s.chain.travel not in ("linear", "rotary", "none"):
        known = nearest(s.chain.travel, ("linear", "rotary", "none"))
        raise refuse(f"unknown sensor '{s.chain.travel}'", path, "chain.travel", known)
    if not 0.0 <= s.injection.droop_rel < 1.0:
        raise refuse("a share from 0 to below 1 is wanted", path, "injection.droop_rel", "mend it")
    for table, keys in POSITIVE.items():
        for key in keys:
            if not getattr(getattr(s, table), key) > 0:
                raise refuse("a value above zero is wanted", path, f"{table}.{key}", "mend it")
    for table, keys in NOT_NEGATIVE.items():
        for key in keys:
            if getattr(getattr(s, table), key) < 0:
                raise refuse("a value of zero or above is wanted", path, f"{table}.{key}", "mend it")
    return s


def _sequence(s: Scenario, path: object) -> None:
    if set(s.sequence) - {"O", "C"} or "OO" in s.sequence or "CC" in s.sequence:
        raise refuse(
            f"'{s.sequence}' is no sequence",
            path,
            "sequence",
            "write O, C, OC, OCO, in turn, or nothing at all for a closed breaker",
        )
    times = (0.0, *s.commands_ms, s.length_ms)
    ordered = all(isinstance(t, int | float) for t in times) and list(times) == sorted(times)
    if len(s.commands_ms) != len(s.sequence) or not ordered:
        raise refuse("one command for each operation, in order and within length_ms", path, "commands_ms", "mend it")


def _names(s: Scenario, path: object) -> None:
    lists = {f.name: getattr(s.setup, f.name) for f in dataclasses.fields(s.setup)}
    lists = {key: names for key, names in lists.items() if isinstance(names, tuple)}
    for place, name in [(f"faults[{i}].interrupter", f.interrupter) for i, f in enumerate(s.faults, 1)] + [
        (f"setup.{key}", n) for key, names in lists.items() if key not in POLES for n in names
    ]:
        if name not in s.interrupters:
            raise refuse(f"no interrupter is called {name!r}", path, place, nearest(str(name), s.interrupters))
    for key in POLES:
        for name in lists[key]:
            if name not in s.poles:
                raise refuse(f"no pole is called {name!r}", path, f"setup.{key}", nearest(str(name), s.poles))
    for i, fault in enumerate(s.faults, 1):
        if fault.kind not in FAULTS:
            raise refuse(f"unknown fault '{fault.kind}'", path, f"faults[{i}].kind", nearest(fault.kind, FAULTS))
    for key in PAIRS:
        if len(lists[key]) not in (0, 2):
            what = "poles" if key in POLES else "interrupters"
            raise refuse(f"two {what} are wanted", path, f"setup.{key}", "name two")
