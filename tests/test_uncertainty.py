"""The law of propagation and the Monte Carlo method against the worked examples of JCGM 100 and JCGM 101."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from drm import monte_carlo
from drm.quantity import Quantity
from drm.uncertainty import (
    combined,
    correlation,
    covariance,
    covariance_matrix,
    coverage_factor,
    effective_dof,
    jacobian,
    propagate,
    with_correlation,
)

FloatArray = NDArray[np.float64]
REAL = st.floats(-5.0, 5.0)

#: JCGM 100:2008, table H.2: V in volts, I in milliamperes, phi in radians.
H2 = np.array(
    [
        [5.007, 19.663, 1.0456],
        [4.994, 19.639, 1.0438],
        [5.005, 19.640, 1.0468],
        [4.990, 19.685, 1.0428],
        [4.999, 19.678, 1.0433],
    ]
)


def gauge(x: FloatArray) -> FloatArray:
    """JCGM 100, H.1: l_s + d - l_s (d_alpha theta + alpha_s d_theta), nm and degrees."""
    standard, difference, d_alpha, theta, alpha, d_theta = x
    return np.asarray(standard + difference - standard * (d_alpha * theta + alpha * d_theta))


# JCGM 100:2008, H.1: standard, comparison, expansion coefficients' difference, temperature, coefficient, difference.
H1 = np.array([50_000_623.0, 215.0, 0.0, -0.1, 11.5e-6, 0.0])
H1_U = np.array([25.0, 9.7, 0.58e-6, 0.41, 1.2e-6, 0.029])
H1_DOF = (18.0, 25.6, 50.0, math.inf, math.inf, 2.0)


def impedance(x: FloatArray) -> FloatArray:
    volt, milliampere, phase = x
    size = volt / (milliampere * 1e-3)
    return np.array([size * math.cos(phase), size * math.sin(phase), size])


def test_gauge_block_has_the_published_uncertainty_and_degrees_of_freedom() -> None:
    got = propagate(gauge, H1, H1_U)
    assert got.values[0] - 50e6 == pytest.approx(838.0)
    assert got.u[0] == pytest.approx(32.0, abs=0.5)
    parts = jacobian(gauge, H1, H1_U)[0] * H1_U
    dof = effective_dof(zip(parts.tolist(), H1_DOF, strict=True))
    assert math.floor(dof) == 16
    assert coverage_factor(0.99, dof) == pytest.approx(2.92, abs=0.005)
    assert coverage_factor(0.99, dof) * got.u[0] == pytest.approx(93.0, abs=0.5)


def test_resistance_and_reactance_measured_together_agree_with_h2() -> None:
    # JCGM 100:2008, H.2: tables H.3 and H.4.
    matrix = np.cov(H2.T) / len(H2)
    inputs = matrix / np.outer(*2 * [np.sqrt(np.diag(matrix))])
    assert [inputs[0, 1], inputs[0, 2], inputs[1, 2]] == pytest.approx([-0.36, 0.86, -0.65], abs=0.005)
    got = propagate(impedance, H2.mean(axis=0), matrix)
    np.testing.assert_allclose(got.values, [127.732, 219.847, 254.260], atol=5e-4)
    np.testing.assert_allclose(got.u, [0.071, 0.295, 0.236], atol=6e-4)
    r = got.correlation
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=6e-4)


def test_derivatives_in_closed_form_and_by_differences_agree() -> None:
    at, matrix = H2.mean(axis=0), np.cov(H2.T) / len(H2)
    r, x, z = impedance(at)
    exact = [[r / at[0], -r / at[1], -x], [x / at[0], -x / at[1], r], [z / at[0], -z / at[1], 0.0]]
    by_hand = propagate(impedance, at, matrix, derivatives=exact)
    np.testing.assert_allclose(by_hand.covariance, propagate(impedance, at, matrix).covariance, rtol=1e-4)


def test_an_input_without_uncertainty_adds_none() -> None:
    got = propagate(lambda x: x[0] * x[1], [3.0, 4.0], [0.1, 0.0])
    assert got.u[0] == pytest.approx(0.4)


def test_correlation_of_one_makes_a_difference_certain() -> None:
    matrix = with_correlation([0.3, 0.3], [[1.0, 1.0], [1.0, 1.0]])
    assert propagate(lambda x: x[1] - x[0], [1.0, 2.0], matrix).u[0] == pytest.approx(0.0, abs=1e-9)


@given(st.lists(st.floats(0.01, 5.0), min_size=2, max_size=5), st.integers(1, 50))
def test_degrees_of_freedom_lie_between_the_least_and_the_sum(parts: list[float], dof: int) -> None:
    # JCGM 100, G.4.1.
    got = effective_dof((p, float(dof)) for p in parts)
    assert dof * (1 - 1e-9) <= got <= len(parts) * dof * (1 + 1e-9)


@pytest.mark.parametrize(
    ("coverage", "dof", "factor"),
    # JCGM 100, table G.2.
    [(0.95, 1.0, 12.71), (0.95, 10.0, 2.23), (0.99, 16.9, 2.92), (0.95, math.inf, 1.960), (0.6827, 5.0, 1.11)],
)
def test_coverage_factor_is_students_t(coverage: float, dof: float, factor: float) -> None:
    assert coverage_factor(coverage, dof) == pytest.approx(factor, abs=0.006)


def test_no_known_spread_gives_infinite_degrees_of_freedom() -> None:
    assert effective_dof([(1.0, math.inf), (2.0, math.inf)]) == math.inf


@given(REAL, REAL, REAL, REAL)
def test_shared_sources_are_the_law_of_propagation_with_names(a: float, b: float, c: float, d: float) -> None:
    one, two = combined(1.0, {"scale": a, "clock": b}), combined(2.0, {"clock": c, "offset": d})
    sources = np.array([[a, b, 0.0], [0.0, c, d]])
    np.testing.assert_allclose(covariance_matrix([one, two]), sources @ sources.T, atol=1e-12)
    assert one.u**2 == pytest.approx(covariance(one, one), abs=1e-12)


def test_values_without_a_common_source_are_uncorrelated() -> None:
    assert correlation(combined(1.0, {"a": 1.0}), combined(2.0, {"b": 1.0})) == 0.0
    assert math.isnan(correlation(combined(1.0, {"a": 1.0}), Quantity(1.0, 0.0)))


def test_four_normals_add_to_the_published_interval() -> None:
    # JCGM 101:2008, 9.2.2.
    rng = np.random.default_rng(1)
    got = monte_carlo.simulate(lambda r, n: r.normal(size=(n, 4)).sum(axis=1), rng=rng, digits=3, most=10_000_000)
    assert got.stable
    assert got.u == pytest.approx(2.0, abs=0.01)
    assert [got.low, got.high] == pytest.approx([-3.92, 3.92], abs=0.01)


def test_four_rectangulars_add_to_the_published_interval() -> None:
    # JCGM 101:2008, 9.2.3: shorter than four normals of the same standard uncertainty give.
    half = math.sqrt(3.0)
    got = monte_carlo.simulate(
        lambda r, n: r.uniform(-half, half, (n, 4)).sum(axis=1), rng=np.random.default_rng(2), digits=3
    )
    assert got.u == pytest.approx(2.0, abs=0.01)
    assert [got.low, got.high] == pytest.approx([-3.88, 3.88], abs=0.01)


def test_gauge_block_by_monte_carlo_is_wider_than_by_the_linear_law() -> None:
    # JCGM 101:2008, 9.5 (distributions and result from memory): 838 nm, u 36 nm, 99 % from 745 to 932 nm.
    def trapezoid(rng: np.random.Generator, n: int, half: float, blur: float) -> FloatArray:
        low = -half - blur + 2.0 * blur * rng.random(n)
        return np.asarray(low + (-2.0 * low) * rng.random(n))

    def draw(rng: np.random.Generator, n: int) -> FloatArray:
        standard = 50_000_623.0 + 25.0 * rng.standard_t(18, n)
        difference = 215.0 + 6.0 * rng.standard_t(24, n) + 4.0 * rng.standard_t(5, n) + 7.0 * rng.standard_t(8, n)
        alpha = rng.uniform(9.5e-6, 13.5e-6, n)
        theta = rng.normal(-0.1, 0.2, n) + 0.5 * np.sin(2.0 * np.pi * rng.random(n))
        bent = trapezoid(rng, n, 1.0e-6, 0.1e-6) * theta + alpha * trapezoid(rng, n, 0.05, 0.025)
        return np.asarray(standard + difference - standard * bent - 50e6)

    got = monte_carlo.simulate(draw, rng=np.random.default_rng(3), coverage=0.99, most=1_000_000)
    assert got.value == pytest.approx(838.0, abs=0.5)
    assert got.u == pytest.approx(36.0, abs=0.5)
    assert [got.low, got.high] == pytest.approx([745.0, 932.0], abs=2.0)
    assert got.u > propagate(gauge, H1, H1_U).u[0]


def test_shortest_interval_of_a_skewed_distribution_begins_at_its_mode() -> None:
    # Exponential: shortest 95 % interval [0, -ln 0.05], symmetric [-ln 0.975, -ln 0.025], in closed form.
    y = np.random.default_rng(4).exponential(size=200_000)
    assert monte_carlo.coverage_interval(y, shortest=True) == pytest.approx((0.0, -math.log(0.05)), abs=0.03)
    assert monte_carlo.coverage_interval(y) == pytest.approx((-math.log(0.975), -math.log(0.025)), abs=0.05)


@given(st.integers(20, 500), st.floats(0.5, 0.99), st.booleans())
def test_interval_holds_the_share_it_says(n: int, coverage: float, shortest: bool) -> None:
    y = np.random.default_rng(n).normal(size=n)
    low, high = monte_carlo.coverage_interval(y, coverage=coverage, shortest=shortest)
    assert np.mean((y >= low) & (y <= high)) >= min(1.0, coverage) - 1.0 / n


def test_drawing_ends_when_the_figures_stand_and_says_when_they_do_not() -> None:
    few = monte_carlo.simulate(lambda r, n: r.normal(size=n), rng=np.random.default_rng(5), digits=1)
    many = monte_carlo.simulate(lambda r, n: r.normal(size=n), rng=np.random.default_rng(5), digits=3, most=150_000)
    assert few.stable
    assert not many.stable
    assert few.draws < many.draws <= 150_000
