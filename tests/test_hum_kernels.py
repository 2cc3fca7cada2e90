"""The hum's kernels against plain NumPy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drm._hum_kernels import block_means, solve
from drm.denoise import robust_lstsq


@settings(max_examples=30, deadline=None)
@given(n=st.integers(1, 80), size=st.integers(1, 9), seed=st.integers(0, 999))
def test_block_means_are_those_of_the_finite_samples(n: int, size: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    t, v, i = np.arange(n, dtype=float), rng.normal(size=n), rng.normal(size=n)
    v[rng.random(n) < 0.3] = np.nan
    got = block_means(t, v, i, size)
    many = n // size * size
    blocks = np.stack([t, v, i])[:, :many].reshape(3, -1, size)
    good = np.isfinite(blocks[1])
    full = 2 * good.sum(axis=1) > size
    sums = np.where(good, blocks, 0.0).sum(axis=2)[:, full]
    np.testing.assert_allclose(np.stack(got), sums / good.sum(axis=1)[full], atol=1e-12)


def wave(n: int, frequency: float, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    t = (np.arange(n) - 0.5 * n) * 0.1 / n
    i = 200.0 * (1.0 - 0.5 * t) + rng.normal(scale=0.1, size=n)
    v = 40e-6 * i + 5e-3 * np.cos(2 * np.pi * frequency * t + 1.0) + 1e-3 * np.sin(6 * np.pi * frequency * t)
    return t, v + rng.normal(scale=2e-4, size=n), i


@pytest.mark.parametrize("orders", [0, 1, 5])
def test_fit_at_a_known_frequency_is_that_of_plain_robust_least_squares(orders: int) -> None:
    t, v, i = wave(600, 50.0, 1)
    if orders < 5:
        v = v - 1e-3 * np.sin(300 * np.pi * t) - (0.0 if orders else 5e-3) * np.cos(100 * np.pi * t + 1.0)
    # So narrow a prior holds the frequency where it is.
    x, covariance, scale = solve(t, v, i, 50.0, 1e-9, orders, 0.0, 40)
    angles = 100.0 * np.pi * np.outer(t, np.arange(1, orders + 1))
    plain, plain_covariance, plain_scale = robust_lstsq(
        np.column_stack([i, np.cos(angles), np.sin(angles)]), v, rounds=40
    )
    u = np.sqrt(np.diag(plain_covariance))
    assert (np.abs(x[:-1] - plain) <= 0.01 * u).all()
    assert x[-1] == pytest.approx(50.0)
    assert scale == pytest.approx(plain_scale, rel=1e-3)
    np.testing.assert_allclose(np.sqrt(np.diag(covariance))[:-1], u, rtol=0.01)


@pytest.mark.parametrize("off", [-0.01, -0.004, 0.003, 0.01])
def test_frequency_is_that_of_a_fine_scan_by_plain_least_squares(off: float) -> None:
    t, v, i = wave(800, 50.0 * (1.0 + off), 2)
    x, covariance, _ = solve(t, v, i, 50.0, 0.25, 5, 0.0, 40)
    u = float(np.sqrt(covariance[-1, -1]))

    def cost(f: float) -> float:
        angles = 2.0 * np.pi * f * np.outer(t, np.arange(1, 6))
        design = np.column_stack([i, np.cos(angles), np.sin(angles)])
        return float(np.linalg.lstsq(design, v, rcond=None)[1][0])

    grid = np.linspace(49.4, 50.6, 1201)
    assert x[-1] == pytest.approx(grid[int(np.argmin([cost(f) for f in grid]))], abs=0.5 * u + 1e-3)
    assert x[-1] == pytest.approx(50.0 * (1.0 + off), abs=4.0 * u)
