"""The speed's kernel against scipy's filter of Savitzky and Golay."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import savgol_filter

from drm._travel_kernels import window_slope


@settings(max_examples=30, deadline=None)
@given(half=st.integers(2, 40), more=st.integers(0, 200), seed=st.integers(0, 999))
def test_slope_is_that_of_a_quadratic_in_the_window(half: int, more: int, seed: int) -> None:
    x = np.cumsum(np.random.default_rng(seed).normal(size=2 * half + 1 + more))
    np.testing.assert_allclose(window_slope(x, half), savgol_filter(x, 2 * half + 1, 2, deriv=1), atol=1e-9)


def test_rounding_does_not_add_up_along_a_long_record() -> None:
    x = 1e3 + np.cumsum(np.random.default_rng(1).normal(size=200_000))
    np.testing.assert_allclose(window_slope(x, 3), savgol_filter(x, 7, 2, deriv=1), atol=1e-11 * np.abs(x).max())
