"""The joint step: its equations against the dense ones, its maximum against a general optimiser on every sample."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import least_squares

from drm import _commutation_kernels as fits
from drm import _joint_kernels as kernels
from drm.commutation import Commutation
from drm.hum import Hum, fit_hum
from drm.joint import fit_jointly
from drm.quantity import Quantity

FloatArray = NDArray[np.float64]
CLOSED, ARCING, AMPS, MOVE_S, RATE_HZ = 40e-6, 300e-6, 200.0, 0.5e-3, 20e3


@pytest.mark.parametrize(("spread", "shared"), [(0.0, 0.0), (30e-6, 0.0), (0.0, 0.8e-3)])
def test_normal_equations_are_those_of_generalised_least_squares(spread: float, shared: float) -> None:
    """Aitken, "On least squares and linear combination of observations", 1935: X' C^-1 X and X' C^-1 e."""
    rng = np.random.default_rng(1)
    n, tau, m, d = 40, 0.2e-3, 0.05e-3, 0.6e-3
    t = np.sort(rng.uniform(-1e-3, 1e-3, n))
    i, rate = AMPS * np.linspace(1.0, 0.7, n), rng.normal(0.0, 1e4, n)
    base2, use = rng.uniform(0.5, 2.0, n) * 1e-6, rng.uniform(size=n) > 0.1
    added = rng.normal(size=(n, 2))
    beta = np.array([40e-6, 280e-6, 0.1e-6])
    v = rng.normal(scale=0.03, size=n)
    window = fits.Window(t, v, i, rate, base2, use, 7.0, spread, tau, shared, np.zeros(4), np.zeros(4))
    normal, right = np.zeros((7, 7)), np.zeros(7)
    before = kernels.normal_equations(window, m, d, 1, beta, added, normal, right)

    def volts(middle: float, width: float) -> FloatArray:
        h = np.array([fits.share_at(1, (x - middle) / width, 7.0) for x in t])
        return i * ((1.0 - h) * beta[0] + h * beta[1]) + beta[2] * rate

    h = np.array([fits.share_at(1, (x - m) / d, 7.0) for x in t])
    # The smooth step is straight enough over a hundredth of it.
    by_middle = (volts(m + 0.01 * d, d) - volts(m - 0.01 * d, d)) / (0.02 * d)
    by_width = (volts(m, d * math.exp(0.01)) - volts(m, d * math.exp(-0.01))) / 0.02
    design = np.column_stack([by_middle, by_width, i * (1.0 - h), i * h, rate, added])
    own = i * h * spread + shared
    covariance = np.diag(base2) + np.outer(own, own) * np.exp(-np.abs(t[:, None] - t[None, :]) / tau)
    weight = np.linalg.inv(covariance[np.ix_(use, use)])
    scale = np.sqrt(np.diag(design[use].T @ weight @ design[use]))
    np.testing.assert_allclose(
        normal / np.outer(scale, scale),
        design[use].T @ weight @ design[use] / np.outer(scale, scale),
        atol=0.02,
    )
    np.testing.assert_allclose(
        right / scale, design[use].T @ weight @ (v - volts(m, d))[use] / scale, atol=0.02 * np.abs(right / scale).max()
    )
    left = (v - volts(m, d))[use]
    assert before == pytest.approx(left @ weight @ left)


def test_solved_gives_step_and_variances_of_the_inverse() -> None:
    rng = np.random.default_rng(6)
    sizes = np.array([1e-6, 1.0, 1e4, 1e-3])
    design = rng.normal(size=(30, 4)) / sizes
    normal, right = design.T @ design, design.T @ rng.normal(size=30)
    step, variance = kernels.solved(normal, right, 4)
    np.testing.assert_allclose(step, np.linalg.solve(normal, right), rtol=1e-6)
    np.testing.assert_allclose(variance, np.diag(np.linalg.inv(normal)), rtol=1e-6)


@pytest.mark.parametrize("n", [1, 7, 20])
def test_block_means_pass_over_what_is_missing(n: int) -> None:
    x = np.arange(20.0)
    x[3] = np.nan
    got = kernels.block_means(x, n)
    blocks = np.ma.masked_invalid(x[: 20 // n * n].reshape(-1, n))
    np.testing.assert_allclose(got, blocks.mean(axis=1).filled(np.nan), equal_nan=True)


def test_slope_of_a_level_is_that_of_ordinary_least_squares() -> None:
    """`numpy.polyfit` as reference, on independent noise without stray samples."""
    rng = np.random.default_rng(2)
    t = np.linspace(1e-3, 6e-3, 400)
    r = 300e-6 + 5e-3 * t + rng.normal(scale=1e-6, size=t.size)
    got, u = kernels.course(t, AMPS * r, np.full(t.size, AMPS), 0, t.size, 0.0)
    (slope, _), covariance = np.polyfit(t, r, 1, cov=True)
    assert got == pytest.approx(slope, abs=0.3 * u)
    assert u == pytest.approx(math.sqrt(covariance[0, 0]), rel=0.4)


def test_stray_samples_do_not_turn_a_slope() -> None:
    rng = np.random.default_rng(3)
    t = np.linspace(1e-3, 6e-3, 400)
    v = AMPS * (300e-6 + 5e-3 * t) + rng.normal(scale=2e-4, size=t.size)
    v[350:380] += 0.2
    got, u = kernels.course(t, v, np.full(t.size, AMPS), 0, t.size, 0.0)
    assert abs(got - 5e-3) < 4.0 * u


def record(
    rng: np.random.Generator, *, arcing: float = ARCING, slope: float = 0.0, noise_v: float = 0.5e-3
) -> tuple[FloatArray, FloatArray, float]:
    """Time and volts of a straight move on a closed contact that rests from 0 on, ending 8 ms after it; its middle."""
    middle = 60e-3 + rng.uniform(0.0, 1e-3)
    time = np.arange(int(RATE_HZ * (middle + 8e-3))) / RATE_HZ
    share = np.clip((time - middle) / MOVE_S + 0.5, 0.0, 1.0)
    level = arcing * (1.0 + slope * np.maximum(time - middle, 0.0) / 8e-3)
    return time, AMPS * (CLOSED + (level - CLOSED) * share) + noise_v * rng.standard_normal(time.size), middle


def fit(time: FloatArray, volt: FloatArray, middle: float, *, noise_v: float = 0.5e-3, **more) -> Commutation:
    found = fit_jointly(
        time,
        volt,
        np.full(time.size, AMPS),
        np.zeros(time.size),
        near=int(np.searchsorted(time, middle)) + 3,
        last=time.size - 1,
        closed_ohm=Quantity(CLOSED, 0.02e-6),
        closed_scatter_ohm=0.0,
        sigma_v=noise_v,
        longest_s=1.5e-3,
        **more,
    )
    assert found is not None
    return found


@pytest.mark.parametrize("slope", [-0.3, 0.3])
def test_an_arcing_level_that_slopes_is_not_taken_for_fluctuation(slope: float) -> None:
    errors = []
    for seed in range(12):
        time, volt, middle = record(np.random.default_rng(seed), slope=slope)
        found = fit(time, volt, middle)
        assert found.fluctuation_ohm == 0.0
        errors.append((found.middle_s.value - middle) / found.middle_s.u)
    assert np.sqrt(np.mean(np.square(errors))) < 1.5


def hummed(time: FloatArray, amplitude_v: float) -> FloatArray:
    return amplitude_v * np.cos(2.0 * np.pi * 50.0 * time + 0.7)


def test_hum_that_the_rest_could_not_tell_is_found_beside_the_move() -> None:
    """A worn contact's move of 8 mV under 1 mV of hum, the rest having told nothing of it but its size."""
    off, on = [], []
    broad = Hum(50.0, (0.0,), (0.0,), CLOSED, 0.0, 0.0, covariance=np.diag([1e-6, 1e-6, 1e-12]))
    for seed in range(12):
        time, volt, middle = record(np.random.default_rng(seed), arcing=80e-6, noise_v=0.2e-3)
        volt = volt + hummed(time, 1e-3)
        off.append(fit(time, volt, middle, noise_v=0.2e-3).middle_s.value - middle)
        found = fit(time, volt, middle, noise_v=0.2e-3, hum=broad)
        on.append((found.middle_s.value - middle, found.middle_s.u))
    errors, u = np.array(on).T
    assert np.sqrt(np.mean(np.square(errors))) < 0.6 * np.sqrt(np.mean(np.square(off)))
    assert np.mean(np.abs(errors) < 1.96 * u) > 0.8


def test_the_step_ends_where_an_optimiser_on_every_sample_ends() -> None:
    """`scipy.optimize.least_squares` on the rest and the move at once: levels, hum, middle and duration together."""
    rng = np.random.default_rng(4)
    time, volt, middle = record(rng, arcing=100e-6, noise_v=0.1e-3)
    volt = volt + hummed(time, 2e-3)
    rest = slice(0, int(0.03 * RATE_HZ))
    hum = fit_hum(time[rest], volt[rest], np.full(time[rest].size, AMPS), frequency_hz=50.0, harmonics=1)
    ours = fit(time, volt - hum.at(time), middle, noise_v=0.1e-3, hum=hum)

    def left(x: FloatArray) -> FloatArray:
        share = np.clip((time - middle - 1e-3 * x[0]) / (1e-3 * x[1]) + 0.5, 0.0, 1.0)
        angle = 2.0 * np.pi * (50.0 + 0.25 * x[6]) * time
        model = AMPS * 1e-6 * ((1.0 - share) * x[2] + share * x[3])
        model = model + 1e-3 * (x[4] * np.cos(angle) + x[5] * np.sin(angle))
        return np.append((volt - model) / 0.1e-3, x[6])

    start = np.array([0.0, 0.5, 40.0, 100.0, 1.5, -1.3, 0.0])
    whole = least_squares(left, start, diff_step=1e-4, x_scale=[0.01, 0.05, 0.1, 0.1, 0.01, 0.01, 0.1])
    assert ours.middle_s.value - middle == pytest.approx(1e-3 * whole.x[0], abs=ours.middle_s.u)


def test_nothing_unknown_beside_the_move_leaves_the_fit_as_it_is() -> None:
    time, volt, middle = record(np.random.default_rng(5))
    certain = Hum(50.0, (0.0,), (0.0,), CLOSED, 0.0, 0.0, covariance=np.diag([1e-24, 1e-24, 1e-24]))
    without, beside = fit(time, volt, middle), fit(time, volt, middle, hum=certain)
    assert beside.middle_s.value == pytest.approx(without.middle_s.value, abs=1e-12)
    assert beside.middle_s.u == pytest.approx(without.middle_s.u, rel=1e-6)
