"""Robust statistics against published worked examples and against what they are defined by."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from drm.robust import effective_tests, inliers, mad_sds, median, median_polish, studentized_maximum

PEERS = Path(__file__).resolve().parents[1] / "benchmarks" / "outlier_peers.py"
URANIUM = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
ROSNER = np.fromstring(
    """
    -0.25 0.68 0.94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65 1.69 1.70 1.76 1.77
    1.81 1.91 1.94 1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24 2.26 2.35 2.37 2.40 2.47 2.54 2.62 2.64
    2.90 2.92 2.92 2.93 3.21 3.26 3.30 3.59 3.68 4.30 4.64 5.34 5.42 6.01
    """,
    sep=" ",
)


@pytest.fixture(scope="module")
def peers():
    """The benchmark's own module, which stands outside the package."""
    spec = importlib.util.spec_from_file_location("outlier_peers", PEERS)
    module = importlib.util.module_from_spec(spec)
    sys.modules["outlier_peers"] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules["outlier_peers"]


def test_grubbs_on_the_eight_uranium_values(peers):
    # NIST/SEMATECH e-Handbook, 1.3.5.17.1: G and its one-sided critical value
    g, critical = peers.grubbs(URANIUM, alpha=0.05, sides=1)
    assert g == pytest.approx(2.468765, abs=5e-7)
    assert critical == pytest.approx(2.031652, abs=5e-7)


def test_generalized_esd_on_rosners_values(peers):
    # Rosner 1983; NIST/SEMATECH e-Handbook, 1.3.5.17.3
    found = peers.generalized_esd(ROSNER, most=10, alpha=0.05)
    np.testing.assert_allclose(found.r[:4], [3.118906, 2.942973, 3.179424, 2.810181], atol=5e-7)
    np.testing.assert_allclose(found.critical[:4], [3.158794, 3.151430, 3.143890, 3.136165], atol=5e-7)
    assert found.outliers.tolist() == [6.01, 5.42, 5.34]


def test_esd_with_one_outlier_allowed_is_grubbs_two_sided(peers):
    r, critical, _ = peers.generalized_esd(URANIUM, most=1)
    assert (r[0], critical[0]) == pytest.approx(tuple(peers.grubbs(URANIUM, sides=2)))


def test_modified_z_is_the_distance_from_the_median_over_its_median(peers):
    # Iglewicz & Hoaglin 1993: 0.6745 (x - median) / MAD, beyond 3.5 an outlier; here median 3 and MAD 1
    z = peers.modified_z(np.array([1.0, 2.0, 3.0, 4.0, 100.0]))
    np.testing.assert_allclose(z, 0.6745 * np.array([-2.0, -1.0, 0.0, 1.0, 97.0]))
    assert np.flatnonzero(np.abs(z) > 3.5).tolist() == [4]


def test_median_polish_of_the_parachuting_deaths():
    # Velleman & Hoaglin, ABC of EDA, 1981, p. 224 (from memory): sum of absolute residuals 19
    table = np.array([[14, 15, 14], [7, 4, 7], [8, 2, 10], [15, 9, 10], [0, 2, 0]], dtype=float)
    overall, row, column, residual = median_polish(table)
    assert overall == 8
    assert row.tolist() == [6, -1, 0, 2, -8]
    assert column.tolist() == [0, -1, 0]
    assert np.abs(residual).sum() == 19


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), rows=st.integers(3, 6), columns=st.integers(3, 8))
def test_median_polish_leaves_one_bad_cell_where_it_is(seed, rows, columns):
    rng = np.random.default_rng(seed)
    row, column = rng.normal(size=rows), rng.normal(size=columns)
    table = row[:, None] + column
    bad = rng.integers(rows), rng.integers(columns)
    table[bad] += 50.0
    expected = np.zeros(table.shape)
    expected[bad] = 50.0
    np.testing.assert_allclose(median_polish(table).residual, expected, atol=1e-9)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_median_polish_adds_up_to_the_table_also_where_cells_are_missing(seed):
    rng = np.random.default_rng(seed)
    table = rng.normal(size=(2, 4, 5))
    table[0, 1, 2] = table[1, 3, 0] = np.nan
    overall, row, column, residual = median_polish(table)
    whole = overall[:, None, None] + row[:, :, None] + column[:, None, :] + residual
    np.testing.assert_allclose(whole, table, atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(1, 9))
def test_the_median_passes_over_missing_values(seed, n):
    rng = np.random.default_rng(seed)
    values = rng.normal(size=(3, n))
    values[rng.random(size=values.shape) < 0.3] = np.nan
    for row, got in zip(values, median(values), strict=True):
        known = row[np.isfinite(row)]
        assert (known.size == 0 and np.isnan(got)) or got == pytest.approx(np.median(known))


def test_rows_are_treated_each_by_itself():
    rng = np.random.default_rng(1)
    table, sd = rng.normal(size=(30, 6)), rng.uniform(0.2, 1.0, size=30)
    table[3, 2] = 40.0
    each = [inliers(row, float(s)).tolist() for row, s in zip(table, sd, strict=True)]
    assert inliers(table, sd).tolist() == each
    assert mad_sds(table)[5] == pytest.approx(float(mad_sds(table[5])))


def test_tests_that_are_alike_count_once_and_unrelated_ones_all():
    assert effective_tests(np.ones((4, 4))) == pytest.approx(1.0)
    assert effective_tests(np.eye(4)) == pytest.approx(4.0)


@pytest.mark.parametrize("t", [0.5, 2.0, 4.0, 8.0])
@pytest.mark.parametrize("dof", [5.0, 21.0])
def test_the_maximum_of_one_is_students_t(t, dof):
    got = float(studentized_maximum(np.array(t), np.array(dof), 1))
    assert got == pytest.approx(2 * stats.t.sf(t, dof), rel=1e-6)


def test_the_maximum_with_a_known_scale_is_sidaks():
    # studentized maximum modulus, infinite degrees of freedom, three deviations: 2.388 at 5 % (tables, from memory)
    assert float(studentized_maximum(np.array(2.388), np.array(1e7), 3)) == pytest.approx(0.05, abs=2e-4)


def test_the_maximum_agrees_with_trials():
    rng = np.random.default_rng(7)
    scale = np.sqrt(rng.chisquare(10.0, size=200_000) / 10.0)
    worst = np.abs(rng.normal(size=(200_000, 6))).max(axis=1) / scale
    said = float(studentized_maximum(np.array(3.0), np.array(10.0), 6))
    # standard error of the rate 0.0005
    assert np.mean(worst > 3.0) == pytest.approx(said, abs=0.002)
