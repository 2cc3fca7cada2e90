"""The kernels of the search for the arcing state against the same in plain NumPy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from drm import _change_kernels as kernels

FloatArray = NDArray[np.float64]
CLOSED, ARCING, AMPS = 40e-6, 300e-6, 200.0
seeds = st.integers(0, 10_000)


def record(rng: np.random.Generator, *, n: int, at: int, noise_v: float = 0.5e-3) -> tuple[FloatArray, FloatArray]:
    """Volts and amperes with gaps; the arcing state begins at `at`."""
    i = AMPS * rng.uniform(0.98, 1.02, n)
    r = np.where(np.arange(n) < at, CLOSED, ARCING * np.exp(0.2 * rng.standard_normal(n)))
    v = i * r + noise_v * rng.standard_normal(n)
    v[rng.random(n) < 0.02] = np.nan
    return v, i


def split(v: FloatArray, i: FloatArray, closed: float, level: float, sigma: float) -> tuple[int, float]:
    """Student's t with three degrees of freedom against one with one, summed from the end, in plain NumPy."""
    narrow2, wide2 = sigma**2 + (0.1 * closed * i) ** 2, sigma**2 + (0.25 * level * i) ** 2
    stay = -0.5 * np.log(narrow2) - 2.0 * np.log1p((v - closed * i) ** 2 / (3.0 * narrow2))
    leave = -0.5 * np.log(wide2) - np.log1p((v - level * i) ** 2 / wide2)
    total = np.cumsum(np.where(np.isnan(v), 0.0, stay - leave)[::-1])[::-1]
    k = total.size - 1 - int(np.argmin(total[::-1]))
    return (k, float(total[k])) if total[k] < 0.0 else (v.size, 0.0)


@settings(deadline=None)
@given(
    seed=seeds,
    n=st.integers(5, 400),
    share=st.floats(0.0, 1.0),
    scale=st.sampled_from([1e-3, 1.0, 1e3]),
    sigma=st.sampled_from([1e-6, 0.5e-3]),
)
def test_most_likely_split_is_that_of_the_sums_of_logarithms(
    seed: int, n: int, share: float, scale: float, sigma: float
) -> None:
    """At a noise of a thousandth of the real one the product has to be taken down many times on its way."""
    v, i = record(np.random.default_rng(seed), n=n, at=int(share * n))
    at, gain = kernels.split(scale * v, i, scale * CLOSED, scale * ARCING, scale * sigma)
    wanted, total = split(scale * v, i, scale * CLOSED, scale * ARCING, scale * sigma)
    assert at == wanted
    assert gain == pytest.approx(total, rel=1e-9, abs=1e-9)


@settings(deadline=None)
@given(seed=seeds, n=st.integers(5, 200), size=st.integers(1, 9))
def test_means_of_blocks_leave_gaps_out(seed: int, n: int, size: int) -> None:
    v, i = record(np.random.default_rng(seed), n=n, at=n // 2)
    volts, amps = kernels.means(v, i, n, size, np.inf)
    for b in range(volts.size):
        block, beside = v[b * size : (b + 1) * size], i[b * size : (b + 1) * size]
        good = np.isfinite(block)
        if good.any():
            assert volts[b] == pytest.approx(block[good].mean())
            assert amps[b] == pytest.approx(beside[good].mean())
        else:
            assert np.isnan(volts[b])


@settings(deadline=None, max_examples=30)
@given(seed=seeds, n=st.sampled_from([3000, 9000, 40_000]), share=st.floats(0.6, 0.95))
def test_arcing_state_begins_where_it_was_put(seed: int, n: int, share: float) -> None:
    """A level seven times the closed one is told from it in one sample but by chance in a few."""
    at = int(share * n)
    v, i = record(np.random.default_rng(seed), n=n, at=at)
    assert abs(kernels.arcing_from(v, i, CLOSED, 0.5e-3, n - 1, 1.1) - at) <= 5


def test_no_arcing_state_is_found_on_a_closed_contact() -> None:
    v, i = record(np.random.default_rng(3), n=9000, at=9000)
    assert kernels.arcing_from(v, i, CLOSED, 0.5e-3, 8999, 1.1) == 9000


@settings(deadline=None, max_examples=30)
@given(seed=seeds, n=st.sampled_from([300, 9000]), noise=st.sampled_from([0.5e-3, 5e-3]))
def test_a_bounce_is_no_arcing_state(seed: int, n: int, noise: float) -> None:
    """Above 1.1 V no metal touches (Holm): what is read there, however far, is not the arcing contact's resistance."""
    rng, at = np.random.default_rng(seed), int(0.8 * n)
    v, i = record(rng, n=n, at=at, noise_v=noise)
    v[-12:-2] = rng.uniform(5.0, 30.0, 10)
    assert abs(kernels.arcing_from(v, i, CLOSED, noise, n - 1, 1.1) - at) <= 5
