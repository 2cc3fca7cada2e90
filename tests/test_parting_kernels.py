"""The kernels of the parted state and of the first touch against the same in plain NumPy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from drm import _parting_kernels as kernels

FloatArray = NDArray[np.float64]
STEP, AMPS, METALLIC = 50e-6, 200.0, 1.1
seeds = st.integers(0, 10_000)


def spread(samples: FloatArray, about: float) -> float:
    return float(np.nanmedian(np.abs(samples - about)))


def departure(time: FloatArray, samples: FloatArray, last: int) -> float:
    """A line through the two samples before the first that lies at the level, on arrays turned round."""
    beside = samples[last + 4 : last + 44]
    if np.isfinite(beside).sum() < 8:
        beside = samples[last + 1 : last + 2001]
    level = float(np.nanmedian(beside))
    off = np.sort(np.abs(beside[np.isfinite(beside)] - level))
    width = max(6.0 * 1.4826 * spread(beside, level), 1e-3 * abs(level), 3.0 * float(off[9 * off.size // 10]))
    quiet = np.abs(samples[last + 1 : min(samples.size - 1, last + 20)] - level) <= width
    a = last + 1 + (int(np.argmax(quiet)) if quiet.any() else quiet.size)
    b, c = a - 1, a - 2
    if c < 0 or not np.isfinite(samples[[b, c]]).all() or samples[c] == samples[b]:
        return float(time[a] + time[b]) / 2.0
    rate = (samples[c] - samples[b]) / (time[c] - time[b])
    return float(np.clip(time[b] + (level - samples[b]) / rate, *sorted((time[a], time[b]))))


def first_current(time: FloatArray, i: FloatArray, last: int) -> float:
    before = i[last + 1 : last + 1 + math.ceil(2e-3 / STEP)]
    beyond = i[last + 1 + before.size :][:2000]
    full = float(np.nanmedian(i[: last + 1][-2000:]))
    if beyond.size < 8 or not abs(np.nanmedian(beyond)) < 0.02 * full:
        return math.nan
    flowing = np.flatnonzero(before > max(0.1 * full, 10.0 * spread(beyond, float(np.nanmedian(beyond)))))
    return departure(time, i, last + 1 + int(flowing[-1])) if flowing.size else math.nan


def turned(seed: int, early: int) -> tuple[FloatArray, FloatArray, FloatArray, int]:
    """A closing in order of opening: 300 samples of metal, then parted; the current begins `early` samples before."""
    rng = np.random.default_rng(seed)
    k, last = np.arange(500), 299
    v = np.where(k <= last, 60e-3, 10.0) + 0.5e-3 * rng.standard_normal(k.size)
    v[last + 1] = rng.uniform(0.1, 10.0)
    i = np.where(k <= last + early, np.where(k <= last, AMPS, 0.4 * AMPS), 0.0) + 0.02 * rng.standard_normal(k.size)
    v[rng.random(k.size) < 0.02], i[rng.random(k.size) < 0.02] = np.nan, np.nan
    return np.arange(k.size)[::-1] * STEP, v, i, last


@settings(deadline=None)
@given(seed=seeds, early=st.integers(0, 30), ceiling=st.sampled_from([10.0, np.inf]))
def test_first_touch_is_the_earliest_of_what_voltage_and_current_show(seed: int, early: int, ceiling: float) -> None:
    time, v, i, last = turned(seed, early)
    told, shown = kernels.touch(np.ascontiguousarray(time), v, i, last, ceiling)
    expected = [departure(time, v, last), first_current(time, i, last)]
    if np.nanmedian(v[last + 1 :]) > 0.98 * ceiling:
        expected.append(departure(time, i, last))
    assert shown == pytest.approx(expected[0], rel=1e-12)
    assert told == pytest.approx(np.nanmin(expected), rel=1e-12)


def test_a_coarse_trace_that_rests_on_one_step_moves_no_touch() -> None:
    """Nine of twenty samples lie a step away from the level, so that half of the departures from it are none."""
    time, v, _, last = turned(5, 0)
    step = 0.15
    i = np.where(np.arange(v.size) <= last, AMPS, step * (np.arange(v.size) % 20 < 9))
    v[last + 1 :] = 2.0  # at its ceiling: the current shows the touch
    told, _ = kernels.touch(np.ascontiguousarray(time), v, i, last, 2.0)
    assert time[last + 1] <= told <= time[last]


def test_a_current_that_flows_all_the_time_tells_no_touch() -> None:
    time, _, i, last = turned(1, 0)
    assert math.isnan(kernels.first_current(np.ascontiguousarray(time), i + 0.1 * AMPS, last, STEP))


@settings(deadline=None)
@given(seed=seeds, touches=st.lists(st.integers(300, 345), max_size=3), stray=st.booleans())
def test_an_earlier_touch_is_the_farthest_sample_that_the_parted_trace_has_none_of(
    seed: int, touches: list[int], stray: bool
) -> None:
    _, v, _, last = turned(seed, 0)
    v[last + 1 :] = 10.0
    v[touches] = 2.0
    v[400] = 2.0 if stray else 10.0
    near = [k for k in touches if k < 340]
    far = [k for k in touches if k >= 340]
    expected = last if stray or far or not near else max(near)
    assert kernels.earlier_touch(v, last, METALLIC, STEP) == expected


@settings(deadline=None)
@given(seed=seeds, loop=st.sampled_from([np.inf, 2e-3, 20e-3, 60e-3]), ceiling=st.sampled_from([5.0, np.inf]))
def test_the_loop_beside_a_parted_contact_is_read_by_ohms_law(seed: int, loop: float, ceiling: float) -> None:
    """Its conductance lies between none and what the ceiling allows where that is reached."""
    rng = np.random.default_rng(seed)
    rest = 40e-6 * AMPS + 0.5e-3 * rng.standard_normal(400)
    i = np.full(400, AMPS if math.isfinite(loop) else 0.0) + 0.1 * rng.standard_normal(400)
    v = np.minimum(i * loop if math.isfinite(loop) else 10.0, ceiling) + 1e-4 * rng.standard_normal(400)
    volts, amps = (np.ascontiguousarray(x[-kernels.tail(x.size) :]) for x in (v, i))
    assert volts.size == 8
    parted = kernels.parted_state(volts, amps, rest, AMPS, ceiling, METALLIC)
    voltage, current = np.median(volts), np.median(amps)
    assert parted.voltage == pytest.approx(voltage)
    if not math.isfinite(loop):
        assert (parted.loop, parted.loop_u) == (math.inf, 0.0)
    elif voltage < 0.98 * ceiling:
        assert parted.loop == pytest.approx(voltage / current)
        u = 1.25 * 1.4826 * np.median(np.abs(volts - voltage * amps / current)) / voltage / math.sqrt(8)
        assert parted.loop_u == pytest.approx(u)
        assert parted.threshold == pytest.approx(min(METALLIC, 0.6 * voltage))
    else:
        assert parted.loop == pytest.approx(2.0 * voltage / current)
        assert parted.loop_u == pytest.approx(1.0 / math.sqrt(3.0))


@pytest.mark.parametrize(("volt", "threshold"), [(10.0, METALLIC), (1.0, 0.6), (40e-6 * AMPS, METALLIC)])
def test_what_stands_across_a_parted_contact_tells_it_from_metal(volt: float, threshold: float) -> None:
    """Six tenths of it, where that is less than what no metal bears; nothing stands across it with the source off."""
    rest, none = np.full(400, 40e-6 * AMPS), np.zeros(8)
    parted = kernels.parted_state(np.full(8, volt), none, rest, AMPS, math.inf, METALLIC)
    assert parted.threshold == pytest.approx(threshold)


def test_a_parted_voltage_that_drifts_is_no_touch() -> None:
    """A source in its limit: by the time of the touch its voltage has fallen below eight tenths of what it was."""
    last = 299
    v = np.concatenate([np.full(last + 1, 60e-3), 1.46 + 0.374e-3 * np.arange(2500)])
    assert kernels.earlier_touch(v, last, METALLIC, STEP) == last
