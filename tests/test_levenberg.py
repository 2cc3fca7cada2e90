"""Robust curve fitting against scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from drm.levenberg import fit_curve


@pytest.mark.parametrize("seed", range(12))
def test_the_minimum_and_its_covariance_are_scipys(seed: int) -> None:
    # A coil's rise: level, start, rate, slope, with a few samples far off.
    rng = np.random.default_rng(seed)
    t = np.linspace(-1.0, 1.0, 200)
    true = np.array([0.1 * rng.normal(), rng.uniform(0.3, 2.0), 1.0, 0.2 * rng.normal()])

    def curve(p: np.ndarray) -> np.ndarray:
        dt = np.maximum(t - p[0], 0.0)
        return p[3] + p[2] * -np.expm1(-p[1] * dt) / p[1]

    y = curve(true) + rng.normal(scale=0.02, size=t.size)
    y[::40] += 0.5

    def residual(p: np.ndarray) -> np.ndarray:
        return (curve(p) - y) / 0.02

    low, high = np.array([-np.inf, 1e-3, 0.0, -np.inf]), np.array([np.inf, 20.0, np.inf, np.inf])
    start = true + np.array([0.1, 0.3, 0.2, 0.1])
    x, jacobian = fit_curve(residual, start, low=low, high=high, soft=3.0)
    other = least_squares(residual, start, loss="soft_l1", f_scale=3.0, bounds=(low, high), xtol=1e-12, ftol=1e-12)
    u = np.sqrt(np.diag(np.linalg.inv(other.jac.T @ other.jac)))
    assert (np.abs(x - other.x) <= 1e-2 * u).all()
    np.testing.assert_allclose(np.sqrt(np.diag(np.linalg.inv(jacobian.T @ jacobian))), u, rtol=1e-2)


def test_an_unknown_stays_at_its_bound() -> None:
    t = np.linspace(0.0, 1.0, 50)
    x, _ = fit_curve(
        lambda p: p[0] * t + p[1] - (2.0 - t), np.array([1.0, 0.5]), low=np.array([0.0, -9.0]),
        high=np.array([9.0, 9.0]), soft=3.0,
    )  # fmt: skip
    assert x[0] == 0.0
    assert x[1] == pytest.approx(np.mean(2.0 - t), abs=0.01)
