"""Coil and motor against circuits solved by hand, auxiliary contacts, and what explains a shifted instant."""

from __future__ import annotations

import numpy as np
import pytest

from drm.auxiliary import auxiliary_of, figures
from drm.breaker import Interrupter, Mechanism
from drm.breaker_times import Contact
from drm.coil_shape import shape_of
from drm.coils import pulses
from drm.motor import motor_runs
from drm.operations import Operation
from drm.quantity import Quantity
from drm.record import Channel, Record
from drm.shift import explain, parts_of
from drm.stroke import Moved

RATE_HZ = 20e3
T = np.arange(0.0, 0.3, 1.0 / RATE_HZ)
ON, R_OHM, TAU_S, VOLTS = 0.05, 40.0, 6e-3, 120.0
ARM_S, STOP_S, CUT_S = 6e-3, 10e-3, 60e-3


def coil_record(
    *, noise: float = 0.003, cut_s: float = CUT_S, dip: bool = True, seed: int = 1, sign: float = 1.0
) -> Record:
    """120 V on 40 ohm, L/R 6 ms; the armature takes from the current by the cube of its time from 6 to 10 ms, then the
    loss dies away with L/R; cut off at 60 ms with a decay of 0.5 ms."""
    rng = np.random.default_rng(seed)
    t = T - ON
    i = VOLTS / R_OHM * -np.expm1(-np.maximum(t, 0.0) / TAU_S)
    if dip:
        u = np.clip((t - ARM_S) / (STOP_S - ARM_S), 0.0, 1.0)
        i = i - 1.2 * u**3 * np.exp(-np.maximum(t - STOP_S, 0.0) / TAU_S)
    level = float(np.interp(cut_s, t, i))
    i = np.where(t > cut_s, level * np.exp(-(t - cut_s) / 5e-4), i)
    v = np.where((t >= 0.0) & (t <= cut_s), VOLTS, 0.0)
    return Record(
        "coil",
        "coil.cfg",
        T,
        (
            Channel("TC", "A", sign * i + noise * rng.standard_normal(T.size)),
            Channel("V", "V", v + 0.05 * rng.standard_normal(T.size)),
        ),
    )


def shape(one: Record, voltage: str | None = "V"):
    (pulse,) = pulses(one.time_s, one.channel("TC"))
    return shape_of(one, "TC", pulse, voltage=voltage, current_rel=0.005, voltage_rel=0.002)


@pytest.mark.parametrize("seed", range(5))
def test_the_armature_starts_where_the_exponential_ends_and_stops_in_the_dip(seed):
    got = shape(coil_record(seed=seed))
    assert got.armature_start_s.value - ON == pytest.approx(ARM_S, abs=2.0 * got.armature_start_s.u)
    assert got.armature_start_s.u < 0.6e-3
    assert got.armature_stop_s.value - ON == pytest.approx(STOP_S, abs=0.1e-3)


def test_ohms_law_gives_the_coils_resistance():
    got = shape(coil_record())
    assert got.voltage_v.value == pytest.approx(VOLTS, rel=1e-3)
    assert got.resistance_ohm.value == pytest.approx(R_OHM, abs=2.0 * got.resistance_ohm.u)
    assert got.plateau_a.value == pytest.approx(VOLTS / R_OHM, rel=0.01)
    assert got.resistance_ohm.u < 0.02 * R_OHM


def test_a_coil_that_is_cut_off_while_it_still_rises_has_a_resistance_but_no_plateau():
    got = shape(coil_record(cut_s=18e-3))
    assert not got.plateau_a
    assert got.resistance_ohm.value == pytest.approx(R_OHM, abs=3.0 * got.resistance_ohm.u)


def test_the_cut_is_found_to_a_sample():
    got = shape(coil_record())
    assert got.cut_s.value - ON == pytest.approx(CUT_S, abs=1.0 / RATE_HZ)


def test_a_coil_whose_armature_hangs_shows_no_start_and_no_stop():
    got = shape(coil_record(dip=False))
    assert not got.armature_start_s
    assert not got.armature_stop_s
    assert got.plateau_a


def test_without_a_voltage_there_is_no_resistance():
    got = shape(coil_record(), voltage=None)
    assert not got.resistance_ohm
    assert not got.voltage_v


def test_polarity_of_the_sensor_changes_nothing():
    a, b = shape(coil_record(noise=0.0)), shape(coil_record(noise=0.0, sign=-1.0))
    assert a.armature_stop_s.value == pytest.approx(b.armature_stop_s.value, abs=1e-6)
    assert a.resistance_ohm.value == pytest.approx(b.resistance_ohm.value, rel=1e-6)


MOTOR_T = np.arange(0.0, 8.0, 1e-3)


def motor_record(*, start: float = 1.0, stop: float = 6.0, hz: float = 0.0, offset: float = 0.0) -> Record:
    """10 A running and 50 A inrush that dies with 100 ms, at 220 V."""
    t = MOTOR_T
    on = (t >= start) & (t < stop)
    amps = np.where(on, 10.0 + 40.0 * np.exp(-(t - start) / 0.1), 0.0)
    amps = amps * np.sqrt(2.0) * np.sin(2.0 * np.pi * hz * (t - start)) if hz else amps
    amps = amps + offset + 0.02 * np.random.default_rng(3).standard_normal(t.size)
    volts = np.where(on, 220.0, 0.0)
    return Record("motor", "motor.cfg", t, (Channel("M", "A", amps), Channel("MV", "V", volts)))


def test_inrush_running_mean_charging_time_and_energy_of_a_direct_current():
    (run,) = motor_runs(motor_record(), "M", voltage="MV")
    assert run.peak_a.value == pytest.approx(50.0, rel=0.02)
    assert run.running_a.value == pytest.approx(10.0, rel=0.005)
    assert run.duration_s.value == pytest.approx(5.0, abs=2e-3)
    # 220 V * (10 A * 5 s + 40 A * 0.1 s).
    assert run.energy_j.value == pytest.approx(220.0 * 54.0, abs=3.0 * run.energy_j.u)
    assert run.energy_j.u == pytest.approx(220.0 * 54.0 * np.hypot(0.005, 0.002), rel=0.01)


def test_an_alternating_current_is_given_as_root_mean_square():
    (run,) = motor_runs(motor_record(hz=50.0), "M")
    assert run.running_a.value == pytest.approx(10.0, rel=0.01)
    assert run.duration_s.value == pytest.approx(5.0, abs=0.011)
    assert not run.energy_j


def test_an_offset_of_the_sensor_is_taken_off():
    (run,) = motor_runs(motor_record(offset=0.3), "M")
    assert run.running_a.value == pytest.approx(10.0, rel=0.005)


def test_a_run_that_the_record_cuts_has_no_charging_time():
    (run,) = motor_runs(motor_record(start=-2.0), "M", voltage="MV")
    assert not run.duration_s
    assert not run.peak_a
    assert not run.energy_j
    assert run.running_a.value == pytest.approx(10.0, rel=0.01)
    (run,) = motor_runs(motor_record(stop=20.0), "M")
    assert run.peak_a
    assert not run.duration_s


@pytest.mark.parametrize("seed", range(5))
def test_noise_is_no_run(seed):
    noise = 0.02 * np.random.default_rng(seed).standard_normal(MOTOR_T.size)
    assert motor_runs(Record("n", "n.cfg", MOTOR_T, (Channel("M", "A", noise),)), "M") == ()


def test_auxiliary_contacts_beside_the_main_contact():
    t = np.arange(0.0, 0.2, 1e-4)
    a = (t < 0.083).astype(float)
    b = ((t >= 0.09) & ~((t >= 0.092) & (t < 0.094))).astype(float)
    one = Record("x", "x.cfg", t, (Channel("a", "", a, digital=True), Channel("b", "", b, digital=True)))
    op = Operation(1, "open", 0.0, 0.2, {"M": 0.05}, {"M": "coil"})
    changes = auxiliary_of(one, Mechanism("M", auxiliary={"a": "a", "b": "b"}), op)
    got = figures(changes, Quantity(0.05, 0.0), Quantity(0.08, 1e-5))
    assert got["auxiliary_a_ms"].value == pytest.approx(33.0, abs=0.1)
    assert got["auxiliary_a_after_contact_ms"].value == pytest.approx(3.0, abs=0.1)
    assert got["auxiliary_b_ms"].value == pytest.approx(40.0, abs=0.1)
    assert got["auxiliary_b_settled_ms"].value == pytest.approx(44.0, abs=0.1)
    assert changes["b"].bounces == 1


def linear(start_s: float, pace_m_s: float) -> Moved:
    t = np.arange(0.0, 0.2, 5e-5)
    # A square start so that the start of motion can be found, then steady.
    ramp = 4e-3
    u = t - start_s
    way = 1e3 * pace_m_s * np.where(u < ramp, np.maximum(u, 0.0) ** 2 / (2.0 * ramp), u - ramp / 2.0)
    return Moved(t, np.clip(way, 0.0, 120.0), 120.0, True, "open", 0.0, 0.0, 0.005)


def shifted(*, start: float = 0.0, pace: float = 5.0, contact_mm: float = 40.0):
    """Rows of four mechanisms of which D is as told; the others start after 15 ms, run at 5 m/s, part at 40."""
    motions, contacts = {}, []
    for name in "ABCD":
        own = name == "D"
        m = linear(0.065 + (start if own else 0.0), pace if own else 5.0)
        at = float(np.interp(contact_mm if own else 40.0, m.way_mm[m.time_s > 0.05], m.time_s[m.time_s > 0.05]))
        contacts.append(Contact(Interrupter(f"{name}1", name, 1, name), Quantity(at, 2e-5), "state"))
        motions[name] = m
    op = Operation(1, "open", 0.0, 0.2, dict.fromkeys("ABCD", 0.05), dict.fromkeys("ABCD", "coil"))
    parts = parts_of(op, contacts, motions)
    return [
        {"name": n, "mechanism": n[0]} | {k: q.value for k, q in p.items()} | {f"{k}_u": q.u for k, q in p.items()}
        for n, p in parts.items()
    ], contacts


def test_the_parts_add_up_to_the_time_from_the_coil():
    rows, contacts = shifted()
    for row, contact in zip(rows, contacts, strict=True):
        total = row["latch_ms"] + row["run_ms"] + row["offset_ms"]
        assert total == pytest.approx(1e3 * (contact.at_s.value - 0.05), abs=1e-6)
        assert row["latch_ms"] == pytest.approx(15.0, abs=0.2)


@pytest.mark.parametrize(
    ("changes", "cause"),
    [
        ({"start": 4e-3}, "slow latch"),
        ({"start": -4e-3}, "quick latch"),
        ({"pace": 3.5}, "slow mechanism"),
        ({"pace": 8.0}, "fast mechanism"),
        ({"contact_mm": 60.0}, "misadjusted contact"),
        ({"contact_mm": 25.0}, "misadjusted contact"),
    ],
)
def test_slow_latch_slow_mechanism_and_misadjusted_contact_are_told_apart(changes, cause):
    rows, _ = shifted(**changes)
    (found,) = explain(rows, 1)
    assert found.interrupter == "D1"
    assert found.cause == cause
    assert (found.shift_ms.value > 0) == (
        cause in ("slow latch", "slow mechanism") or changes.get("contact_mm", 0) > 40
    )


def test_two_causes_at_once_are_not_put_on_one():
    rows, _ = shifted(start=2e-3, contact_mm=50.0)
    (found,) = explain(rows, 1)
    assert found.cause == "several causes"


def test_like_contacts_need_no_explanation_and_two_cannot_be_compared():
    rows, _ = shifted()
    assert explain(rows, 1) == ()
    rows, _ = shifted(start=6e-3)
    assert explain(rows[2:], 1) == ()


def test_the_armature_tells_coil_from_latch():
    rows, _ = shifted(start=4e-3)
    (found,) = explain(rows, 1, armature_stop_ms={"A": 10.0, "B": 10.1, "C": 9.9, "D": 13.9})
    assert found.evidence["armature_stop_departure_ms"] == pytest.approx(3.9, abs=0.11)
