"""The bound that benchmarks/instants.py divides by, and the records it draws: against what both must be by law."""

from __future__ import annotations

import importlib
import math
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

BENCHMARKS = str(Path(__file__).resolve().parents[1] / "benchmarks")
MICRO = 1e6


def _module(name: str) -> ModuleType:
    sys.path.append(BENCHMARKS)
    try:
        return importlib.import_module(name)
    finally:
        sys.path.remove(BENCHMARKS)


limits, signals = _module("instants_bound"), _module("instants_signals")


def bound_on(time, current, **more):
    kept = {"closed_ohm": 40e-6, "arcing_ohm": 300e-6, "middle_s": 0.59, "duration_s": 0.5e-3, "sigma_v": 0.5e-3}
    return limits.bound(time, current, **{**kept, **more})


def record(rate_hz: float = 20e3, amps: float = 200.0):
    """Nearly 0.6 s of closed contact, 7.5 ms of arcing contact."""
    time = np.arange(0.0, 0.5975, 1.0 / rate_hz)
    return time, np.full(time.size, amps)


@pytest.mark.parametrize(("amps", "noise"), [(200.0, 0.5e-3), (100.0, 2e-3)])
def test_a_level_is_known_to_the_noise_by_the_root_of_its_samples(amps: float, noise: float) -> None:
    """sigma / (I sqrt(n)), the standard error of a mean; the corners of the move add a little."""
    time, current = record(amps=amps)
    found = bound_on(time, current, sigma_v=noise)
    n = int(np.sum(time < 0.59 - 0.25e-3)), int(np.sum(time > 0.59 + 0.25e-3))
    assert found.closed_ohm == pytest.approx(noise / amps / math.sqrt(n[0]), rel=1e-3)
    assert noise / amps / math.sqrt(n[1] + 10) < found.arcing_ohm < 1.02 * noise / amps / math.sqrt(n[1])


def test_middle_and_duration_between_known_levels_have_their_closed_form() -> None:
    """With long levels on both sides only the move's slope tells: sd(m) = sigma d / (I jump sqrt(n)), n its samples.

    For the duration the lever is u in (-1/2, 1/2), whose mean square is 1/12: sqrt(12) times as much.
    """
    rate, d = 1e6, 0.5e-3
    time = np.arange(-0.5, 0.5, 1.0 / rate) + 0.5 / rate
    found = bound_on(time, np.full(time.size, 200.0), middle_s=0.0, duration_s=d)
    alone = 0.5e-3 * d / (200.0 * 260e-6 * math.sqrt(rate * d))
    assert found.middle_s == pytest.approx(alone, rel=2e-3)
    assert found.duration_s == pytest.approx(math.sqrt(12.0) * alone, rel=2e-3)
    # By symmetry middle and duration are not correlated: the onset m - d/2 has the sum of the variances.
    assert found.onset_s == pytest.approx(math.hypot(found.middle_s, 0.5 * found.duration_s), rel=1e-3)


@pytest.mark.parametrize(
    ("amps", "noise", "onset", "middle", "arcing", "closed"),
    [(200.0, 0.5e-3, 3.2, 1.6, 0.20, 0.023), (100.0, 2e-3, 26.0, 13.0, 1.6, 0.18)],
)
def test_bounds_are_those_of_an_independent_computation(amps, noise, onset, middle, arcing, closed) -> None:
    """Values at 20 kHz in us and uohm from trials made before this code, on traces of about this length."""
    middles = 0.59 + np.arange(10) / 10 / 20e3  # where between two samples the corners lie counts
    many = [bound_on(*record(amps=amps), sigma_v=noise, middle_s=m) for m in middles]

    def rms(name: str) -> float:
        return MICRO * math.sqrt(sum(getattr(b, name) ** 2 for b in many) / len(many))

    assert rms("onset_s") == pytest.approx(onset, rel=0.08)
    assert rms("middle_s") == pytest.approx(middle, rel=0.08)
    assert rms("arcing_ohm") == pytest.approx(arcing, rel=0.08)
    assert rms("closed_ohm") == pytest.approx(closed, rel=0.05)


@settings(max_examples=30, deadline=None)
@given(noise=st.floats(0.1, 10.0), amps=st.floats(20.0, 1000.0), shift=st.floats(-5.0, 5.0))
def test_bound_grows_with_the_noise_and_knows_no_clock(noise: float, amps: float, shift: float) -> None:
    time, _ = record()
    # No knee lies on a sample: by rounding it might come to lie beside it.
    middle = 0.59 + 13e-6
    base = bound_on(time, np.full(time.size, 200.0), middle_s=middle)
    other = bound_on(time + shift, np.full(time.size, amps), middle_s=middle + shift, sigma_v=noise * 1e-3)
    ratio = noise / 0.5 * 200.0 / amps
    for name in ("closed_ohm", "arcing_ohm", "middle_s", "duration_s", "onset_s"):
        assert getattr(other, name) == pytest.approx(ratio * getattr(base, name), rel=1e-6)


def test_an_unknown_inductance_takes_information_and_gives_none() -> None:
    signal = signals.draw(signals.Case(henry=1e-6), np.random.default_rng(4))
    metal = slice(0, signal.last + 1)
    told = bound_on(signal.time_s[metal], signal.current_a[metal], middle_s=signal.middle_s)
    asked = bound_on(
        signal.time_s[metal], signal.current_a[metal], middle_s=signal.middle_s, rate_a_s=signal.rate_a_s[metal]
    )
    assert asked.middle_s > 1.05 * told.middle_s
    assert asked.arcing_ohm > told.arcing_ohm
    assert math.isnan(told.inductance_h)
    assert 0.0 < asked.inductance_h < 1e-6


def test_plain_least_squares_attains_the_bound_and_does_not_pass_it() -> None:
    """150 records in moderate noise: no unbiased estimate does better (Cramer and Rao), this one does as well."""
    errors, least = [], []
    for seed in range(150):
        signal = signals.draw(signals.Case(), np.random.default_rng([31, seed]), length_s=0.05, middle_s=0.0301)
        metal = slice(0, signal.last + 1)
        time, volts, amps = signal.time_s[metal], signal.voltage_v[metal], signal.current_a[metal]
        found = bound_on(time, amps, middle_s=signal.middle_s)
        sd = np.array([found.closed_ohm, found.arcing_ohm, found.middle_s, found.duration_s])
        truth = np.array([40e-6, 300e-6, signal.middle_s, 0.5e-3])

        def residual(x, time=time, volts=volts, amps=amps, sd=sd, truth=truth):
            closed, arcing, middle, duration = truth + sd * x
            h = np.clip((time - middle) / duration + 0.5, 0.0, 1.0)
            return (volts - amps * (closed + (arcing - closed) * h)) / 0.5e-3

        x = least_squares(residual, np.full(4, 0.5), diff_step=1e-3).x
        errors.append([*x, (x[2] * sd[2] - 0.5 * x[3] * sd[3]) / found.onset_s])
        least.append(found.middle_s)
    ratio = np.sqrt(np.mean(np.square(errors), axis=0))
    # Of 150 values a root mean square is known to 6 %: three such either way.
    assert np.all(ratio > 0.82)
    assert np.all(ratio < 1.25)
    assert np.std(least) < 0.2 * np.mean(least)


@pytest.mark.parametrize("shape", ["straight", "smoothstep", "tanh", "cosine", "conductance"])
def test_every_shape_has_moved_one_half_at_its_middle(shape: str) -> None:
    u = np.linspace(-2.0, 2.0, 401)
    share = signals.share(shape, u, 7.5)
    assert signals.share(shape, np.array([0.0]), 7.5)[0] == pytest.approx(0.5)
    assert np.all(np.diff(share) >= 0.0)
    assert share[0] == pytest.approx(0.0, abs=1e-6)
    assert share[-1] == pytest.approx(1.0, abs=1e-6)


def test_current_behind_an_inductance_obeys_its_circuit() -> None:
    """E = I (R0 + R) + L dI/dt of the source's loop (Kirchhoff), to first order in the small change of R."""
    case = signals.Case(rate_hz=1e6, henry=1e-6, noise_v=0.0)
    signal = signals.draw(case, np.random.default_rng(1), length_s=0.02, middle_s=0.01)
    metal = slice(0, signal.last)
    amps, time = signal.current_a[metal], signal.time_s[metal]
    slope = np.gradient(amps, time)
    inner = slice(10, amps.size - 10)
    assert np.max(np.abs(slope - signal.rate_a_s[metal])[inner]) < 0.01 * np.max(np.abs(slope[inner]))
    share = signals.share("straight", (time - signal.middle_s) / case.move_s, 7.5)
    ohm = case.closed_ohm + 260e-6 * share
    driven = (amps - 200.0) * signals.SOURCE_OHM + 200.0 * 260e-6 * share + signals.SOURCE_H * slope
    assert np.max(np.abs(driven[inner])) < 0.02 * 200.0 * 260e-6
    assert signal.voltage_v[metal] == pytest.approx(ohm * amps + 1e-6 * signal.rate_a_s[metal], abs=1e-9)


def test_a_record_has_the_noise_it_is_said_to_have() -> None:
    case = signals.Case(lag_one=0.5)
    signal = signals.draw(case, np.random.default_rng(6))
    rest = signal.voltage_v[:10_000] - 40e-6 * signal.current_a[:10_000]
    assert np.std(rest) == pytest.approx(case.noise_v, rel=0.05)
    assert np.corrcoef(rest[1:], rest[:-1])[0, 1] == pytest.approx(0.5, abs=0.05)
    assert signal.time_s[signal.last] <= signal.parting_s < signal.time_s[signal.last + 1]
