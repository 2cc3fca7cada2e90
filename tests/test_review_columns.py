"""Columns of pixels: the least and the greatest of every column, whatever the range, down to single samples."""

from __future__ import annotations

import itertools
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drm.review.columns import edges_along, extremes


def plain(samples: np.ndarray, edges: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The same by the words of the definition."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a column of nothing but gaps
        parts = [samples[a:b] for a, b in itertools.pairwise(edges)]
        return np.array([np.nanmin(p) for p in parts]), np.array([np.nanmax(p) for p in parts])


@settings(deadline=None)
@given(
    size=st.integers(1, 3000),
    cuts=st.lists(st.integers(0, 3000), max_size=40),
    gaps=st.lists(st.tuples(st.integers(0, 3000), st.integers(1, 400)), max_size=5),
    seed=st.integers(0, 2**32 - 1),
)
def test_columns_are_what_their_definition_says(
    size: int, cuts: list[int], gaps: list[tuple[int, int]], seed: int
) -> None:
    samples = np.random.default_rng(seed).normal(size=size)
    for start, length in gaps:
        samples[start : start + length] = np.nan
    edges = np.unique(np.clip([0, *cuts, size], 0, size)).astype(np.intp)
    low, high = extremes(samples, edges)
    expected = plain(samples, edges)
    np.testing.assert_array_equal(low, expected[0])
    np.testing.assert_array_equal(high, expected[1])


@pytest.mark.parametrize("columns", [1, 7, 900, 1601])
def test_a_spike_of_one_sample_is_in_some_column_of_ten_million(columns: int) -> None:
    x = np.arange(10_000_000, dtype=float)
    samples = np.zeros(x.size)
    spikes = np.random.default_rng(5).choice(x.size, 20, replace=False)
    for spike in spikes:
        samples[spike] = 1.0
        low, high = extremes(samples, edges_along(x, x[0], x[-1], columns))
        assert high.max() == 1.0
        assert low.min() == 0.0
        samples[spike] = 0.0
        if columns == 1:
            break


@settings(deadline=None)
@given(
    low=st.floats(-10, 110),
    span=st.floats(1e-6, 200),
    columns=st.integers(1, 50),
    n=st.integers(1, 500),
    seed=st.integers(0, 99),
)
def test_every_sample_in_the_range_is_in_exactly_one_column(
    low: float, span: float, columns: int, n: int, seed: int
) -> None:
    # As over travel: many samples on one spot, none in between.
    x = np.sort(np.round(np.random.default_rng(seed).uniform(0, 100, n), 1))
    edges = edges_along(x, low, low + span, columns)
    assert np.all(np.diff(edges) > 0)
    inside = np.flatnonzero((x >= low) & (x <= low + span))
    if inside.size:
        assert edges[0] <= inside[0]
        assert inside[-1] < edges[-1]


def test_few_samples_are_each_a_column_of_their_own() -> None:
    x = np.arange(1000.0)
    edges = edges_along(x, 100.0, 140.0, 30)
    assert np.all(np.diff(edges) == 1)
    low, high = extremes(x, edges)
    np.testing.assert_array_equal(low, high)


def test_there_are_no_more_columns_than_were_asked_for() -> None:
    x = np.arange(128_000.0)
    assert edges_along(x, 0.0, x[-1], 300).size - 1 <= 301
