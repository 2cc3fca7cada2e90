"""The kernels of slopes and of the noise's long run against NumPy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drm import _resistance_kernels as kernels

seeds = st.integers(0, 10_000)


def current(rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Time on uneven steps, and a noisy current that falls in the middle."""
    time = np.cumsum(rng.uniform(40e-6, 60e-6, n))
    amps = 200.0 - 80.0 * np.clip((np.arange(n) - 0.4 * n) / 8.0, 0.0, 1.0) + 0.01 * rng.standard_normal(n)
    return time, amps


@settings(deadline=None)
@given(seed=seeds, n=st.integers(2, 80))
def test_slope_is_numpys_gradient(seed: int, n: int) -> None:
    time, amps = current(np.random.default_rng(seed), n)
    np.testing.assert_allclose(kernels.slope(time, amps), np.gradient(amps, time), rtol=1e-9, atol=1e-6)


@settings(deadline=None)
@given(seed=seeds, n=st.integers(20, 80), rest=st.sampled_from([2, 5, 40]))
def test_slope_counts_where_it_stands_clear_of_its_noise(seed: int, n: int, rest: int) -> None:
    rng = np.random.default_rng(seed)
    time, amps = current(rng, n)
    still = np.cumsum(rng.uniform(40e-6, 60e-6, rest)), 200.0 + 0.01 * rng.standard_normal(rest)
    rate, quiet = np.gradient(amps, time), np.gradient(still[1], still[0])
    told = quiet if rest >= 8 else rate
    noise = 1.4826 * np.median(np.abs(told - np.median(told)))
    expected = np.where(np.abs(rate) > 6.0 * noise, rate, 0.0)
    np.testing.assert_allclose(kernels.moving_rate(time, amps, *still), expected, rtol=1e-9, atol=1e-6)


@settings(deadline=None)
@given(seed=seeds, n=st.integers(20, 80))
def test_steep_samples_are_those_of_the_twin(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    time, amps = current(rng, n)
    volts = rng.uniform(0.0, 2.0, n)
    volts[rng.random(n) < 0.1] = np.nan
    _, good, many = kernels.steep(time, amps, volts, 1e5, 1.1)
    expected = (np.abs(np.gradient(amps, time)) > 1e5) & (np.abs(volts) < 1.1)
    np.testing.assert_array_equal(good, expected)
    assert many == expected.sum()


@settings(deadline=None)
@given(seed=seeds, n=st.integers(0, 400), keep=st.floats(0.0, 0.9))
def test_long_run_of_the_noise_is_that_of_the_twin(seed: int, n: int, keep: float) -> None:
    rng = np.random.default_rng(seed)
    x = np.convolve(rng.standard_normal(n + 20), keep ** np.arange(20), mode="valid")[:n]
    x[rng.random(n) < 0.05] = np.nan
    left = x[np.isfinite(x)]
    means = left[: left.size // 8 * 8].reshape(-1, 8).mean(axis=1)
    expected = 1.0
    if means.size >= 8:
        spread = 1.4826 * np.median(np.abs(means - np.median(means)))
        expected = min(max(8 * spread**2, 1.0), 16.0)
    assert kernels.long_run(x, 1.0, 8) == pytest.approx(expected, rel=1e-9)


@settings(deadline=None)
@given(seed=seeds, n=st.integers(0, 80), start=st.integers(0, 90))
def test_levels_at_rest_and_before_the_move_are_those_of_the_twin(seed: int, n: int, start: int) -> None:
    rng = np.random.default_rng(seed)
    i = rng.uniform(190.0, 210.0, n)
    v = 40e-6 * i + 0.5e-3 * rng.standard_normal(n)
    v[rng.random(n) < 0.1] = np.nan
    good = np.isfinite(v)
    r = v / i
    closed, spread, wander = kernels.at_rest(v, i, 0.5e-3, 8)
    if good.any():
        assert closed == pytest.approx(np.nanmedian(r))
        left = v - closed * i
        assert spread == pytest.approx(1.4826 * np.nanmedian(np.abs(left)))
        assert wander == kernels.long_run(left, 0.5e-3, 8)
    else:
        assert np.isnan(closed)
        assert (spread, wander) == (0.0, 1.0)
    part = r[start : start + 30]
    part = part[np.isfinite(part)]
    expected = 1.4826 * np.median(np.abs(part - np.median(part))) if part.size else 0.0
    assert kernels.before_move(r, start, start + 30) == pytest.approx(expected)
