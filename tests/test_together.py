"""Several records of one breaker become one result; each kind of record against simulated truth."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache

import numpy as np
import pandas as pd
import pytest

import drm
from drm.breaker import Breaker
from drm.record import Record
from drm.synthetic import Simulation, named, simulate


@cache
def simulated(name: str, seed: int = 3) -> Simulation:
    return simulate(named(name), rng=np.random.default_rng(seed))


def all_channels(*names: str) -> tuple[list[Record], Breaker]:
    """Records of several scenarios as if of one breaker: the breaker that names every channel of them."""
    made = [simulated(n) for n in names]
    mechanism = made[0].breaker.mechanisms[0]
    for s in made:
        m = s.breaker.mechanisms[0]
        mechanism = replace(
            mechanism,
            trip_coil=mechanism.trip_coil or m.trip_coil,
            close_coil=mechanism.close_coil or m.close_coil,
            motor=mechanism.motor or m.motor,
            motor_voltage=mechanism.motor_voltage or m.motor_voltage,
            trip_coil_voltage=mechanism.trip_coil_voltage or m.trip_coil_voltage,
            close_coil_voltage=mechanism.close_coil_voltage or m.close_coil_voltage,
        )
    units = max((s.breaker.interrupters for s in made), key=len)
    b = replace(made[0].breaker, mechanisms=(mechanism,), interrupters=units)
    return [s.record for s in made], b


@cache
def whole() -> drm.Result:
    records, b = all_channels("open", "close", "o_03s_co", "motor", "static")
    return drm.diagnose(records, replace(b, conditions=replace(b.conditions, ambient_c=12.0)))


def test_operations_are_numbered_through_and_keep_their_record():
    got = whole()
    assert [o.number for o in got.operations] == [1, 2, 3, 4, 5, 6]
    assert [o.kind for o in got.operations] == ["open", "close", "open", "close", "open", "close"]
    assert set(got.features.operation) == {1, 2, 3, 4, 5, 6}
    first = got.features.groupby("operation").record.first()
    assert list(first) == ["open", "close", "o_03s_co", "o_03s_co", "o_03s_co", "motor"]
    assert set(got.timing.operation) == set(got.mechanisms.operation) == set(got.curves.operation)
    assert {r.operation.number for r in got.readings} <= {1, 2, 3, 4, 5, 6}


def test_every_record_is_named_and_its_hash_kept():
    got = whole()
    assert [r.name for r in got.records] == ["open", "close", "o_03s_co", "motor", "static"]
    assert got.provenance["records"] == ["open", "close", "o_03s_co", "motor", "static"]
    assert got.record.name == "open + close + o_03s_co and 2 more"


def test_figures_are_those_of_each_record_by_itself():
    got = whole().features
    records, b = all_channels("open", "close", "o_03s_co", "motor", "static")
    from drm.together import fitting

    alone = drm.diagnose(records[2], fitting(b, records[2])).features
    mine = got[got.operation.isin([3, 4, 5])]
    for column in ("arcing_contact_ms", "main_resistance_uohm", "arcing_wipe_mm"):
        np.testing.assert_allclose(mine[column], alone[column])


def test_siblings_of_all_records_are_compared_once():
    got = whole().features
    assert {"sibling_score", "sibling_p"} <= set(got.columns)
    assert len(got) == len(got.drop_duplicates(["operation", "interrupter"]))


def test_repeated_openings_give_a_repeatability():
    got = whole().repeats
    assert got is not None
    mine = got[(got.column == "arcing_wipe_mm") & (got.kind == "open")]
    assert (mine[mine["name"] != "all"].n >= 2).all()
    assert (mine.s_r >= 0.0).all()


def test_static_record_gives_resistance_against_its_truth():
    got = whole().static
    assert got is not None
    truth = {t.interrupter: t for t in simulated("static").static}
    for row in got.to_dict("records"):
        t = truth[row["interrupter"]]
        assert row["static_resistance_uohm"] == pytest.approx(
            t.resistance_uohm, abs=2.5 * row["static_resistance_uohm_u"]
        )
        factor = (234.5 + 20.0) / (234.5 + 12.0)
        assert row["static_resistance_20c_uohm"] == pytest.approx(factor * row["static_resistance_uohm"])


def test_a_charging_run_in_an_operations_record_is_its_mechanisms():
    row = whole().mechanisms.query("record == 'motor'").iloc[0]
    (truth,) = simulated("motor").motors
    assert row.motor_peak_a == pytest.approx(truth.inrush_a, abs=3.0 * row.motor_peak_a_u)
    assert row.motor_duration_s == pytest.approx(truth.stop_s - truth.start_s, abs=2e-3)
    assert math.isfinite(row.motor_energy_j)


def test_a_charging_run_by_itself_has_a_table_of_its_own():
    records, b = all_channels("close", "motor")
    late = records[1]
    from_s = 60e-3
    keep = late.time_s > from_s
    alone = replace(
        late,
        name="charging",
        time_s=late.time_s[keep] - from_s,
        channels=tuple(
            replace(c, samples=c.samples[keep])
            for c in late.channels
            if c.name in (b.mechanisms[0].motor, b.mechanisms[0].motor_voltage)
        ),
    )
    got = drm.diagnose([records[0], alone], b)
    assert got.motors is not None
    assert list(got.motors.record) == ["charging"]
    assert math.isfinite(got.motors.motor_duration_s[0])


def test_records_run_in_the_order_of_their_start_where_all_tell_it():
    records, b = all_channels("open", "close")
    noon = datetime(2024, 5, 1, 12, 0, tzinfo=UTC)
    late, early = replace(records[0], start=noon + timedelta(hours=1)), replace(records[1], start=noon)
    assert [o.kind for o in drm.diagnose([late, early], b).operations] == ["close", "open"]


def test_a_record_of_something_else_is_refused():
    records, b = all_channels("open")
    other = replace(records[0], channels=tuple(replace(c, name=f"Z{k}") for k, c in enumerate(records[0].channels)))
    with pytest.raises(drm.BreakerError, match="none of the channels"):
        drm.diagnose([records[0], other], b)


def test_without_an_operation_there_is_no_result():
    records, b = all_channels("static")
    with pytest.raises(drm.RecordError, match="none of the records holds an operation"):
        drm.diagnose(records, b)


def test_no_record_and_edits_of_other_records_are_refused():
    records, b = all_channels("open", "close")
    with pytest.raises(drm.InputError, match="no record"):
        drm.diagnose([], b)
    from drm.edits import Edit

    edit = Edit(1, "annotate", 7, "A1", "R. Person", "2026-01-02", "seen")
    with pytest.raises(drm.InputError, match="operation 7 is not in these records"):
        drm.diagnose(records, b, edits=(edit,))
    with pytest.raises(drm.InputError, match="interrupter 'Z9' in operation"):
        drm.diagnose(records, b, edits=(replace(edit, operation=2, interrupter="Z9"),))


@pytest.mark.parametrize(
    ("name", "sequence"), [("co", "CO"), ("oc", "OC"), ("o_co", "O-CO"), ("o_03s_co", "O-0.3 s-CO"), ("open", "O")]
)
def test_simulated_sequences_are_named(name, sequence):
    s = simulated(name)
    got = drm.diagnose(s.record, s.breaker)
    assert got.sequence is not None
    assert got.sequence.name == sequence


def test_open_close_and_close_open_times_against_truth():
    s = simulated("o_03s_co")
    got = drm.diagnose(s.record, s.breaker).timing.query("scope == 'breaker'").set_index("operation")
    at = {n: max(t.arcing_s for t in s.truth if t.operation == n) for n in (1, 2, 3)}
    assert got.open_close_time_ms[2] == pytest.approx(1e3 * (at[2] - at[1]), abs=0.15)
    assert got.close_open_time_ms[3] == pytest.approx(1e3 * (at[3] - at[2]), abs=0.15)


def test_pre_insertion_against_truth():
    s = simulated("pre_insertion")
    got = drm.diagnose(s.record, s.breaker).timing.query("scope == 'interrupter'").set_index("name")
    for t in s.truth:
        assert got.resistor_duration_ms[t.interrupter] == pytest.approx(t.resistor_ms, abs=0.15)
    # The same from voltage and current alone.
    blind = replace(
        s.breaker, interrupters=tuple(replace(i, state=None, resistor_state=None) for i in s.breaker.interrupters)
    )
    got = drm.diagnose(s.record, blind).timing.query("scope == 'interrupter'").set_index("name")
    for t in s.truth:
        assert got.resistor_duration_ms[t.interrupter] == pytest.approx(t.resistor_ms, abs=0.2)


def test_coil_against_truth():
    s = simulated("coil_armature")
    rows = drm.diagnose(s.record, s.breaker).mechanisms.set_index("operation")
    for t in s.coils:
        row = rows.loc[t.operation]
        assert row.armature_stop_ms == pytest.approx(1e3 * (t.armature_stop_s - t.onset_s), abs=0.1)
        assert row.armature_start_ms == pytest.approx(
            1e3 * (t.armature_start_s - t.onset_s), abs=2.5 * row.armature_start_ms_u
        )
        assert row.coil_cut_ms == pytest.approx(1e3 * (t.cut_s - t.onset_s), abs=0.2)
        assert row.coil_resistance_ohm == pytest.approx(t.resistance_ohm, rel=0.02)
        assert row.coil_cut_by == "auxiliary"


def test_auxiliary_bounce_against_truth():
    s = simulated("auxiliary_bounce")
    rows = drm.diagnose(s.record, s.breaker).mechanisms.set_index("operation")
    commands = {t.operation: t.command_s for t in s.truth}
    for t in s.auxiliaries:
        row = rows.loc[t.operation]
        assert row[f"auxiliary_{t.contact}_ms"] == pytest.approx(1e3 * (t.first_s - commands[t.operation]), abs=0.1)
        assert row[f"auxiliary_{t.contact}_settled_ms"] == pytest.approx(
            1e3 * (t.settled_s - commands[t.operation]), abs=0.1
        )


def test_saved_together_everything_is_there(tmp_path):
    whole().save(tmp_path)
    names = {p.name for p in tmp_path.iterdir()}
    assert {"static.csv", "repeatability.csv", "timing.csv", "travel.csv", "features.csv"} <= names
    assert set(pd.read_csv(tmp_path / "timing.csv").scope) == {"breaker", "pole", "interrupter"}


def test_the_command_line_reads_records_together(tmp_path):
    from click.testing import CliRunner

    from drm.cli import _group
    from drm.synthetic import write_simulation

    paths = [str(write_simulation(simulated(n), tmp_path / n)) for n in ("open", "close")]
    # Both records are of one breaker, whose file names the channels of both.
    file = tmp_path / "breaker.toml"
    text = (tmp_path / "open" / "breaker.toml").read_text(encoding="utf-8")
    file.write_text(text.replace('trip_coil = "TC_A"', 'trip_coil = "TC_A"\nclose_coil = "CC_A"'), encoding="utf-8")
    words = ["diagnose", *paths, "--breaker", str(file), "--out", str(tmp_path / "out"), "--together"]
    done = CliRunner().invoke(_group, words)
    assert done.exit_code == 0, done.output
    assert set(pd.read_csv(tmp_path / "out" / "features.csv").operation) == {1, 2}


def test_the_terminal_names_sequence_and_times():
    from drm.summary import summary

    s = simulated("o_03s_co")
    text = summary(drm.diagnose(s.record, s.breaker))
    assert "Sequence: O-0.3 s-CO, dead time" in text
    assert "Operation 1: opening time" in text
    assert "open-close time" in text


def test_operations_at_falling_voltage_and_a_refusal_bracket_the_pick_up():
    base = named("coil_armature")
    base = replace(base, sequence="O", commands_ms=(50.0,), length_ms=250.0)
    records = []
    for volts in (110.0, 88.0, 77.0):
        s = simulate(
            replace(base, name=f"v{volts:.0f}", coil=replace(base.coil, supply_v=volts)), rng=np.random.default_rng(4)
        )
        records.append(s.record)
    # At 60 V the coil is energised and the breaker stays closed.
    s = simulate(replace(base, name="v60", coil=replace(base.coil, supply_v=60.0)), rng=np.random.default_rng(4))
    t = s.record.time_s
    still = []
    for c in s.record.channels:
        x = c.samples
        if not c.name.startswith(("TC_", "UTC_")):
            k = int(np.searchsorted(t, 0.045))
            x = np.resize(x[:k], x.size)
        still.append(replace(c, samples=x))
    records.append(replace(s.record, channels=tuple(still)))
    b = replace(s.breaker, rated_control_voltage_v=110.0)
    got = drm.diagnose(records, b)
    assert got.pick_up is not None
    row = got.pick_up.iloc[0]
    assert row.attempts == 4
    assert row.least_v == pytest.approx(77.0, rel=0.01)
    assert row.refused_v == pytest.approx(60.0, rel=0.01)
    assert row.pick_up_v == pytest.approx(68.5, rel=0.01)
    assert row.pick_up_v_u == pytest.approx(17.0 / np.sqrt(12.0), rel=0.02)
    # 60 V are 55 % of 110 V: a release need not operate there (IEC 62271-1, from memory: from 70 % on).
    assert not [f for f in got.findings if f.code == "mechanism.refused-in-range"]
