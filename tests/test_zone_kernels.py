"""The kernels beside the fit of the move against the same in plain NumPy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from drm import _zone_kernels as kernels
from drm.resistance import without_loop

FloatArray = NDArray[np.float64]
STEP, AMPS = 50e-6, 200.0
seeds = st.integers(0, 10_000)


def samples(seed: int, n: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """V, A, A/s of a contact whose current falls, with gaps."""
    rng = np.random.default_rng(seed)
    amps, rate = AMPS * np.linspace(1.0, 0.1, n), np.where(rng.random(n) < 0.3, 1e5 * rng.standard_normal(n), 0.0)
    volts = amps * rng.uniform(30e-6, 300e-6, n)
    volts[rng.random(n) < 0.1] = np.nan
    return volts, amps, rate


@settings(deadline=None)
@given(ohm=st.floats(1e-6, 1e-2), loop=st.floats(1e-4, 1e-2))
def test_contact_beside_a_loop_is_that_of_the_arrays(ohm: float, loop: float) -> None:
    assert kernels.own(ohm, loop) == pytest.approx(float(without_loop(np.array([ohm]), loop)[0]), nan_ok=True)
    assert kernels.own(ohm, math.inf) == ohm


@settings(deadline=None)
@given(
    seed=seeds,
    n=st.integers(1, 200),
    split=st.integers(0, 199),
    henry=st.sampled_from([0.0, 1e-6]),
    loop=st.sampled_from([math.inf, 2e-3]),
)
def test_levels_near_the_move_are_those_of_the_twin(seed: int, n: int, split: int, henry: float, loop: float) -> None:
    volts, amps, rate = samples(seed, n)
    cut = n - 1
    near = kernels.near_move(volts, amps, rate, henry, loop, AMPS, split, cut, 1.5e-3, STEP)
    ohm = without_loop(np.where(amps > 0.3 * AMPS, (volts - henry * rate) / amps, np.nan), loop)
    np.testing.assert_allclose(near.ohm, ohm, rtol=1e-12)
    np.testing.assert_allclose(near.volts, ohm * amps + henry * rate, rtol=1e-12)

    def median(x: FloatArray) -> float:
        return float(np.median(x[np.isfinite(x)])) if np.isfinite(x).any() else math.nan

    assert near.arcing == pytest.approx(median(ohm[split:]), nan_ok=True)
    assert near.arcing_v == pytest.approx(median((ohm * amps)[split:]), nan_ok=True)
    # 1.5 ms are 30 samples, 6.5 ms 130.
    before = ohm[max(0, split - 130) : max(8, split - 30)]
    spread = 1.4826 * median(np.abs(before - median(before)))
    assert near.scatter == pytest.approx(spread if math.isfinite(spread) else 0.0)


@settings(deadline=None)
@given(seed=seeds, n=st.integers(1, 200), over=st.floats(-1e-3, 12e-3), moving=st.sampled_from([1e6, 1e9, 1e12]))
def test_what_lies_beyond_the_move_is_that_of_the_twin(seed: int, n: int, over: float, moving: float) -> None:
    volts, amps, rate = samples(seed, n)
    time, ohm, cut = np.arange(n) * STEP, volts / amps, n - 1
    begin = over - 0.4e-3
    found = kernels.after_move(time, ohm, rate, amps, cut, begin, over, 250e-6, 300e-6, moving, n // 4, n // 2, 60e-6)
    good = np.isfinite(ohm)
    after = ohm[(time > over) & good]
    level = float(np.median(after)) if after.size else 250e-6
    assert (found.rests, found.level) == (after.size, pytest.approx(level))
    moves = np.abs(rate) > moving * min(level, 300e-6)
    assert found.steady == (int(((time > over) & ~moves).sum()) if moves.any() else after.size)
    part = slice(n // 4, n // 2)
    assert (found.below, found.many) == (int((ohm[part][good[part]] < 60e-6).sum()), int(good[part].sum()))
    middle = np.median(sliding_window_view(amps[: n // 2], 3), axis=1) if n >= 6 else np.empty(0)
    inside = (time[1 : middle.size + 1] >= begin - 0.6e-3) & (time[1 : middle.size + 1] <= over + 0.6e-3)
    told = middle[inside & np.isfinite(middle)]
    astray = float(np.ptp(told)) - abs(float(told[-1] - told[0])) if told.size >= 5 else 0.0
    assert found.astray == pytest.approx(astray)


@settings(deadline=None, max_examples=20)
@given(seed=seeds, parting=st.integers(800, 900))
def test_a_closing_is_looked_at_as_an_opening_told_backwards(seed: int, parting: int) -> None:
    rng = np.random.default_rng(seed)
    time, k = np.arange(1200) * STEP, np.arange(1200)
    i = np.where(k <= parting, AMPS, 0.0) + 1e-3 * rng.standard_normal(k.size)
    v = np.where(k <= parting, np.where(k > parting - 60, 300e-6, 40e-6) * AMPS, 10.0) + 1e-3 * rng.standard_normal(
        1200
    )
    still = (time[:400], v[:400], i[:400])
    one = kernels.look(time, v, i, *still, True, AMPS, 1e-3, 10.0, 1.1, STEP, 1199)
    back = [np.ascontiguousarray(x[::-1]) for x in (v, i)]
    other = kernels.look(time, *back, *still, False, AMPS, 1e-3, 10.0, 1.1, STEP, 1199)
    assert (one.last, one.split, one.first) == (other.last, other.split, other.first)
    assert one.last == parting
    np.testing.assert_allclose(one.near.ohm, other.near.ohm)
    np.testing.assert_allclose(other.onward, -time[::-1][one.first : one.last + 1])
    assert math.isnan(one.touch)
    assert other.touch == pytest.approx(time[-1] - (parting + 0.5) * STEP, abs=0.6 * STEP)


def test_nothing_beyond_the_limit_is_read() -> None:
    time, i = np.arange(1000) * STEP, np.full(1000, AMPS)
    v = np.where(np.arange(1000) > 700, 300e-6, 40e-6) * AMPS
    v[900:] = 10.0
    still = (time[:400], v[:400], i[:400])
    found = kernels.look(time, v, i, *still, True, AMPS, 1e-4, 10.0, 1.1, STEP, 650)
    assert (found.last, found.cut) == (899, 650)
    assert found.split == 651  # no arcing state up to there
