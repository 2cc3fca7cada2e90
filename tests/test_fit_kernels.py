"""The kernels of the commutation's fit against the same in plain NumPy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from drm import _fit_kernels as kernels
from drm._commutation_kernels import SHAPES, Window, evidence, innovations, share_at, summed
from drm._move_kernels import posterior, profile, ramp_search

FloatArray = NDArray[np.float64]
CLOSED, ARCING, AMPS, STEP, NOISE_V = 40e-6, 300e-6, 200.0, 50e-6, 0.5e-3
NOISE = NOISE_V / AMPS
seeds = st.integers(0, 10_000)


def zone(rng: np.random.Generator, *, n: int = 160, fluctuation: float = 0.1, apart: float = 0.05) -> FloatArray:
    """Resistance of an arcing zone with momentary part-separations and gaps, ohm."""
    r = ARCING * np.exp(fluctuation * rng.standard_normal(n)) + NOISE * rng.standard_normal(n)
    r[rng.random(n) < apart] *= rng.uniform(3.0, 100.0)
    r[rng.random(n) < 0.05] = np.nan
    return r


def parted(r: FloatArray, start: int, noise: float) -> NDArray[np.bool_]:
    """Part-separations and what lies beside them, in plain NumPy."""
    left = r[start:]
    log = np.sort(np.log(left[np.isfinite(left) & (left > 0.0)]))
    if log.size < 4:
        return np.zeros(r.size, dtype=bool)
    held = max(2, math.ceil(0.4 * log.size))
    widths = log[held - 1 :] - log[: log.size - held + 1]
    k = int(np.argmin(widths))
    level = math.exp(np.median(log[k : k + held]))
    limit = max(2.0 * level, level * math.exp(4.5 * min(widths[k] / 1.05, 0.33))) + 5.0 * noise
    for _ in range(8):
        below = log[log <= math.log(limit)]
        if below.size < 4:
            break
        own = min(np.median(below) - below[int(0.16 * (below.size - 1))], 0.33)
        level = math.exp(np.median(below))
        new = max(1.6 * level, level * math.exp(4.5 * own)) + 5.0 * noise
        if new >= limit:
            break
        limit = new
    far, shoulder = r > limit, r > 1.1 * level
    beside = far.copy()
    beside[1:] |= far[:-1] & shoulder[1:]
    beside[:-1] |= far[1:] & shoulder[:-1]
    return beside


@settings(deadline=None)
@given(seed=seeds, start=st.integers(0, 158), apart=st.sampled_from([0.0, 0.05, 0.5]))
def test_part_separations_are_those_of_the_twin(seed: int, start: int, apart: float) -> None:
    r = zone(np.random.default_rng(seed), apart=apart)
    np.testing.assert_array_equal(kernels.parted(r, start, NOISE), parted(r, start, NOISE))


def fluctuation(
    r: FloatArray, noise: float, scattered: float, step: float, lag_s: float, shared: float
) -> tuple[float, float, float]:
    good = r[np.isfinite(r)]
    level = float(np.median(good))
    total = (1.4826 * np.median(np.abs(good - level))) ** 2
    independent = 0.37 * good.size * (1.0 - shared**2) / (1.0 + shared**2)
    if total <= (1.0 + 4.0 * math.sqrt(2.0 / independent)) * scattered**2:
        return level, 0.0, step
    own = total - scattered**2
    lag = min(max(1, int(lag_s / step + 1e-6)), good.size // 2)
    apart = 0.5 * (1.4826 * np.nanmedian(np.abs(r[lag:] - r[:-lag]))) ** 2 - noise**2
    kept = min(max(1.0 - apart / own, 0.02), 0.999)
    return level, math.sqrt(own), min(max(-lag * step / math.log(kept), step), 0.3 * good.size * step)


@settings(deadline=None)
@given(seed=seeds, share=st.sampled_from([0.0, 0.02, 0.2]), lag_s=st.floats(1e-6, 1e-3), lag=st.floats(0.0, 0.9))
def test_fluctuation_is_that_of_the_twin(seed: int, share: float, lag_s: float, lag: float) -> None:
    r = zone(np.random.default_rng(seed), fluctuation=share, apart=0.0)
    ours = kernels.fluctuation(r, NOISE, 1.1 * NOISE, STEP, lag_s, lag)
    assert ours == pytest.approx(fluctuation(r, NOISE, 1.1 * NOISE, STEP, lag_s, lag), rel=1e-9)


@settings(deadline=None)
@given(seed=seeds, low=st.integers(0, 30), factor=st.integers(1, 9))
def test_means_of_neighbours_pass_over_gaps(seed: int, low: int, factor: int) -> None:
    r = zone(np.random.default_rng(seed))
    part = r[low:140][: (140 - low) // factor * factor].reshape(-1, factor)
    with np.errstate(invalid="ignore", divide="ignore"):
        expected = np.nansum(part, axis=1) / np.isfinite(part).sum(axis=1)
    np.testing.assert_allclose(kernels.thinned(r, low, 140, factor), expected, rtol=1e-12)


@settings(deadline=None)
@given(seed=seeds, spread=st.sampled_from([0.0, 30e-6]), start=st.integers(0, 157))
def test_what_is_known_from_elsewhere_is_that_of_the_twin(seed: int, spread: float, start: int) -> None:
    rng = np.random.default_rng(seed)
    i = AMPS * rng.uniform(0.9, 1.1, 160)
    v = i * zone(rng)
    last, memory, u, closed_scatter = 159, 0.3e-3, 1e-7, 2e-7
    mean, weight = kernels.priors(v, i, start, last, CLOSED, u, closed_scatter, ARCING, spread, memory, STEP, NOISE)
    # The moved share of a zone, a sense loop's inductance and the factor: common practice, no source.
    wanted = [CLOSED, ARCING, 0.0, math.log(0.07 * max((last - start) * STEP, 2.0 * STEP))]
    heavy = [1.0 / (u**2 + closed_scatter**2 + (1e-4 * CLOSED) ** 2), ARCING**-2, 1.5e-6**-2, math.log(2.5) ** -2]
    stop = 160 - (160 - start) // 10
    v, i = v[start:stop], i[start:stop]
    if v.size >= 4:
        middle = ARCING if np.isnan(v).all() else float(np.nanmedian(v / i))
        near = np.abs(v / i - middle) < 5.0 * math.hypot(spread, NOISE)
        if near.sum() >= 4:
            power = float(i[near] @ i[near])
            wanted[1] = float(v[near] @ i[near]) / power
            own = (NOISE * np.median(i[near])) ** 2 / power
            heavy[1] = 1.0 / (own + spread**2 / max(near.sum() * STEP / (2.0 * memory), 1.0))
    assert mean == pytest.approx(wanted, rel=1e-9)
    assert weight == pytest.approx(heavy, rel=1e-9)


def window(rng: np.random.Generator, *, spread: float, n: int = 66, duration: float = 0.5e-3) -> Window:
    t = (np.arange(n) - n // 2) * STEP + rng.uniform(0.0, STEP)
    h = np.clip(t / duration + 0.5, 0.0, 1.0)
    i = np.full(n, AMPS)
    v = i * (CLOSED + (ARCING - CLOSED + spread * rng.standard_normal(n)) * h) + NOISE_V * rng.standard_normal(n)
    use = rng.random(n) > 0.05
    v[~use] = np.nan
    prior = np.array([CLOSED, ARCING, 0.0, math.log(duration)])
    weight = np.array([1e15, 1e11, 1e12, 1.0])
    base2, ratio = np.full(n, NOISE_V**2), ARCING / CLOSED
    return Window(t, v, i, np.zeros(n), base2, use, ratio, spread, 0.3e-3, 0.0, prior, weight)


@settings(deadline=None, max_examples=30)
@given(seed=seeds, spread=st.sampled_from([0.0, 20e-6]))
def test_coarse_search_is_the_best_of_a_grid_tried_in_plain_numpy(seed: int, spread: float) -> None:
    w = window(np.random.default_rng(seed), spread=spread)
    middles, durations = np.linspace(-1e-3, 1e-3, 21), np.geomspace(50e-6, 1.5e-3, 7)

    def told(m: float, d: float) -> float:
        h = np.clip((w.t - m) / d + 0.5, 0.0, 1.0)
        scale2 = w.base2 + (9e-6 * h * w.i) ** 2
        z2 = np.square(w.v - w.i * (CLOSED + (ARCING - CLOSED) * h)) / scale2
        return float(np.nansum(np.where(w.use, -0.5 * np.log(scale2) - 2.0 * np.log1p(z2 / 3.0), 0.0)))

    m, d, best = ramp_search(w.t, w.v, w.i, CLOSED, ARCING, w.base2, 9e-6, middles, durations)
    assert best == pytest.approx(told(m, d), rel=1e-9)
    assert best == pytest.approx(max(told(x, y) for x in middles for y in durations), rel=1e-9)


@settings(deadline=None, max_examples=20)
@given(seed=seeds, spread=st.sampled_from([0.0, 20e-6]), shape=st.integers(0, SHAPES - 1))
def test_search_ends_where_no_neighbour_is_likelier(seed: int, spread: float, shape: int) -> None:
    w = window(np.random.default_rng(seed), spread=spread)
    sums, live = summed(w), np.arange(SHAPES) == shape
    out, level, var, beta, cov = np.zeros((SHAPES, 9)), np.empty(3), np.empty(3), np.empty(3), np.empty((3, 3))
    posterior(w, sums, 0.0, 0.5e-3, np.zeros(SHAPES), live, STEP, 0.3 * STEP, 3e-3, 1.0, out, level, var)
    m, d, u_m, u_d = out[shape, 0], math.exp(out[shape, 1]), math.sqrt(out[shape, 2]), math.sqrt(out[shape, 3])
    best = evidence(w, sums, m, d, shape, beta, cov)
    np.testing.assert_allclose(level, beta)
    for a, b in ((u_m, 0.0), (-u_m, 0.0), (0.0, u_d), (0.0, -u_d)):
        assert evidence(w, sums, m + a, d * math.exp(b), shape, beta, cov) < best + 0.05


def test_every_duration_has_its_likeliest_middle() -> None:
    """Against four hundred middles tried in turn. The likelihood is rugged: in nine of ten within half a unit or so."""
    durations, short = np.geomspace(0.1e-3, 2e-3, 8), []
    out, beta, cov = np.empty((SHAPES, 8, 3)), np.empty(3), np.empty((3, 3))
    for seed in range(30):
        w = window(np.random.default_rng(seed), spread=20e-6)
        sums = summed(w)
        profile(w, sums, 0.0, 0.5e-3, np.zeros(SHAPES), np.arange(SHAPES) == 0, STEP, durations, out)
        for d, (m, var, weight) in zip(durations, out[0], strict=True):
            best = evidence(w, sums, m, d, 0, beta, cov)
            assert weight == pytest.approx(best + 0.5 * math.log(var), abs=1e-6)
            short.append(max(evidence(w, sums, x, d, 0, beta, cov) for x in np.linspace(-1e-3, 1e-3, 401)) - best)
        assert (out[1:, :, 2] == -1e300).all()
    assert np.quantile(short, 0.9) < 0.75


def test_innovations_without_fluctuation_are_residuals_by_their_noise() -> None:
    w = window(np.random.default_rng(1), spread=0.0)
    z = np.empty(w.t.size)
    innovations(w, 10e-6, 0.4e-3, 1, np.array([CLOSED, ARCING, 0.0]), 4.5, z)
    h = np.array([share_at(1, (x - 10e-6) / 0.4e-3, w.ratio) for x in w.t])
    expected = np.where(w.use, (w.v - w.i * (CLOSED + (ARCING - CLOSED) * h)) / NOISE_V, 0.0)
    np.testing.assert_allclose(z, expected, atol=1e-9)


@settings(deadline=None)
@given(lag=st.floats(0.0, 0.7), many=st.integers(1, 12))
def test_what_neighbours_share_has_variance_and_long_run_of_a_first_order_noise(lag: float, many: int) -> None:
    """Covariances lag^|j - k| summed one by one; Box and Jenkins, *Time Series Analysis*, 1970 (from memory)."""
    index = np.arange(many)
    # Of a noise whose first differences are those of white noise of deviation one.
    whole = 1.0 / (1.0 - lag)
    mean = whole * np.mean(lag ** np.abs(index[:, None] - index[None, :]))
    shared2, memory, white2 = kernels.in_common(1.0, lag, many, STEP)
    assert shared2 + white2 == pytest.approx(mean, rel=0.003)
    kept = math.exp(-many * STEP / memory)
    # What means of ever more samples scatter by.
    endless = shared2 * (1.0 + kept) / (1.0 - kept) + white2 if shared2 else white2
    assert endless == pytest.approx(whole / many * (1.0 + lag) / (1.0 - lag), rel=0.02)


@settings(deadline=None)
@given(lag=st.floats(0.01, 0.8))
def test_correlation_of_neighbours_is_read_from_means_of_eight(lag: float) -> None:
    index = np.arange(8)
    ratio = 8.0 * np.mean(lag ** np.abs(index[:, None] - index[None, :])) / (1.0 - lag)
    assert kernels.lag_one(ratio, 8) == pytest.approx(lag, abs=1e-6)


def found(middle: float, duration: float) -> kernels.Found:
    x = 0.0
    return kernels.Found(True, middle, 10e-6, duration, 50e-6, x, CLOSED, 1e-7, ARCING, 1e-6, x, x, x, x, 0)


@settings(deadline=None)
@given(seed=seeds, middle=st.floats(3e-3, 5e-3), duration=st.floats(0.1e-3, 1e-3))
def test_passage_through_the_half_is_that_of_the_twin(seed: int, middle: float, duration: float) -> None:
    rng = np.random.default_rng(seed)
    time = np.arange(160) * STEP
    r = CLOSED + (zone(rng, apart=0.0) - CLOSED) * np.clip((time - 4e-3) / 0.5e-3 + 0.5, 0.0, 1.0)
    r += NOISE * rng.standard_normal(160)
    after = r[(time >= middle + 0.5 * duration) & (time < middle + 0.5 * duration + 1e-3)]
    level = float(np.nanmedian(after)) if np.isfinite(after).sum() >= 5 else ARCING
    half = 0.5 * (CLOSED + level)
    reach = 0.5 * duration + max(0.5 * duration, 30e-6)
    low, high = np.searchsorted(time, [middle - reach, middle + reach])
    index = np.arange(max(low - 2, 0), min(high + 2, 160))
    index = index[np.isfinite(r[index])]
    a, b = index[:-1], index[1:]
    up = (r[a] < half) & (r[b] >= half)
    crossings = (time[a] + (half - r[a]) / (r[b] - r[a]) * (time[b] - time[a]))[up]
    ours = kernels.passage(time, r, found(middle, duration), 1e-3)
    if crossings.size:
        assert ours == pytest.approx(crossings[np.argmin(np.abs(crossings - middle))], rel=1e-12)
    else:
        assert math.isnan(ours)


@settings(deadline=None)
@given(seed=seeds, noise=st.sampled_from([NOISE, 10.0 * NOISE, 40.0 * NOISE]))
def test_where_a_contact_still_reads_closed_is_that_of_the_twin(seed: int, noise: float) -> None:
    w = window(np.random.default_rng(seed), spread=30e-6)
    w = w._replace(base2=np.full(w.t.size, (noise * AMPS) ** 2))
    limit, jump = 4.0 * np.sqrt(w.base2) + 0.02 * CLOSED * w.i, (ARCING - CLOSED) * w.i
    reads = w.use & (np.abs(w.v - CLOSED * w.i) < limit) & (limit < 0.25 * jump)
    used, wanted, told = np.flatnonzero(w.use), -math.inf, -1
    for k, at in enumerate(used):
        row = next((n for n in range(k + 1) if not reads[used[k - n]]), k + 1)
        others = int((~reads[used[told + 1 : k + 1]]).sum())
        if row >= 4 or (row > 0 and others <= row and limit[at] < 0.05 * jump[at]):
            wanted, told = float(w.t[at]), k
    near, last = kernels.reads_closed(w, CLOSED, ARCING)
    assert last == wanted
    np.testing.assert_array_equal(near, reads)
