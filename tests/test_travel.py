"""Travel is from the closed rest position, positive towards open, whatever the sensor does."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from handmade import LATENCY_S, OVERTRAVEL_MM, STROKE_MM, breaker, changed, record
from hypothesis import given, settings
from hypothesis import strategies as st

from drm.breaker import Breaker, Instrument, TravelSensor
from drm.operations import find_operations
from drm.record import Record
from drm.travel import Travel, at, reading, speed, travel_of
from drm.travel_uncertainty import level_u, slope_u

OPEN, CLOSE = [("open", 0.05)], [("close", 0.05)]
SEQUENCE = [("open", 0.05), ("close", 0.38), ("open", 0.8)]


def travel(one: Record, b: Breaker | None = None) -> Travel:
    b = breaker() if b is None else b
    got = travel_of(one, b.mechanisms[0], find_operations(one, b), instrument=Instrument())
    assert got is not None
    return got


def sensor(b: Breaker, one: TravelSensor) -> Breaker:
    return replace(b, mechanisms=(replace(b.mechanisms[0], travel=one), *b.mechanisms[1:]))


@pytest.mark.parametrize("commands", [OPEN, CLOSE, SEQUENCE])
def test_rest_positions_are_zero_and_the_stroke(commands: list[tuple[str, float]]) -> None:
    one = record(commands, stop_s=1.0)
    got = travel(one)
    ends = {"open": STROKE_MM, "close": 0.0}
    assert got.mm[-1] == pytest.approx(ends[commands[-1][0]], abs=0.05)
    assert got.mm[0] == pytest.approx(STROKE_MM - ends[commands[0][0]], abs=0.05)
    assert got.flags == ()


@settings(max_examples=25, deadline=None)
@given(st.sampled_from([1.0, -1.0]), st.floats(-500.0, 500.0), st.sampled_from(["open", "close"]))
def test_sign_and_offset_of_the_sensor_change_nothing(sign: float, offset: float, kind: str) -> None:
    one = record([(kind, 0.05)])
    turned = changed(one, "TRV_", lambda x: sign * x + offset)
    np.testing.assert_allclose(travel(turned).mm, travel(one).mm, atol=1e-9)


def test_sign_of_the_scale_changes_nothing() -> None:
    one = record(SEQUENCE, stop_s=1.0)
    turned = sensor(breaker(), TravelSensor("TRV_A", -1.0))
    np.testing.assert_allclose(travel(one, turned).mm, travel(one).mm, atol=1e-9)


def test_clock_that_starts_elsewhere_changes_nothing() -> None:
    one = record(OPEN)
    later = replace(one, time_s=one.time_s + 3.0)
    np.testing.assert_allclose(travel(later).mm, travel(one).mm, atol=1e-9)


def test_scale_is_mm_for_each_channel_unit() -> None:
    one = changed(record(OPEN), "TRV_", lambda x: x / 2.5)
    got = travel(one, sensor(breaker(), TravelSensor("TRV_A", 2.5)))
    assert got.mm[-1] == pytest.approx(STROKE_MM, abs=0.05)
    assert got.resolution_mm == pytest.approx(0.05, rel=1e-6)


def test_curve_turns_an_angle_into_travel() -> None:
    angle = np.linspace(-60.0, 60.0, 25)
    mm = 75.0 + 80.0 * np.sin(np.radians(angle))
    one = changed(record(OPEN, step_mm=0.0), "TRV_", lambda x: np.degrees(np.arcsin((x + 14.0 - 75.0) / 80.0)))
    curved = sensor(breaker(), TravelSensor("TRV_A", None, tuple(zip(angle.tolist(), mm.tolist(), strict=True))))
    got = travel(one, curved)
    assert got.flags == ()
    # A monotone cubic through knots 5 degrees apart follows the sine to well under a tenth of a millimetre.
    np.testing.assert_allclose(got.mm, travel(record(OPEN, step_mm=0.0)).mm, atol=0.1)


def test_curve_left_behind_is_carried_on_straight_and_flagged() -> None:
    short = sensor(breaker(), TravelSensor("TRV_A", None, ((0.0, 0.0), (50.0, 50.0), (100.0, 100.0))))
    got = travel(record(OPEN), short)
    assert got.mm[-1] == pytest.approx(STROKE_MM, abs=0.05)
    assert "travel extrapolated beyond the sensor's curve" in got.flags


def test_curve_given_from_high_to_low_is_the_same_curve() -> None:
    knots = ((0.0, 0.0), (60.0, 70.0), (130.0, 125.0))
    a = travel(record(OPEN), sensor(breaker(), TravelSensor("TRV_A", None, knots)))
    b = travel(record(OPEN), sensor(breaker(), TravelSensor("TRV_A", None, knots[::-1])))
    np.testing.assert_allclose(a.mm, b.mm)


def test_skew_of_the_channel_is_honoured() -> None:
    one = record(OPEN, step_mm=0.0)
    # The same samples taken half a millisecond later: the travel happened half a millisecond later.
    late = replace(one, channels=tuple(replace(c, skew_s=5e-4) if c.name == "TRV_A" else c for c in one.channels))
    shift = 10
    np.testing.assert_allclose(travel(late).mm[shift:], travel(one).mm[:-shift], atol=1e-6)


def test_short_gap_is_bridged_and_a_long_one_is_not() -> None:
    def hole(n: int) -> Record:
        def cut(x: np.ndarray) -> np.ndarray:
            y = x.copy()
            y[1600 : 1600 + n] = np.nan
            return y

        return changed(record(OPEN), "TRV_", cut)

    short, long = travel(hole(10)), travel(hole(100))
    assert np.isfinite(short.mm).all()
    assert short.flags == ("missing travel samples bridged",)
    np.testing.assert_allclose(short.mm, travel(record(OPEN)).mm, atol=0.15)
    assert int(np.isnan(long.mm).sum()) == 100
    assert "travel missing over more than 2 ms" in long.flags


@pytest.mark.parametrize("step", [0.02, 0.05, 0.25])
def test_step_of_the_encoder_is_told(step: float) -> None:
    got = travel(record(OPEN, step_mm=step))
    assert got.resolution_mm == pytest.approx(step, rel=1e-6)
    assert got.u_mm == pytest.approx(step / np.sqrt(12.0), rel=0.2)


def test_noise_is_no_encoder_step() -> None:
    rng = np.random.default_rng(5)
    got = travel(changed(record(OPEN, step_mm=0.0), "TRV_", lambda x: x + rng.normal(0.0, 0.03, x.size)))
    assert got.resolution_mm == 0.0
    assert got.u_mm == pytest.approx(0.03, rel=0.1)


def test_travel_at_an_instant_does_not_show_the_encoder_steps() -> None:
    fine = travel(record(OPEN, step_mm=0.0))
    coarse = travel(record(OPEN, step_mm=0.25))
    t = record(OPEN).time_s
    moving = 0.05 + LATENCY_S["open"]
    for instant in np.linspace(moving + 8e-3, moving + 20e-3, 25):
        exact = float(np.interp(instant, t, fine.mm))
        # Half a step would be 0.125 mm.
        assert at(coarse, t, float(instant)) == pytest.approx(exact, abs=0.06)


def rounded(rng: np.random.Generator, pace_m_s: float, step: float, noise: float) -> tuple[Travel, np.ndarray]:
    """Travel of one steady opening at `pace_m_s` read by an encoder that happens to begin anywhere; exact but that."""
    t = np.arange(-40.0 / pace_m_s * 1e-3, 40.0 / pace_m_s * 1e-3, 50e-6 if pace_m_s > 1 else 400e-6)
    mm = 40.0 + 1e3 * pace_m_s * t + rng.uniform(0.0, step)
    read = step * np.round(mm / step) + noise * rng.normal(size=t.size)
    shift = mm[0] - 40.0 - 1e3 * pace_m_s * t[0]
    return Travel("A", read - shift, math.hypot(step / math.sqrt(12.0), noise), step, ()), t


@pytest.mark.parametrize("step", [0.05, 0.25, 0.5])
@pytest.mark.parametrize("pace", [0.02, 1.7, 6.3])
@pytest.mark.parametrize("noise", [0.0, 0.02])
def test_stated_uncertainty_of_a_reading_and_of_the_speed_covers_their_errors(
    step: float, pace: float, noise: float
) -> None:
    rng = np.random.default_rng(8)
    z: list[float] = []
    speeds: list[float] = []
    for _ in range(60):
        got, t = rounded(rng, pace * rng.uniform(0.97, 1.03), step, noise)
        true = float(rng.uniform(28.0, 52.0))
        slope = float(np.polyfit(t, got.mm, 1)[0])
        at_s = (true - 40.0) / slope
        one = reading(got, t, at_s, pace_m_s=1e-3 * slope)
        # A straight motion: the line through everything is the truth, the reading sees a window about the instant.
        whole = float(np.polyval(np.polyfit(t, got.mm, 1), at_s))
        z.append((one.mm - whole) / one.u_mm)
        speeds.append((float(np.interp(at_s, t, speed(got, t))) - 1e-3 * slope) / one.speed_u_m_s)
        assert one.u_mm < 0.35 * step + noise
    assert np.mean(np.abs(np.array(z)) < 1.96) >= 0.88
    assert np.mean(np.abs(np.array(speeds)) < 1.96) >= 0.88
    # Nor is it so wide that it says nothing.
    assert np.std(z) > 0.2


@pytest.mark.parametrize("periods", [0.3, 1.0, 2.0, 6.0, 20.0])
@pytest.mark.parametrize("n", [21, 101])
def test_share_of_the_encoder_steps_left_in_a_fit_is_what_is_simulated(periods: float, n: int) -> None:
    if periods > n / 3:
        pytest.skip("fewer than three samples a period: a beat")
    rng = np.random.default_rng(9)
    i = np.arange(n) - 0.5 * (n - 1)
    design = np.column_stack([np.ones(n), i, i**2])
    x = periods / n * rng.uniform(0.98, 1.02, (2000, 1)) * i + rng.random((2000, 1))
    left = (np.round(x) - x) @ np.linalg.pinv(design).T
    u = level_u(1.0, 0.0, per_sample_mm=periods / n, n=n)
    assert float(left[:, 0].std()) <= 1.1 * u
    assert float(left[:, 1].std()) <= 1.3 * 1e3 * slope_u(1.0, 0.0, per_sample_mm=periods / n, n=n, step_s=1.0)
    assert u <= 1.0 / math.sqrt(12.0) + 1e-12


def test_speed_of_a_slow_and_noisy_travel_is_taken_over_a_long_enough_window() -> None:
    rng = np.random.default_rng(10)
    t = np.arange(0.0, 6.0, 2e-4)
    mm = np.clip(20.0 * (t - 1.0), 0.0, 80.0) + 0.03 * rng.normal(size=t.size)
    got = speed(Travel("A", mm, 0.03, 0.0, ()), t)
    inside = (t > 1.5) & (t < 4.5)
    # Over 2 ms the noise alone would be the size of the speed.
    np.testing.assert_allclose(got[inside], 0.02, atol=0.001)


@pytest.mark.parametrize("step", [0.05, 0.5])
def test_zero_of_travel_is_known_to_a_step_of_the_encoder(step: float) -> None:
    got = travel(record(OPEN, step_mm=step))
    assert got.zero_u_mm == pytest.approx(step / math.sqrt(12.0), rel=1e-6)


def test_zero_is_known_to_the_channel_step_where_noise_hides_the_encoder() -> None:
    rng = np.random.default_rng(5)
    noisy = changed(record(OPEN, step_mm=0.0), "TRV_", lambda x: x + rng.normal(0.0, 0.03, x.size))
    stated = replace(
        noisy, channels=tuple(replace(c, resolution=0.2) if c.name == "TRV_A" else c for c in noisy.channels)
    )
    assert travel(noisy).zero_u_mm == 0.0
    assert travel(stated).zero_u_mm == pytest.approx(0.2 / math.sqrt(12.0))


def test_travel_outside_the_record_is_not_guessed() -> None:
    one = record(OPEN)
    assert np.isnan(at(travel(one), one.time_s, 9.0))
    assert np.isnan(at(travel(one), one.time_s, float("nan")))


def test_speed_is_that_of_the_motion_and_positive_towards_open() -> None:
    # path(): 0.9 of the duration at constant speed would cover the stroke.
    pace = STROKE_MM / 0.9 / 24e-3 * 1e-3
    for kind, sign in (("open", 1.0), ("close", -1.0)):
        one = record([(kind, 0.05)])
        got = speed(travel(one), one.time_s)
        middle = round((0.05 + LATENCY_S[kind] + 14e-3) * 20e3)
        assert got[middle] == pytest.approx(sign * pace, rel=0.01)
        assert got[100] == pytest.approx(0.0, abs=0.01)


def test_speed_of_a_slow_opening_does_not_show_the_encoder_steps() -> None:
    one = record([("open", 0.3)], stop_s=8.0, rate_hz=5e3, duration_s=6.0)
    got = speed(travel(one), one.time_s)
    inside = (one.time_s > 2.5) & (one.time_s < 5.5)
    np.testing.assert_allclose(got[inside], STROKE_MM / 0.9 / 6.0 * 1e-3, rtol=0.15)


def test_closed_position_that_moves_between_operations_is_flagged() -> None:
    one = record(SEQUENCE, stop_s=1.0)
    drifted = changed(one, "TRV_", lambda x: x + np.where((one.time_s > 0.4) & (one.time_s < 0.81), 3.0, 0.0))
    assert any("closed rest position differs by 3.0" in f for f in travel(drifted).flags)


def test_mechanism_without_a_sensor_has_no_travel() -> None:
    b = breaker(travel=None)
    one = record(OPEN)
    assert travel_of(one, b.mechanisms[0], find_operations(one, b), instrument=Instrument()) is None


def test_overtravel_is_kept() -> None:
    assert float(travel(record(OPEN)).mm.max()) == pytest.approx(STROKE_MM + OVERTRAVEL_MM, abs=0.05)
