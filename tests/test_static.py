"""Static resistance by hand, its reference to 20 °C, published limits, pick-up voltage and repeatability."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from drm.breaker import Breaker, Conditions, Instrument, Interrupter, Mechanism
from drm.pickup import Attempt, pick_up, pick_up_table, refusals
from drm.quantity import NOTHING, Quantity
from drm.record import Channel, Record
from drm.repeats import repeatability
from drm.rules.context import Context
from drm.rules.static import above_accepted, static_current, static_siblings, within_range
from drm.static import at_20, static_of, static_table

UNIT = Interrupter("A1", "A", 1, "M", "U", "I")
BREAKER = Breaker("static", (Mechanism("M", trip_coil="TC", trip_coil_voltage="V"),), (UNIT,))


def record(
    uohm: float = 50.0,
    amps: float = 200.0,
    *,
    emf_uv: float = 15.0,
    idle: bool = True,
    hum_uv: float = 0.0,
    seed: int = 0,
) -> Record:
    """Current up at 0.2 s and down at 1.8 s of 2 s; a constant EMF in the voltage; hum at 50 Hz."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 2.0, 2e-4)
    ramp = np.clip((t - 0.2) / 0.1, 0.0, 1.0) * np.clip((1.8 - t) / 0.1, 0.0, 1.0) if idle else np.ones_like(t)
    i = amps * ramp
    v = (
        uohm * 1e-6 * i
        + 1e-6 * emf_uv
        + 1e-6 * hum_uv * np.sin(2 * np.pi * 50.0 * t)
        + 2e-5 * rng.standard_normal(t.size)
    )
    return Record("s", "s.cfg", t, (Channel("U", "V", v), Channel("I", "A", i + 0.05 * rng.standard_normal(t.size))))


def test_voltage_over_current_with_the_emf_taken_off():
    got = static_of(record(), UNIT, BREAKER)
    assert got.resistance_uohm.value == pytest.approx(50.0, abs=0.02)
    assert got.current_a.value == pytest.approx(200.0, rel=1e-3)
    # What is left is the gains: hypot(0.2 %, 0.5 %) of 50.
    assert got.resistance_uohm.u == pytest.approx(50.0 * np.hypot(0.002, 0.005), rel=0.05)


def test_without_a_stretch_of_no_current_the_offset_stays_in_the_uncertainty():
    got = static_of(record(idle=False), UNIT, BREAKER)
    # 15 µV at 200 A are 0.075 µΩ; 20 µV are the standard uncertainty assumed.
    assert got.resistance_uohm.value == pytest.approx(50.0 + 0.075, abs=0.02)
    assert got.resistance_uohm.u == pytest.approx(np.hypot(50.0 * np.hypot(0.002, 0.005), 20.0 / 200.0), rel=0.05)


def test_hum_averages_out_over_whole_periods():
    assert static_of(record(hum_uv=3000.0), UNIT, BREAKER).resistance_uohm.value == pytest.approx(50.0, abs=0.05)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_polarity_changes_nothing(sign):
    one = record()
    turned = replace(one, channels=(replace(one.channels[0], samples=sign * one.channels[0].samples), one.channels[1]))
    assert static_of(turned, UNIT, BREAKER).resistance_uohm.value == pytest.approx(50.0, abs=0.02)


@pytest.mark.parametrize(("one", "why"), [(record(amps=2.0), "no current"), (record(uohm=9000.0), "not closed")])
def test_what_is_no_static_record_gives_a_reason(one, why):
    got = static_of(one, UNIT, BREAKER)
    assert not got.resistance_uohm
    assert why in got.why


def test_stated_uncertainty_covers_the_instruments_errors():
    # Gains drawn from what is stated: 95 % within k = 2, 89 to 99 in 150 draws.
    rng, inside = np.random.default_rng(5), 0
    for n in range(150):
        one = record(seed=n)
        gains = 1.0 + np.array([0.002, 0.005]) * rng.standard_normal(2)
        one = replace(
            one, channels=tuple(replace(c, samples=g * c.samples) for c, g in zip(one.channels, gains, strict=True))
        )
        got = static_of(one, UNIT, BREAKER).resistance_uohm
        inside += abs(got.value - 50.0) <= 2.0 * got.u
    assert 0.89 <= inside / 150 <= 0.995


@pytest.mark.parametrize(
    ("celsius", "factor"), [(0.0, 1.08529), (10.0, 1.04090), (20.0, 1.0), (30.0, 0.96219), (40.0, 0.92714)]
)
def test_copper_referred_to_20_degrees(celsius, factor):
    # IEC 60028: R20 = R (234.5 + 20) / (234.5 + T).
    assert at_20(Quantity(1.0, 0.0), Quantity(celsius, 0.0)).value == pytest.approx(factor, abs=5e-6)


def test_the_temperatures_uncertainty_reaches_the_corrected_value():
    got = at_20(Quantity(50.0, 0.0), Quantity(20.0, 1.0))
    assert got.u == pytest.approx(50.0 / 254.5)
    assert not at_20(Quantity(50.0, 0.1), NOTHING)


def test_raw_and_corrected_stand_side_by_side():
    warm = replace(BREAKER, conditions=Conditions(ambient_c=40.0))
    table = static_table([record()], warm)
    assert table.static_resistance_uohm[0] == pytest.approx(50.0, abs=0.05)
    assert table.static_resistance_20c_uohm[0] == pytest.approx(50.0 * 0.92714, abs=0.05)
    assert np.isnan(static_table([record()], BREAKER).static_resistance_20c_uohm[0])


def context(
    values: dict[str, float], *, u: float = 0.25, amps: float = 200.0, accepted: float | None = None, pick=None
):
    units = tuple(Interrupter(n, n[0], 1, "M", f"U_{n}", f"I_{n}", accepted_uohm=accepted) for n in values)
    rows = [
        {
            "interrupter": n,
            "static_resistance_uohm": v,
            "static_resistance_uohm_u": u,
            "static_resistance_20c_uohm": np.nan,
            "static_resistance_20c_uohm_u": np.nan,
            "static_current_a": amps,
            "static_current_a_u": 0.5,
        }
        for n, v in values.items()
    ]
    b = replace(BREAKER, interrupters=units, rated_control_voltage_v=110.0, instrument=Instrument())
    facts = {"static": pd.DataFrame(rows), "pick_up": pick}
    return Context(pd.DataFrame(), pd.DataFrame(), None, b, (), facts)


def test_more_than_a_fifth_above_the_accepted_value():
    # IEC 62271-1 (from memory): 1.2 times; equality passes.
    found = list(above_accepted(context({"A1": 61.0, "B1": 60.0, "C1": 60.3}, accepted=50.0)))
    assert [(f.interrupters[0], f.level) for f in found] == [("A1", "inspect"), ("C1", "watch")]


def test_half_above_the_lowest_sibling():
    # ANSI/NETA MTS: 50/60/76 is flagged, 130/180/150 is not.
    (found,) = static_siblings(context({"A1": 50.0, "B1": 60.0, "C1": 76.0}))
    assert found.interrupters == ("C1",)
    assert not list(static_siblings(context({"A1": 130.0, "B1": 180.0, "C1": 150.0})))


@pytest.mark.parametrize(("amps", "says"), [(150.0, None), (99.5, None), (80.0, "below 100 A"), (40.0, "50 A of IEC")])
def test_too_little_current(amps, says):
    found = list(static_current(context({"A1": 50.0}, amps=amps)))
    assert (says is None and not found) or says in found[0].message


# Pick-up.


def attempt(volts: float, operated: bool, kind: str = "open") -> Attempt:
    return Attempt("M", kind, Quantity(volts, 0.2), operated)


def test_pick_up_lies_between_the_least_that_operates_and_the_greatest_that_does_not():
    (got,) = pick_up([attempt(v, v > 60.0) for v in (110.0, 77.0, 66.0, 55.0)])
    assert got.least_v.value == 66.0
    assert got.refused_v.value == 55.0
    assert got.between_v.value == pytest.approx(60.5)
    # Uniform over the 11 V; both voltages were read with one gain, so that their 0.2 V are the same error (JCGM 100,
    # F.1.2.3).
    assert got.between_v.u == pytest.approx(np.hypot(11.0 / np.sqrt(12.0), 0.2))


def test_without_a_refusal_there_is_a_least_but_no_pick_up():
    (got,) = pick_up([attempt(110.0, True), attempt(77.0, True)])
    assert got.least_v.value == 77.0
    assert not got.between_v


def test_a_refusal_above_an_operation_is_said():
    (got,) = pick_up([attempt(66.0, True), attempt(80.0, False)])
    assert not got.consistent
    assert not got.between_v


def test_coils_are_kept_apart():
    assert [(p.kind, p.attempts) for p in pick_up([attempt(66.0, True), attempt(90.0, True, "close")])] == [
        ("close", 1),
        ("open", 1),
    ]


@pytest.mark.parametrize(("refused", "level"), [(75.0, None), (77.2, "watch"), (90.0, "inspect"), (125.0, None)])
def test_refusal_within_the_operating_range(refused, level):
    # IEC 62271-1 (from memory): shunt trip from 70 % of 110 V = 77 V to 110 % = 121 V.
    b = replace(BREAKER, rated_control_voltage_v=110.0)
    table = pick_up_table(pd.DataFrame(), [attempt(refused, False), attempt(118.0, True)], b)
    found = [f.level for f in within_range(context({"A1": 50.0}, pick=table))]
    assert found == ([level] if level else [])
    assert table.range_low_percent[0] == 70.0


def test_a_command_that_nothing_obeyed_is_a_refusal_with_its_voltage():
    t = np.arange(0.0, 0.3, 5e-5)
    on = (t > 0.05) & (t < 0.12)
    amps = np.where(on, 1.5 * -np.expm1(-(t - 0.05) / 6e-3), 0.0) + 0.003 * np.random.default_rng(1).standard_normal(
        t.size
    )
    one = Record("r", "r.cfg", t, (Channel("TC", "A", amps), Channel("V", "V", np.where(on, 55.0, 0.0))))
    (got,) = refusals(one, BREAKER)
    assert (got.mechanism, got.kind, got.operated) == ("M", "open", False)
    assert got.volts.value == pytest.approx(55.0, rel=1e-3)


# Repeatability.


def test_repeatability_is_the_standard_deviation_of_like_operations():
    features = pd.DataFrame(
        {
            "operation": [1, 2, 3, 4, 1, 2],
            "kind": ["open", "open", "open", "close", "open", "open"],
            "interrupter": ["A1"] * 4 + ["B1"] * 2,
            "quality": ["", "", "", "", "", ""],
            "wipe_mm": [10.0, 11.0, 12.0, 30.0, 20.0, 22.0],
            "wipe_mm_u": [0.4] * 6,
        }
    )
    got = repeatability(features, pd.DataFrame()).set_index(["name", "kind", "column"])
    one = got.loc[("A1", "open", "wipe_mm")]
    assert (one["n"], one["mean"], one.s_r) == (3, 11.0, 1.0)
    assert one.s_r_u == pytest.approx(1.0 / np.sqrt(4.0))
    assert one.stated_u == 0.4
    # Pooled by degrees of freedom: (2 * 1 + 1 * 2) / 3.
    assert got.loc[("all", "open", "wipe_mm"), "s_r"] == pytest.approx(np.sqrt(4.0 / 3.0))
    assert ("A1", "close", "wipe_mm") not in got.index


def test_spoiled_rows_do_not_count_for_repeatability():
    features = pd.DataFrame(
        {
            "operation": [1, 2],
            "kind": ["open"] * 2,
            "interrupter": ["A1"] * 2,
            "quality": ["", "bad"],
            "x_mm": [1.0, 9.0],
        }
    )
    assert repeatability(features, pd.DataFrame()).empty
