"""Compiled medians against NumPy's and SciPy's."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from drm.median import nanmedian, running_median

samples = arrays(np.float64, st.integers(5, 60), elements=st.floats(-1e6, 1e6))


@settings(deadline=None)
@given(a=samples, gaps=st.lists(st.integers(0, 59)))
def test_median_passes_over_what_is_missing(a, gaps):
    a = a.copy()
    a[[g for g in gaps if g < a.size]] = np.nan
    if np.isnan(a).all():
        assert np.isnan(nanmedian(a))
    else:
        assert nanmedian(a) == pytest.approx(float(np.nanmedian(a)))


@settings(deadline=None)
@given(a=samples, width=st.sampled_from([3, 5]))
def test_running_median_is_scipys(a, width):
    from scipy.ndimage import median_filter

    np.testing.assert_array_equal(running_median(a, width), median_filter(a, width))
