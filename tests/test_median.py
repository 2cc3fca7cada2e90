"""Medians and percentiles against NumPy's and SciPy's."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

import drm.median
from drm.median import median, medians, nanmedian, percentiles, running_median

samples = arrays(np.float64, st.integers(5, 60), elements=st.floats(-1e6, 1e6))
# Many alike, as a recorder's steps make them.
steps = arrays(np.float64, st.integers(1, 200), elements=st.integers(-4, 4).map(float))
rng = np.random.default_rng(7)


@pytest.fixture(params=["few", "many"])
def size(request, monkeypatch):
    """Whether all samples are put in order, or some of them tell where to look."""
    if request.param == "many":
        monkeypatch.setattr(drm.median, "FEW", 9)
        monkeypatch.setattr(drm.median, "TELLING", 9)


@settings(deadline=None)
@given(a=samples, gaps=st.lists(st.integers(0, 59)))
def test_median_passes_over_what_is_missing(a, gaps):
    a = a.copy()
    a[[g for g in gaps if g < a.size]] = np.nan
    if np.isnan(a).all():
        assert np.isnan(nanmedian(a))
    else:
        assert nanmedian(a) == np.nanmedian(a)


@pytest.mark.usefixtures("size")
@pytest.mark.parametrize("made", [samples, steps], ids=["any", "steps"])
def test_median_and_percentiles_are_numpys_to_the_last_bit(made):
    @settings(deadline=None)
    @given(a=made, at=st.lists(st.floats(0.0, 100.0), min_size=1, max_size=3))
    def law(a, at):
        assert median(a) == np.median(a)
        assert list(percentiles(a, at)) == list(np.percentile(a, at))

    law()


@pytest.mark.parametrize(
    "x", [rng.normal(size=50_000), np.round(rng.normal(size=50_001)), np.sort(rng.normal(size=9_000))]
)
def test_long_records_too(x):
    assert median(x) == np.median(x)
    assert list(percentiles(x, [0.5, 25.0, 99.9])) == list(np.percentile(x, [0.5, 25.0, 99.9]))
    assert median(np.where(x == x.max(), np.inf, x)) == np.median(x)


@pytest.mark.parametrize("n", [1, 7, 50_000])
def test_one_missing_sample_leaves_no_median(n):
    x = rng.normal(size=n)
    x[n // 2] = np.nan
    assert np.isnan(median(x))
    assert np.isnan(percentiles(x, [50.0])[0])
    assert np.isnan(medians(np.stack([x, np.zeros(n)]))).tolist() == [True, False]


def test_nothing_has_no_median():
    assert np.isnan(median([]))
    assert np.isnan(nanmedian(np.array([np.nan])))


@given(a=arrays(np.float64, st.tuples(st.integers(1, 4), st.integers(1, 9)), elements=st.floats(-1e6, 1e6)))
def test_rows_have_medians_of_their_own(a):
    np.testing.assert_array_equal(medians(a), np.median(a, axis=1))


@settings(deadline=None)
@given(a=samples, width=st.sampled_from([3, 5]))
def test_running_median_is_scipys(a, width):
    from scipy.ndimage import median_filter

    np.testing.assert_array_equal(running_median(a, width), median_filter(a, width))
