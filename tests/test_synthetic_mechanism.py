"""Releases, motors, auxiliary contacts and sequences of the simulator, against the equations that they must obey."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest

from drm.errors import ScenarioError
from drm.synthetic import coil, motor, named, simulate
from drm.synthetic.metrics_mechanism import mechanism_truth
from drm.synthetic.scenario import Motor


@functools.cache
def run(name, seed=3):
    return simulate(named(name), rng=np.random.default_rng(seed))


def samples(sim, name):
    return sim.record.channel(name).samples


@functools.cache
def release():
    one = coil.release_for(110.0, 3.0, 8.4e-3)
    return one, coil.run(one, 0.06)


def test_the_armature_arrives_when_it_is_asked_to():
    _, got = release()
    assert got.stop_s == pytest.approx(8.4e-3, abs=2 * coil.STEP_S)
    assert 0.0 < got.start_s < got.stop_s


def test_before_the_armature_moves_the_current_rises_as_in_a_coil():
    one, got = release()
    t = coil.STEP_S * np.arange(got.current_a.size)
    still = t < 0.9 * got.start_s
    rise = 3.0 * -np.expm1(-t * one.resistance_ohm / one.inductance(0.0))
    np.testing.assert_allclose(got.current_a[still], rise[still], atol=2e-3)


def test_a_moving_armature_dips_the_current_until_it_stops():
    _, got = release()
    t = coil.STEP_S * np.arange(got.current_a.size)
    moving = (t > got.start_s) & (t < got.stop_s)
    peak = got.current_a[moving].max()
    at_stop = got.current_a[np.searchsorted(t, got.stop_s)]
    assert at_stop < 0.8 * peak
    after = got.current_a[t > got.stop_s + coil.STEP_S]
    assert np.all(np.diff(after) > 0.0)
    assert after[-1] == pytest.approx(3.0, rel=0.01)


def test_power_of_the_supply_goes_into_heat_field_and_motion():
    # dW = U i dt = R i^2 dt + d(L i^2 / 2) + mechanical work, i^2 L'/2 dy (energy of a variable inductance).
    one, got = release()
    t = coil.STEP_S * np.arange(got.current_a.size)
    for end in (got.stop_s - 5 * coil.STEP_S, got.start_s):
        k = int(np.searchsorted(t, end))
        i, y, v = got.current_a[: k + 1], got.position_m[: k + 1], got.speed_m_s[: k + 1]
        supplied = np.trapezoid(one.supply_v * i, dx=coil.STEP_S)
        heat = np.trapezoid(one.resistance_ohm * i * i, dx=coil.STEP_S)
        field = 0.5 * one.inductance(float(y[-1])) * i[-1] ** 2
        work = 0.5 * one.mass_kg * v[-1] ** 2 + one.spring_n * y[-1]
        assert heat + field + work == pytest.approx(supplied, rel=0.01)


def test_the_recorded_coil_current_has_its_truth():
    sim = run("coil_armature")
    t = sim.record.time_s
    for row in sim.coils:
        prefix = "TC" if row.kind == "open" else "CC"
        i, u = samples(sim, f"{prefix}_A"), samples(sim, f"U{prefix}_A")
        assert t[np.flatnonzero(i > 0.05)[0]] == pytest.approx(row.onset_s, abs=3e-4)
        assert row.onset_s < row.armature_start_s < row.armature_stop_s < row.cut_s
        near = (t > row.armature_start_s) & (t < row.armature_stop_s + 2e-3)
        early = (t > row.onset_s) & (t < row.armature_stop_s - 5e-4)
        top = t[early][np.argmax(i[early])]
        low = (t > top) & near
        assert t[low][np.argmin(i[low])] == pytest.approx(row.armature_stop_s, abs=2e-4)
        before = np.searchsorted(t, row.cut_s) - 2
        assert i[before] == pytest.approx(row.plateau_a, rel=0.1)
        assert u[before] / row.plateau_a == pytest.approx(row.resistance_ohm, rel=0.01)
        gone = np.searchsorted(t, row.cut_s + 3e-3)
        assert abs(i[gone]) < 0.05
        assert abs(u[gone]) < 0.5


def test_the_coil_is_cut_off_by_its_auxiliary_contact():
    sim = run("coil_armature")
    for row in sim.coils:
        contact = "a" if row.kind == "open" else "b"
        (first,) = [a.first_s for a in sim.auxiliaries if a.contact == contact and a.operation == row.operation]
        assert first == pytest.approx(row.cut_s, abs=6e-5)


def test_the_release_comes_before_the_motion():
    sim = run("coil_armature")
    for coils, motion in zip(sim.coils, sim.motions, strict=True):
        assert coils.armature_stop_s < motion.start_s
        x, t = samples(sim, "TRV_A"), sim.record.time_s
        k = int(np.searchsorted(t, motion.start_s))
        assert abs(x[k - 1] - x[int(np.searchsorted(t, motion.command_s)) - 1]) < 0.06
        assert abs(x[k + 100] - x[k - 1]) > 1.0


def test_the_motors_energy_goes_into_heat_load_and_motion():
    one = Motor()
    got = motor.charge(one)
    i, w = got.current_a, got.speed_rad_s
    h = motor.STEP_S
    turned = np.concatenate([[0.0], np.cumsum(0.5 * (w[1:] + w[:-1]))]) * h
    load = np.array([motor.load_nm(one, x / turned[-1]) for x in turned])
    supplied = np.trapezoid(one.supply_v * i, dx=h)
    spent = np.trapezoid(one.resistance_ohm * i * i + load * w, dx=h)
    kept = 0.5 * got.inductance_h * i[-1] ** 2 + 0.5 * got.inertia_kg_m2 * w[-1] ** 2
    assert spent + kept == pytest.approx(supplied, rel=0.01)


def test_inrush_is_below_the_locked_rotors_current_and_the_running_current_carries_the_load():
    one = Motor()
    got = motor.charge(one)
    locked = one.supply_v / one.resistance_ohm
    assert 0.7 * locked < got.inrush_a < locked
    middle = got.current_a.size // 2
    # Steady: torque k i equals the load.
    assert got.current_a[middle] == pytest.approx(motor.load_nm(one, 0.5) / one.constant_vs, rel=0.03)
    assert got.running_a == pytest.approx(one.running_a, rel=0.1)
    assert got.duration_s == pytest.approx(one.charging_s, rel=0.1)


def test_the_recorded_motor_has_its_truth():
    sim = run("motor")
    (row,) = sim.motors
    t, i, u = sim.record.time_s, samples(sim, "M_A"), samples(sim, "UM_A")
    step = t[1] - t[0]
    assert i.max() == pytest.approx(row.inrush_a, rel=0.01)
    on = u > 55.0
    assert on.sum() * step == pytest.approx(row.charging_s, abs=2 * step)
    assert t[on][0] == pytest.approx(row.start_s, abs=2 * step)
    assert np.sum(u[on] * i[on]) * step == pytest.approx(row.energy_j, rel=0.01)
    since = (t - row.start_s) / row.charging_s
    assert i[(since > 0.3) & (since < 0.9)].mean() == pytest.approx(row.running_mean_a, rel=0.01)
    assert abs(i[t > row.stop_s + 0.01]).max() < 0.2


def test_auxiliary_contacts_bounce_as_they_make_and_part_cleanly():
    sim = run("auxiliary_bounce")
    t = sim.record.time_s
    step = t[1] - t[0]
    assert {(r.contact, r.closes) for r in sim.auxiliaries} == {(c, m) for c in "ab" for m in (True, False)}
    for row in sim.auxiliaries:
        state = samples(sim, f"AUX_A_{row.contact}")
        around = np.flatnonzero((t > row.first_s - 5e-3) & (t < row.settled_s + 5e-3))
        flips = around[1:][state[around][1:] != state[around][:-1]]
        assert t[flips[0]] == pytest.approx(row.first_s, abs=1.01 * step)
        assert t[flips[-1]] == pytest.approx(row.settled_s, abs=1.01 * step)
        assert flips.size == 1 + 2 * row.bounces
        assert row.bounces == (3 if row.closes else 0)
        assert state[flips[-1]] == float(row.closes)


@pytest.mark.parametrize(
    ("name", "kinds"),
    [
        ("open", "O"),
        ("close", "C"),
        ("co", "CO"),
        ("oc", "OC"),
        ("o_co", "OCO"),
        ("o_03s_co", "OCO"),
    ],
)
def test_sequences_run_in_their_order(name, kinds):
    sim = run(name)
    rows = [t for t in sim.truth if t.interrupter == "A1"]
    assert [t.kind for t in rows] == [{"O": "open", "C": "close"}[k] for k in kinds]
    instants = [x for t in rows for x in sorted((t.main_s, t.arcing_s))]
    assert instants == sorted(instants)
    # The last state of the record is that of the last operation.
    i = samples(sim, "I_A1")[-50:].mean()
    assert i == pytest.approx(0.0 if kinds[-1] == "O" else 200.0, abs=0.5)


def test_the_reclosing_sequence_has_its_three_tenths_of_a_second():
    # O - 0.3 s - CO, IEC 62271-100 (seen restated): from the last separation to the first touch.
    opening, closing, again = ([t for t in run("o_03s_co").truth if t.operation == k] for k in (1, 2, 3))
    assert min(t.arcing_s for t in closing) - max(t.arcing_s for t in opening) == pytest.approx(0.3, abs=3e-3)
    assert 0.0 < again[0].command_s - max(t.main_s for t in closing) < 0.1


def test_the_truth_of_the_mechanism_table_counts_from_the_command():
    sim = run("coil_armature")
    table = mechanism_truth(sim)
    assert set(table) == {("A", 1), ("A", 2)}
    for row in sim.coils:
        got = table["A", row.operation]
        assert got["coil_cut_ms"] == pytest.approx(1e3 * (row.cut_s - row.onset_s))
        # Either coil is cut off by the auxiliary contact that opens.
        opens = "a" if row.kind == "open" else "b"
        assert got[f"auxiliary_{opens}_ms"] == pytest.approx(got["coil_cut_ms"], abs=0.06)
        assert got["armature_stop_ms"] < got["motion_start_ms"]
    assert mechanism_truth(run("motor"))["A", 1]["motor_energy_j"] == run("motor").motors[0].energy_j


def test_an_operation_that_begins_before_rest_is_refused():
    s = dataclasses.replace(named("co"), commands_ms=(50.0, 90.0))
    with pytest.raises(ScenarioError) as caught:
        simulate(s, rng=np.random.default_rng(0))
    assert caught.value.place == "commands_ms[2]"
