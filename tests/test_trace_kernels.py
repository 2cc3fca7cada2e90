"""The kernels of the traces' cleaning against plain NumPy and the wavelet library."""

from __future__ import annotations

import numpy as np
import pytest
import pywt
from hypothesis import given, settings
from hypothesis import strategies as st

from drm._trace_kernels import far_from_median, haar


@settings(max_examples=40, deadline=None)
@given(n=st.integers(1, 60), width=st.sampled_from([3, 5, 7]), seed=st.integers(0, 999))
def test_far_from_the_median_is_what_sorting_says(n: int, width: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.round(rng.standard_t(1.5, size=n), 1)
    x[rng.random(n) < 0.1] = np.nan
    least = np.full(n, 1.25)
    half = width // 2
    expected = []
    for k in range(n):
        near = x[max(0, k - half) : k + half + 1]
        near = np.sort(near[np.isfinite(near)])
        # Of an even number both middle values must be far on one side: then more than half of them are.
        middle = near[[(near.size - 1) // 2, near.size // 2]] if near.size else np.array([np.nan])
        expected.append(bool(np.isfinite(x[k]) and ((x[k] - middle > 1.25).all() or (middle - x[k] > 1.25).all())))
    assert far_from_median(x, least, width).tolist() == expected


@pytest.mark.parametrize("threshold", [0.0, 1.0, 4.0])
@pytest.mark.parametrize("levels", [1, 4, 8])
def test_haar_shrinkage_is_that_of_the_wavelet_library(levels: int, threshold: float) -> None:
    rng = np.random.default_rng(1)
    x = rng.normal(size=1024) + np.repeat(rng.normal(scale=5.0, size=16), 64)
    details = pywt.swt(x, "haar", level=levels, trim_approx=True)
    kept = [details[0], *(np.where(np.abs(d) >= threshold, d, 0.0) for d in details[1:])]
    np.testing.assert_allclose(haar(x, levels, threshold), pywt.iswt(kept, "haar"), atol=1e-10)
