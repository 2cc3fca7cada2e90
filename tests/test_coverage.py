"""Half width of the stated intervals where an error is uniform: against distributions propagated as JCGM 101 has it."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drm.breaker import Limit
from drm.coverage import NORMAL, expanded, factor, factor_of, told
from drm.rules.limits import judge

N = 400_000


def draws(ends: int, normal: float) -> np.ndarray:
    """Sum of `ends` uniform errors of width 1 and a normal one of `normal` times a uniform's standard deviation."""
    rng = np.random.default_rng(ends)
    uniform = rng.uniform(-0.5, 0.5, (ends, N)).sum(axis=0)
    return uniform + normal / math.sqrt(12.0) * rng.standard_normal(N)


@pytest.mark.parametrize("ends", [1, 2])
@pytest.mark.parametrize("normal", [0.0, 0.2, 0.4, 0.7, 1.0, 2.0])
def test_the_interval_holds_95_percent_of_what_it_is_said_of(ends, normal):
    u = math.sqrt((ends + normal**2) / 12.0)
    share = np.mean(np.abs(draws(ends, normal)) <= factor(u, 1.0, ends=ends) * u)
    assert 0.948 <= share <= 0.958


def test_a_uniform_error_alone_has_the_factor_of_the_handbooks():
    # EA-4/02, S9.14 (from memory): k = 1.65 for a rectangular distribution at 95 %; exactly 0.95 sqrt(3) = 1.645.
    assert factor(1.0 / math.sqrt(12.0), 1.0) == pytest.approx(1.65, abs=0.005)


def test_the_difference_of_two_uniform_errors_has_a_triangles_factor():
    # JCGM 100, 4.3.9: the triangle's variance is a^2 / 6; 95 % lie within a (1 - sqrt(0.05)).
    exact = math.sqrt(6.0) * (1.0 - math.sqrt(0.05))
    assert factor(math.sqrt(2.0 / 12.0), 1.0, ends=2) == pytest.approx(exact, abs=0.01)


@given(st.floats(1e-6, 1e3), st.floats(0.0, 1e3), st.sampled_from([1, 2]))
def test_a_factor_lies_between_the_uniform_and_the_normal(u, width, ends):
    assert 1.65 - 1e-9 <= factor(u, width, ends=ends) <= NORMAL


@given(st.floats(1e-3, 1e3), st.floats(1e-3, 1e3), st.floats(1e-3, 1e3))
def test_a_factor_does_not_depend_on_the_unit(u, width, unit):
    assert factor(u, width) == pytest.approx(factor(unit * u, unit * width))


def test_an_instant_of_a_state_is_told_with_less_than_twice_its_uncertainty():
    row = {"auxiliary_a_ms": 40.0, "auxiliary_a_ms_u": 0.1 / math.sqrt(12.0), "sample_ms": 0.1}
    assert expanded(row, "auxiliary_a_ms") == pytest.approx(1.65 * 0.1 / math.sqrt(12.0))
    assert told(row, "auxiliary_a_ms") == "40.000 ± 0.048"


def test_an_arcing_contacts_instant_has_the_delays_uniform_error_besides_its_own():
    # Two uniform errors of a sample each: a triangle (JCGM 100, 4.3.9).
    row = {"arcing_contact_ms": 40.0, "arcing_contact_ms_u": 0.1 * math.sqrt(2.0 / 12.0), "sample_ms": 0.1}
    assert factor_of(row, "arcing_contact_ms") == pytest.approx(math.sqrt(6.0) * (1.0 - math.sqrt(0.05)), abs=0.01)


def test_an_instant_whose_reference_is_far_less_known_is_normal():
    row = {"auxiliary_a_ms": 40.0, "auxiliary_a_ms_u": 0.3, "sample_ms": 0.1}
    assert factor_of(row, "auxiliary_a_ms") == pytest.approx(NORMAL, abs=1e-3)


@pytest.mark.parametrize("row", [{"stroke_mm_u": 0.1, "sample_ms": 0.1}, {"stroke_mm_u": 0.1}])
def test_other_figures_keep_the_factor_of_a_normal_error(row):
    assert factor_of(row, "stroke_mm") == NORMAL


def test_without_an_uncertainty_there_is_no_interval():
    assert math.isnan(
        expanded({"auxiliary_a_ms": 1.0, "auxiliary_a_ms_u": math.nan, "sample_ms": 0.1}, "auxiliary_a_ms")
    )
    assert pd.isna(expanded({}, "stroke_mm"))


def test_a_limit_is_judged_by_the_interval_that_is_told():
    u = 0.1 / math.sqrt(12.0)
    # 0.055 ms from the limit: more than 1.65 u, less than 2 u.
    assert judge(45.055, u, Limit(max=45.0), k=factor(u, 0.1)) == ("outside", 45.0)
    assert judge(45.055, u, Limit(max=45.0)) == ("straddling", 45.0)
