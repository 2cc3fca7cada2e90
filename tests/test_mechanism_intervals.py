"""Coil, motor and motion between the samples: figures and their uncertainty against laws solved by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from drm.auxiliary import figures as auxiliary_figures
from drm.breaker import Damping
from drm.coil_shape import shape_of
from drm.coils import pulses
from drm.contact_state import Switched
from drm.coverage import factor_of
from drm.envelope import Curve, departure
from drm.motion import strokes
from drm.motor import motor_runs
from drm.pickup import Attempt, pick_up
from drm.quantity import NOTHING, Quantity
from drm.record import Channel, Record
from drm.stroke import Moved, figures, moved, start_of
from drm.travel import Travel

RATE_HZ = 20e3
STEP_S = 1.0 / RATE_HZ
T = np.arange(0.0, 0.2, STEP_S)
phases = st.floats(0.0, 1.0)


def coil(on_s: float, cut_s: float, decay_s: float, *, noise: float = 0.003) -> Record:
    """3 A behind L/R of 5 ms, cut off with a decay."""
    i = 3.0 * -np.expm1(-np.maximum(T - on_s, 0.0) / 5e-3)
    i = np.where(cut_s < T, 3.0 * -np.expm1(-(cut_s - on_s) / 5e-3) * np.exp(-np.maximum(T - cut_s, 0.0) / decay_s), i)
    rng = np.random.default_rng(round(1e9 * cut_s))
    return Record("c", "c.cfg", T, (Channel("TC", "A", i + noise * rng.standard_normal(T.size)),))


@settings(max_examples=25, deadline=None)
@given(phases, phases, st.sampled_from([4e-4, 3e-3]))
def test_a_coils_end_is_known_to_a_fraction_of_a_sample(on, cut, decay):
    on_s, cut_s = 0.05 + on * STEP_S, 0.1 + cut * STEP_S
    one = coil(on_s, cut_s, decay)
    (pulse,) = pulses(T, one.channel("TC"))
    got = shape_of(one, "TC", pulse, voltage=None, current_rel=0.0, voltage_rel=0.0)
    assert abs(got.cut_s.value - cut_s) < 5.0 * got.cut_s.u
    assert got.cut_s.u < 0.2 * STEP_S
    # An exponential falls to its half in ln 2 of its time constant.
    half = cut_s + decay * math.log(2.0)
    assert abs(pulse.stop_s - half) < 5.0 * pulse.stop_u_s
    assert pulse.stop_u_s < 0.2 * STEP_S


def test_a_current_that_is_gone_within_a_sample_was_cut_anywhere_in_it():
    (pulse,) = pulses(T, coil(0.05, 0.1 + 0.3 * STEP_S, 1e-6, noise=1e-4).channel("TC"))
    assert pulse.stop_u_s == pytest.approx(STEP_S / math.sqrt(12.0), rel=1e-3)
    assert pulse.stop_s == pytest.approx(0.1 + 0.5 * STEP_S, abs=1e-6)


def test_a_plateau_is_the_current_at_the_cut_and_not_a_mean_of_what_precedes_it():
    cut_s = 0.075
    one = coil(0.05, cut_s, 4e-4)
    (pulse,) = pulses(T, one.channel("TC"))
    got = shape_of(one, "TC", pulse, voltage=None, current_rel=0.0, voltage_rel=0.0).plateau_a
    at_the_cut = 3.0 * -math.expm1(-(cut_s - 0.05) / 5e-3)
    assert got.value == pytest.approx(at_the_cut, abs=3.0 * got.u)
    assert got.u < 0.01


@settings(max_examples=25, deadline=None)
@given(phases, phases)
def test_a_motors_start_lies_between_two_samples_of_its_rise(begin, end):
    # 40 A behind L/R of 3 ms; the switch opens at once.
    start_s, stop_s = 0.05 + begin * STEP_S, 0.15 + end * STEP_S
    amps = np.where(stop_s > T, 40.0 * -np.expm1(-np.maximum(T - start_s, 0.0) / 3e-3), 0.0)
    amps = amps + 0.01 * np.random.default_rng(7).standard_normal(T.size)
    (run,) = motor_runs(Record("m", "m.cfg", T, (Channel("M", "A", amps),)), "M")
    assert abs(run.start_s.value - start_s) < 0.25 * STEP_S
    assert run.start_s.u < 0.2 * STEP_S
    # What is left is the end's sample.
    assert run.duration_s.u == pytest.approx(STEP_S / math.sqrt(12.0), rel=0.2)
    assert abs(run.duration_s.value - (stop_s - start_s)) < 0.75 * STEP_S


def spring(way_mm: np.ndarray, push: float, fade_mm: float) -> np.ndarray:
    """Time from rest to each way under ``push exp(-y / fade)``: v from the work done, t from dy / v, with y = q²."""

    def slowness(q: float) -> float:
        work = push * fade_mm * -math.expm1(-q * q / fade_mm) * 1e-3
        return 2.0 * q * 1e-3 / math.sqrt(2.0 * work) if q > 0.0 else 2.0 * math.sqrt(1e-3) / math.sqrt(2.0 * push)

    return np.array([quad(slowness, 0.0, math.sqrt(w))[0] for w in way_mm])


@pytest.mark.parametrize("push", [150.0, 1000.0])
@pytest.mark.parametrize("phase", [0.0, 0.37])
def test_the_start_of_a_springs_motion_is_found_without_bias(push, phase):
    begin_s, way = 0.05 + phase * STEP_S, np.linspace(0.0, 10.0, 200)
    reached = spring(way, push, 30.0)
    t = T[begin_s + reached[-1] > T]
    y = np.interp(np.sqrt(np.maximum(t - begin_s, 0.0)), np.sqrt(reached), way)
    got = start_of(Moved(t, y, 100.0, True, "open", 0.0, 0.0, 1e-6))
    assert got.value == pytest.approx(begin_s, abs=5e-6)
    assert got.u < 50e-6


def test_the_encoders_step_at_rest_is_in_the_start_of_motion():
    u = [
        start_of(Moved(T, np.where(T > 0.05, 5e5 * (T - 0.05) ** 2, 0.0), 100.0, True, "open", 0.0, step, 1e-3)).u
        for step in (0.02, 0.04)
    ]
    assert u[1] > 1.8 * u[0]


def test_an_error_of_the_scale_moves_the_dampers_place():
    # In the damper the speed falls in proportion to the way that is left, y' = (100 - y) / tau: a scale too great by
    # rel places the damper rel farther from the end, where it is faster by as much. The means over 2 ms all but agree,
    # so nearly nothing of the scale is left; in a steady run all of it.
    rel, tau = 0.01, 10e-3
    way = np.minimum(100.0 - 40.0 * np.exp(-(T - 0.06) / tau), 100.0)
    steady = np.clip(60.0 + 2e3 * (T - 0.06), 0.0, 100.0)
    got = []
    for x in (np.where(T < 0.06, np.maximum(60.0 + 4e3 * (T - 0.06), 0.0), way), steady):
        travel = Travel("M", x, 1e-4, 0.0, ())
        m = moved(T, travel, "open", start_s=0.0, reference_s=0.03, until_s=0.19, coil=True)
        assert m is not None
        q = figures(m, travel, T, rel=rel, damping=Damping(open_mm=20.0))["damping_entry_m_s"]
        got.append(q.u / (rel * q.value))
    assert got[0] < 0.3
    assert got[1] == pytest.approx(1.0, abs=0.1)


def test_an_auxiliary_contacts_time_holds_its_references_uncertainty():
    change = {"a": Switched(Quantity(0.09, 14e-6), Quantity(0.09, 14e-6), 0)}
    got = auxiliary_figures(change, Quantity(0.05, 0.3e-3), NOTHING)["auxiliary_a_ms"]
    assert got.value == pytest.approx(40.0)
    assert got.u == pytest.approx(math.hypot(0.3, 0.014))


def test_a_gain_that_both_voltages_share_is_whole_in_the_pick_up_between_them():
    attempts = [Attempt("A", "open", Quantity(v, 0.01 * v), v > 70.0) for v in (72.0, 68.0)]
    (got,) = pick_up(attempts)
    # 4 V apart, uniformly between; 1 % of 70 V.
    assert got.between_v.u == pytest.approx(math.hypot(4.0 / math.sqrt(12.0), 0.70))


def test_an_onset_states_the_scatter_that_it_has():
    # Chance of the root mean square of 80 is 8 %.
    rng, z = np.random.default_rng(11), []
    for _ in range(80):
        on_s = 0.05 + rng.uniform() * STEP_S
        (pulse,) = pulses(T, coil(on_s, 0.1 + rng.uniform() * STEP_S, 3e-3, noise=0.01).channel("TC"))
        z.append((pulse.onset_s - on_s) / pulse.onset_u_s)
    assert 0.78 < float(np.sqrt(np.mean(np.square(z)))) < 1.25


@settings(max_examples=25, deadline=None)
@given(phases, phases, st.floats(0.15, 0.85))
def test_an_alternating_motors_run_is_known_to_a_sample(begin, end, turn):
    # 50 Hz, switched on away from a zero of the voltage, growing behind an inductance; cut wherever it is.
    start_s, stop_s = 0.05 + begin * STEP_S, 0.16 + end * 10e-3
    t = T - start_s
    on = (t >= 0.0) & (stop_s >= T)
    amps = np.where(
        on, 20.0 * -np.expm1(-np.maximum(t, 0.0) / 5e-3) * np.sin(2.0 * np.pi * 50.0 * t + np.pi * turn), 0.0
    )
    amps = amps + 0.01 * np.random.default_rng(3).standard_normal(T.size)
    (run,) = motor_runs(Record("m", "m.cfg", T, (Channel("M", "A", amps),)), "M")
    assert abs(run.start_s.value - start_s) < max(0.5 * STEP_S, 4.0 * run.start_s.u)
    assert abs(run.duration_s.value - (stop_s - start_s)) < max(1.1 * STEP_S, 4.0 * run.duration_s.u)
    assert run.duration_s.u < 0.2e-3


@pytest.mark.parametrize("step_mm", [0.02, 0.1])
def test_a_start_of_motion_without_a_coil_is_as_sure_as_the_encoder_lets_it(step_mm):
    # A constant push of 300 m/s2 over 120 mm: y = a t^2 / 2.
    rng, z = np.random.default_rng(5), []
    for _ in range(40):
        begin_s = 0.06 + rng.uniform() * STEP_S
        way = np.minimum(0.5 * 3e5 * np.maximum(T - begin_s, 0.0) ** 2, 120.0)
        (one,) = strokes(T, step_mm * np.round((way + rng.uniform(0.0, 1.0)) / step_mm))
        assert one.start_u_s < 0.15e-3
        z.append((one.start_s - begin_s) / one.start_u_s)
    assert 0.6 < float(np.sqrt(np.mean(np.square(z)))) < 1.4


def test_a_time_from_a_start_of_motion_has_that_ones_coverage_factor():
    row = {"reference": "motion", "sample_ms": 0.05, "opening_time_ms_u": 0.05}
    assert factor_of(row, "opening_time_ms") == factor_of(row, "motion_start_ms")
    assert factor_of(row | {"reference": "coil"}, "opening_time_ms") > 1.9


def test_the_encoders_steps_do_not_add_to_a_departure():
    # 1 mm of 120 beyond the reference throughout; the greatest of all rounded readings lies half a step above that.
    ms = np.arange(0.0, 60.0, 0.25)
    way, step = 1.93 * ms, 0.4
    mine = Curve("open", ms, step * np.round((way + 1.0) / step))
    raw = float(np.max(mine.travel_mm - way))
    reference = Curve("open", ms, way)
    got = departure(mine, reference, rel=0.0, u_mm=step / math.sqrt(12.0)).above_percent
    assert raw > 1.18
    assert 0.01 * reference.total_mm * got.value == pytest.approx(1.0, abs=0.16)


def test_a_departure_that_the_scale_may_hide_is_within_its_uncertainty():
    ms = np.arange(0.0, 60.0, 0.25)
    way = 100.0 / (1.0 + np.exp(-(ms - 30.0) / 4.0))
    got = departure(Curve("open", ms, 0.99 * way), Curve("open", ms, way), rel=0.01, u_mm=0.0)
    assert got.above_percent.value == pytest.approx(0.0, abs=0.01)
    assert got.below_percent.u == pytest.approx(0.99, abs=0.02)
    low = departure(Curve("open", ms, way), Curve("open", ms, way), rel=0.01, u_mm=0.0)
    assert low.above_percent.u == pytest.approx(1.0, abs=0.02)
