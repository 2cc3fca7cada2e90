"""Cleaning: what is shown is shrunk to the published figures, and hum and impulses are taken for what they are."""

from __future__ import annotations

import numpy as np
import pytest
import pywt

from drm.denoise import fit_hum, impulses, noise_sigma, robust_lstsq, shrink


@pytest.mark.parametrize(("name", "most"), [("Blocks", 0.19), ("HeaviSine", 0.22), ("Bumps", 0.41), ("Doppler", 0.41)])
def test_shrinkage_reaches_the_figures_on_donoho_and_johnstones_signals(name: str, most: float) -> None:
    # Signals: Donoho & Johnstone, Biometrika 81 (1994), as the wavelet library ships them; sd(f)/sigma = 7, n = 2048.
    # The bounds were regenerated with translation-invariant hard Haar shrinkage (Coifman & Donoho 1995).
    rng = np.random.default_rng(7)
    signal = np.asarray(pywt.data.demo_signal(name, 2048))
    signal = 7.0 * signal / signal.std()
    errors = [np.sqrt(np.mean((shrink(signal + rng.normal(size=2048), sigma=1.0) - signal) ** 2)) for _ in range(12)]
    assert np.mean(errors) <= most


def test_shrinkage_keeps_a_true_spike_of_one_sample() -> None:
    rng = np.random.default_rng(3)
    trace = 300.0 + rng.normal(size=1000)
    trace[500] += 40.0
    assert shrink(trace, sigma=1.0)[500] > 330.0


@pytest.mark.parametrize("height", [12.0, -12.0, 40.0])
@pytest.mark.parametrize("at", [300, 301, 302, 303, 517])
def test_shrinkage_loses_no_spike_wherever_it_falls(at: int, height: float) -> None:
    trace = 300.0 + np.random.default_rng(at).normal(size=1000)
    trace[at] = 300.0 + height
    assert abs(shrink(trace, sigma=1.0)[at] - 300.0) >= 0.8 * abs(height)


def test_shrinkage_leaves_missing_samples_missing() -> None:
    trace = np.ones(64)
    trace[10:13] = np.nan
    assert np.flatnonzero(np.isnan(shrink(trace))).tolist() == [10, 11, 12]


def test_impulses_are_masked_and_a_step_is_not() -> None:
    rng = np.random.default_rng(4)
    trace = rng.normal(scale=1e-4, size=400)
    trace[200:] += 0.05
    trace[[50, 120]] += 0.01
    assert np.flatnonzero(impulses(trace, sigma=1e-4)).tolist() == [50, 120]


def test_noise_of_a_coarse_trace_is_at_least_the_quantisation() -> None:
    # Uniform quantisation noise: step / sqrt(12) (JCGM 100:2008, F.2.2.1).
    assert noise_sigma(np.zeros(100), resolution=0.12) == pytest.approx(0.12 / np.sqrt(12))


def test_noise_is_that_of_the_simulated_gaussian() -> None:
    rng = np.random.default_rng(5)
    assert noise_sigma(rng.normal(scale=2.0, size=20000)) == pytest.approx(2.0, rel=0.05)


def test_hum_does_not_move_the_closed_resistance() -> None:
    rng = np.random.default_rng(6)
    t = np.arange(2000) / 20e3
    i = np.full(t.size, 200.0)
    v = 40e-6 * i + 5e-3 * np.sin(2 * np.pi * 50 * t + 0.3) + 1e-3 * np.cos(2 * np.pi * 150 * t)
    hum = fit_hum(t, v + rng.normal(scale=1e-4, size=t.size), i, frequency_hz=50)
    assert hum.resistance_ohm == pytest.approx(40e-6, abs=4 * hum.resistance_u_ohm)
    assert np.hypot(hum.cosine[0], hum.sine[0]) == pytest.approx(5e-3, rel=0.01)


def test_a_stretch_shorter_than_a_period_fits_no_hum() -> None:
    t = np.arange(100) / 20e3
    assert fit_hum(t, np.full(100, 0.008), np.full(100, 200.0), frequency_hz=50).cosine == ()


def test_robust_fit_is_not_moved_by_a_third_of_outliers_to_one_side() -> None:
    rng = np.random.default_rng(8)
    x = rng.uniform(1, 2, size=300)
    y = 3.0 * x + rng.normal(scale=0.01, size=300)
    y[:90] += rng.uniform(0.5, 5.0, size=90)
    coefficients, _, _ = robust_lstsq(x[:, None], y)
    assert coefficients[0] == pytest.approx(3.0, abs=0.01)
