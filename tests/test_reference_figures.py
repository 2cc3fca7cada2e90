"""Figures of mechanisms, times, static resistance, pick-up and motors against an earlier test."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_siblings import healthy as contacts

from drm.breaker import Breaker, Conditions, Damping, Interrupter, Mechanism, SpeedZone
from drm.findings import findings
from drm.reference import CONTACTS_SHARE, Change, Reference, with_chance
from drm.reference_figures import figures
from drm.reference_rows import placed
from drm.reference_scatter import FIGURES, PRIOR_DOF, healthy, pooled
from drm.reference_whole import compared
from drm.siblings import compare

SEQUENCE = ("open", "close", "open")


def features() -> pd.DataFrame:
    return contacts(3, seed=1).assign(current_a=200.0, breaker="x", record="r", main_resistance_uohm_u=0.3)


def mechanisms(kinds=SEQUENCE, names=("A", "B", "C"), **more: float) -> pd.DataFrame:
    """One record of these operations; `more` are columns, given an uncertainty of 0.5 %."""
    columns = {
        "speed_m_s": 6.0,
        "stroke_mm": 160.0,
        "motion_start_ms": 14.0,
        "armature_stop_ms": 9.0,
        "coil_plateau_a": 3.0,
        "coil_voltage_v": 110.0,
        "coil_resistance_ohm": 36.0,
        "motor_peak_a": 30.0,
        "motor_running_a": 5.0,
        "motor_duration_s": 8.0,
        "motor_energy_j": 4500.0,
    } | more
    rows = []
    for number, kind in enumerate(kinds, 1):
        for name in names:
            row = {"record": "r", "breaker": "x", "operation": number, "kind": kind, "mechanism": name}
            row |= {"reference": "coil", "speed_zone": "25% to 75% of the stroke", "travel_flags": ""}
            for c, v in columns.items():
                row |= {c: v, f"{c}_u": 0.002 * v if c == "coil_voltage_v" else 0.005 * v}
            rows.append(row)
    return pd.DataFrame(rows)


def timing(kinds=("open", "close"), *, gap_ms=300.0, last=(25.0, 60.0), spread=1.0) -> pd.DataFrame:
    rows = []
    for number, kind in enumerate(kinds, 1):
        at = last[0 if kind == "open" else 1]
        row = {"record": "r", "breaker": "x", "operation": number, "kind": kind, "scope": "breaker", "name": "x"}
        row |= {"first_ms": at - spread, "last_ms": at, "spread_ms": spread, "source": "resistance"}
        row["open_close_time_ms"] = gap_ms + at - spread - last[0] if kind == "close" and number > 1 else math.nan
        rows.append(row | {f"{c}_u": 0.05 for c in ("first_ms", "last_ms", "spread_ms", "open_close_time_ms")})
    return pd.DataFrame(rows)


def static(value=40.0, *, amps=200.0, names=("A1", "B1", "C1")) -> pd.DataFrame:
    row = {"record": "s", "breaker": "x", "static_resistance_uohm": value, "static_resistance_uohm_u": 0.2}
    row |= {"static_current_a": amps, "static_current_a_u": 1.0, "quality": ""}
    return pd.DataFrame([row | {"interrupter": n} for n in names])


def pick_up(refused: float, least: float) -> pd.DataFrame:
    known = math.isfinite(refused)
    row = {"breaker": "x", "mechanism": "A", "kind": "open", "attempts": 4, "quality": ""}
    row |= {"least_v": least, "least_v_u": 0.2, "refused_v": refused, "refused_v_u": 0.2}
    row |= {
        "pick_up_v": 0.5 * (refused + least),
        "pick_up_v_u": (least - refused) / math.sqrt(12.0) if known else math.nan,
    }
    return pd.DataFrame([row])


def since(now: dict, then: dict, *, ambient=(None, None), stated=None, mechanism=None):
    own = features()
    units = tuple(Interrupter(f"{p}1", p, 1, p, f"U_{p}1", f"I_{p}1") for p in "ABC")
    b = Breaker("x", tuple(Mechanism(p, **(mechanism or {})) for p in "ABC"), units)
    b = replace(b, conditions=Conditions(ambient_c=ambient[0]))
    earlier = Reference("then", own, {"conditions": {"ambient_c": ambient[1]}}, "", then, stated or {})
    return compared(own, now, earlier, b), earlier, b, own


def told(now: dict, then: dict, **conditions) -> list:
    got, earlier, b, own = since(now, then, **conditions)
    facts = {"reference": earlier, "since": got, "timing": now.get("timing")}
    said = findings(own, now.get("mechanisms", pd.DataFrame()), compare(own), b, readings_facts=facts)
    return [f for f in said if f.code.startswith("reference.")]


def changed(*tables, **conditions) -> list:
    return [f for f in told(*tables, **conditions) if f.level != "note"]


def why(*tables, **conditions) -> dict[str, str]:
    return {g.column: g.why for g in since(*tables, **conditions)[0].gaps}


def scaled(table: pd.DataFrame, column: str, factor: float, who: str = "B") -> pd.DataFrame:
    out = table.copy()
    out.loc[out[out.columns[out.columns.isin(["mechanism", "interrupter"])][0]] == who, column] *= factor
    return out


def test_what_is_as_it_was_is_not_called_changed():
    now = {"mechanisms": mechanisms(), "timing": timing(), "static": static(), "pick_up": pick_up(60.0, 70.0)}
    got = since(now, now)[0]
    assert {c.table for c in got.changes} == {"features", *now}
    assert all(c.distance == pytest.approx(0.0) for c in got.changes)
    assert not changed(now, now)


def test_operations_are_matched_by_their_place_in_the_record():
    assert placed(mechanisms(names=("A",))) == ["", "O", "OC"]
    two = pd.concat([mechanisms(("open",), ("A",)), mechanisms(("open",), ("A",)).assign(operation=2)])
    assert placed(two) == ["", ""]


def test_an_opening_after_a_closing_is_not_compared_with_one_from_rest():
    fast = mechanisms(("close", "open"), speed_m_s=7.0)
    assert not changed({"mechanisms": fast}, {"mechanisms": mechanisms(("open",))})
    notes = told({"mechanisms": fast}, {"mechanisms": mechanisms(("open",))})
    assert any("only one of the two tests has" in f.message for f in notes)


@pytest.mark.parametrize(
    ("column", "factor", "code"),
    [
        ("speed_m_s", 0.9, "reference.mechanism"),
        ("motor_running_a", 1.15, "reference.motor"),
        ("motor_peak_a", 1.3, "reference.motor"),
        ("motion_start_ms", 1.25, "reference.mechanism"),
        ("armature_stop_ms", 1.3, "reference.coil"),
    ],
)
def test_a_mechanism_that_changed_is_named_with_both_values(column, factor, code):
    now = {"mechanisms": scaled(mechanisms(), column, factor)}
    (one,) = changed(now, {"mechanisms": mechanisms()})
    assert one.code == code
    assert one.evidence["mechanism"] == "B"
    assert (
        set(one.interrupters) == {n for n in features()["interrupter"] if n.startswith("B")} or one.interrupters == ()
    )
    first = one.evidence["changes"][0]
    assert first[f"now_{column}"] == pytest.approx(factor * first[f"then_{column}"])
    assert one.basis.startswith("earlier test: r")
    assert "What else could explain it" in one.advice
    assert "Local codes" in one.advice


def test_static_resistance_a_quarter_up_is_named():
    (one,) = changed({"static": scaled(static(), "static_resistance_uohm", 1.25, "B1")}, {"static": static()})
    assert (one.code, one.subject, one.interrupters) == ("reference.static-resistance-higher", "contact", ("B1",))


def test_static_resistance_that_rose_as_copper_does_is_no_change():
    # IEC 60028: (234.5 + 40) / (234.5 + 0)
    warm = {"static": static(40.0 * 274.5 / 234.5)}
    assert not changed(warm, {"static": static()}, ambient=(40.0, 0.0))
    assert changed(warm, {"static": static()}, ambient=(20.0, 20.0))


def test_static_currents_that_differ_by_more_than_twice_are_not_comparable():
    assert (
        "test currents differ"
        in why({"static": static(amps=100.0)}, {"static": static(amps=300.0)})["static_resistance_uohm"]
    )
    assert not why({"static": static(amps=100.0)}, {"static": static(amps=200.0)})


def test_a_coil_five_percent_higher_is_named_where_the_temperatures_are_known_and_not_where_they_are_not():
    now = {"mechanisms": scaled(mechanisms(), "coil_resistance_ohm", 1.05)}
    then = {"mechanisms": mechanisms()}
    (one,) = changed(now, then, ambient=(20.0, 20.0))
    assert (one.code, one.evidence["mechanism"]) == ("reference.coil", "B")
    # Unknown ambients may differ by 8 K (standard) and copper by 0.39 % for each.
    assert not changed(now, then)


def test_a_winding_that_rose_as_copper_does_is_no_change():
    # IEC 60028: (234.5 + 35) / (234.5 + 20)
    now = {"mechanisms": mechanisms(coil_resistance_ohm=36.0 * 269.5 / 254.5, coil_plateau_a=3.0 * 254.5 / 269.5)}
    assert not changed(now, {"mechanisms": mechanisms()}, ambient=(35.0, 20.0))
    found = since(now, {"mechanisms": mechanisms()}, ambient=(35.0, 20.0))[0].changes
    assert all(c.by == pytest.approx(0.0, abs=1e-9) for c in found if c.feature.startswith("coil_"))


def test_a_coil_current_in_proportion_to_its_voltage_is_no_change():
    now = {"mechanisms": mechanisms(coil_voltage_v=106.7, coil_plateau_a=2.91)}
    found = since(now, {"mechanisms": mechanisms()}, ambient=(20.0, 20.0))[0].changes
    assert all(c.by == pytest.approx(0.0, abs=1e-9) for c in found if c.feature == "coil_plateau_a")


def test_at_another_coil_voltage_what_follows_it_is_not_compared_and_the_rest_is():
    now = {"mechanisms": mechanisms(coil_voltage_v=88.0, motion_start_ms=18.0)}
    got, *_ = since(now, {"mechanisms": mechanisms()})
    gaps = {g.column: g.why for g in got.gaps}
    assert {"motion_start_ms", "armature_stop_ms", "coil_plateau_a"} <= set(gaps)
    assert "88 V now, 110 V then" in gaps["motion_start_ms"]
    kept = {c.feature for c in got.changes}
    assert {"speed_m_s", "stroke_mm", "coil_resistance_ohm", "motor_running_a"} <= kept
    assert not kept & set(gaps)
    # The contacts' instants follow the voltage as well.
    assert not kept & {"arcing_contact_ms", "main_contact_ms"}


def test_of_a_series_at_falling_voltage_the_operations_at_like_voltage_are_compared():
    falling = mechanisms(("open",), ("A",))
    rows = [falling.assign(record=f"r{k}", operation=k, coil_voltage_v=v, motion_start_ms=1540.0 / v)
            for k, v in enumerate((110.0, 88.0, 77.0), 1)]  # fmt: skip
    now = {"mechanisms": pd.concat(rows, ignore_index=True)}
    got, *_ = since(now, {"mechanisms": mechanisms(("open",), ("A",))})
    (one,) = [c for c in got.changes if c.feature == "motion_start_ms"]
    assert one.now == pytest.approx(14.0)
    assert one.operations == (1,)


def test_motors_on_another_supply_are_not_compared_in_what_follows_it():
    now = {"mechanisms": mechanisms(motor_energy_j=3600.0, motor_duration_s=8.0)}
    gaps = why(now, {"mechanisms": mechanisms()})
    assert {"motor_duration_s", "motor_energy_j"} <= set(gaps)
    assert "differ: 90 V now, 112.5 V then" in gaps["motor_duration_s"]
    assert "motor_running_a" not in gaps


def test_motor_runs_without_an_operation_are_compared_too():
    run = {"record": "m", "breaker": "x", "mechanism": "A", "motor_running_a": 5.0, "motor_running_a_u": 0.03}
    then, now = pd.DataFrame([run]), pd.DataFrame([run | {"motor_running_a": 5.75}])
    (one,) = changed({"motors": now}, {"motors": then})
    assert one.code == "reference.motor"


@pytest.mark.parametrize(
    ("now", "then", "moves"),
    [((60.0, 70.0), (62.0, 72.0), False), ((60.0, 77.0), (62.0, 66.0), False), ((80.0, 88.0), (60.0, 70.0), True),
     ((50.0, 55.0), (66.0, 77.0), True), ((math.nan, 55.0), (66.0, 77.0), True)],
)  # fmt: skip
def test_pick_up_moved_only_where_it_operates_where_it_refused_or_the_other_way_round(now, then, moves):
    found = changed({"pick_up": pick_up(*now)}, {"pick_up": pick_up(*then)})
    assert [f.code for f in found] == (["reference.pick-up"] if moves else [])


def test_open_close_time_is_compared_only_where_the_commands_were_as_far_apart():
    assert not why({"timing": timing()}, {"timing": timing()})
    gaps = why({"timing": timing(gap_ms=340.0)}, {"timing": timing()})
    assert gaps == {"open_close_time_ms": "the commands follow one another after 340.0 ms now, 300.0 ms then"}


def test_a_spread_between_mechanisms_may_move_as_their_times_do():
    found = since({"timing": timing()}, {"timing": timing()})[0].changes
    spread = next(c for c in found if c.feature == "spread_ms" and c.kind == "close")
    assert spread.healthy == pytest.approx(math.sqrt(2.0) * healthy("last_ms", 60.0))


def test_another_source_of_instants_reference_or_zone_is_another_figure():
    assert "from state now" in why({"timing": timing().assign(source="state")}, {"timing": timing()})["last_ms"]
    other = {"mechanisms": mechanisms(opening_time_ms=25.0).assign(reference="motion", speed_zone="20 to 60 mm")}
    gaps = why(other, {"mechanisms": mechanisms(opening_time_ms=25.0)})
    assert "reference instant" in gaps["opening_time_ms"]
    assert "20 to 60 mm now" in gaps["speed_m_s"]


def test_a_damper_or_a_named_zone_stated_otherwise_then_is_another_figure():
    both = {"mechanisms": mechanisms(("open",), ("A",), damping_time_ms=20.0, speed_late_m_s=5.0)}
    zone = {"kind": "open", "from_mm": 30.0, "to_mm": 60.0, "for_ms": None, "name": "late"}
    mechanism = {"damping": Damping(open_mm=30.0), "speed_zones": (SpeedZone("open", 30.0, 90.0, None, "late"),)}
    stated = {"A": {"damping": {"open_mm": None, "close_mm": None}, "speed_zones": [zone]}}
    gaps = why(both, both, stated=stated, mechanism=mechanism)
    assert set(gaps) == {"damping_time_ms", "speed_late_m_s"}
    same = {"A": {"damping": {"open_mm": 30.0}, "speed_zones": [zone | {"to_mm": 90.0}]}}
    assert not why(both, both, stated=same, mechanism=mechanism)


def test_travel_that_the_sensor_made_is_not_compared():
    slipped = {"mechanisms": mechanisms(("open",), speed_m_s=4.0).assign(travel_flags="the sensor slips")}
    assert not changed(slipped, {"mechanisms": mechanisms(("open",))})
    assert "no value to be trusted now" in why(slipped, {"mechanisms": mechanisms(("open",))})["speed_m_s"]


def test_what_only_one_of_the_tests_has_is_said_once():
    notes = [f for f in told({"static": static()}, {}) if f.code == "reference.not-comparable"]
    assert len(notes) == 1
    assert "static resistance of A1" in notes[0].message


def test_an_unlisted_figure_is_compared_by_its_unit():
    assert "new_figure_mm" not in FIGURES
    (one,) = changed({"mechanisms": scaled(mechanisms(new_figure_mm=50.0), "new_figure_mm", 1.5)},
                     {"mechanisms": mechanisms(new_figure_mm=50.0)})  # fmt: skip
    assert "new figure" in one.message


@given(stated=st.floats(0.01, 10.0), s=st.floats(0.0, 10.0), freedom=st.integers(0, 200))
def test_repeatability_of_both_tests_pulls_the_stated_scatter_towards_itself(stated, s, freedom):
    got = pooled(stated, freedom * s**2, freedom)
    assert min(stated, s) - 1e-9 <= got <= max(stated, s) + 1e-9
    assert pooled(stated, 0.0, 0.0) == pytest.approx(stated)
    if freedom == PRIOR_DOF:
        assert got == pytest.approx(math.sqrt((stated**2 + s**2) / 2.0))


def test_repeated_operations_that_scatter_count_in_the_healthy_scatter():
    steps = (1.0, 1.1, 0.9, 1.05, 0.95)
    rows = [
        mechanisms(("open",)).assign(record=f"r{k}", operation=k + 1, speed_m_s=6.0 * f) for k, f in enumerate(steps)
    ]
    rough = {"mechanisms": pd.concat(rows, ignore_index=True)}
    slow = {"mechanisms": rough["mechanisms"].assign(speed_m_s=rough["mechanisms"]["speed_m_s"] * 0.9)}
    assert not changed(slow, rough)


def one_change(k: int, distance: float, table: str) -> Change:
    """Figures of `table` that differ from one another."""
    return Change(f"n{k}", "open", "speed_m_s" if table == "mechanisms" else f"f{k}_ms", 1.0 + 0.01 * k, 1.0, 0.0, 0.0,
                  math.nan, math.nan, distance, math.nan, (), table, "mechanism", "", distance)  # fmt: skip


def test_the_probability_allows_for_all_that_was_compared():
    # Independent standard normal distances: a finding (p < 0.05) somewhere in 5 % of the cases (Šidák).
    rng = np.random.default_rng(5)
    tables = ["features"] * 40 + ["mechanisms"] * 60 + ["timing"] * 20 + ["static"] * 3
    hits = 0
    for _ in range(800):
        z = rng.standard_normal(len(tables))
        found = with_chance([one_change(k, float(d), t) for k, (d, t) in enumerate(zip(z, tables, strict=True))])
        hits += any(c.p < 0.05 for c in found)
    assert 0.03 < hits / 800 < 0.07  # 5 % and 2.6 standard deviations of the count


def test_contacts_have_their_share_whatever_else_is_compared():
    few = with_chance([one_change(k, 3.5, "features") for k in range(50)])
    many = with_chance([*(one_change(k, 3.5, "features") for k in range(50)),
                        *(one_change(k, 0.0, "mechanisms") for k in range(500))])  # fmt: skip
    alone = math.erfc(3.5 / math.sqrt(2.0))
    assert few[0].p == pytest.approx(1.0 - (1.0 - alone) ** 50)
    assert many[0].p == pytest.approx(1.0 - (1.0 - alone) ** (50 / CONTACTS_SHARE))


def drawn(rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    """A healthy test: every figure moved by its stated scatter and its measurement's."""
    out = {"mechanisms": mechanisms(), "timing": timing(), "static": static()}
    for table in out.values():
        for c in [c for c in table if f"{c}_u" in table and c not in ("coil_voltage_v", "static_current_a")]:
            x = table[c].to_numpy(dtype=float)
            sd = [math.hypot(healthy(c, v), u) for v, u in zip(x, table[f"{c}_u"], strict=True)]
            table[c] = x + np.array(sd) * rng.standard_normal(x.size)
    # What follows from other figures: energy at an unchanged supply, spread, time between contacts.
    m = out["mechanisms"]
    m["motor_energy_j"] = 112.5 * m["motor_running_a"] * m["motor_duration_s"]
    t = out["timing"]
    t["spread_ms"] = np.abs(t["spread_ms"])
    t.loc[1, "open_close_time_ms"] = 300.0 + t.loc[1, "first_ms"] - t.loc[0, "last_ms"]
    return out


def test_healthy_pairs_are_called_changed_in_five_percent_of_the_cases_at_most():
    rng = np.random.default_rng(11)
    b = since({}, {})[2]
    named = 0
    for _ in range(120):
        found, gaps = figures(
            drawn(rng) | {"features": features()[:0]}, Reference("then", features()[:0], {}, "", drawn(rng)), b
        )
        assert len(found) > 90
        assert not gaps
        named += any(c.p < 0.05 for c in with_chance(found))
    assert named <= 11  # 5 % of 120, and two standard deviations of the count
