"""Random scenarios: every condition can be drawn and simulated, and the same seed draws the same."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.signal import butter, group_delay
from scipy.stats import kstest

from drm.breaker import Instrument
from drm.synthetic import simulate
from drm.synthetic.conditions import CONDITIONS, MISLED, draw
from drm.synthetic.scenario_check import checked


def drawn(condition, seed=1):
    return draw(np.random.default_rng(seed), condition=condition)[1]


@pytest.mark.parametrize("condition", CONDITIONS)
def test_every_condition_gives_a_scenario_that_can_be_simulated(condition):
    s = drawn(condition)
    assert checked(s, None) is s
    assert 3 <= len(s.interrupters) <= 6
    assert 1 <= len(s.sequence) <= 2
    sim = simulate(s, rng=np.random.default_rng(2))
    assert len(sim.truth) == len(s.interrupters) * len(s.sequence)
    assert all(np.isfinite(c.samples).all() for c in sim.record.channels)
    for t in sim.truth:
        assert np.isfinite([t.main_s, t.arcing_s]).all()
        assert t.command_s < min(t.main_s, t.arcing_s)
        assert max(t.main_s, t.arcing_s) < sim.record.time_s[-1]


@pytest.mark.parametrize("condition", ["ordinary", "loose_clamp", "20_to_100_a"])
def test_a_seed_draws_one_scenario(condition):
    assert drawn(condition, 7) == drawn(condition, 7)
    assert drawn(condition, 7) != drawn(condition, 8)


def test_every_condition_is_drawn():
    rng = np.random.default_rng(0)
    assert {draw(rng)[0] for _ in range(800)} == set(CONDITIONS)


def test_instruments_err_as_much_as_a_breaker_file_assumes():
    for condition in CONDITIONS:
        assert dataclasses.asdict(drawn(condition).errors) == dataclasses.asdict(Instrument())


def test_the_filters_delay_is_anything_up_to_a_sample():
    # As little as is presumed of a strange chain; SciPy's group delay of the filter that was drawn is the measure.
    delays = []
    for seed in range(200):
        chain = drawn("ordinary", seed).chain
        fine = chain.oversampling * chain.sample_rate_hz
        if chain.filter_hz < 0.5 * fine:
            taps = butter(2, chain.filter_hz, fs=fine)
            delays.append(group_delay(taps, [1e-3 * chain.sample_rate_hz], fs=fine)[1][0] / chain.oversampling)
        else:
            delays.append(0.0)
    assert kstest(delays, "uniform").pvalue > 0.01


def test_what_misleads_is_a_condition():
    assert set(CONDITIONS) > MISLED


@pytest.mark.parametrize(("condition", "low", "high"), [("20_to_100_a", 20.0, 100.0), ("400_to_1000_a", 400.0, 1000.0)])
def test_currents_are_in_their_range_and_the_recorder_holds_them(condition, low, high):
    for seed in range(20):
        s = drawn(condition, seed)
        assert low <= s.injection.current_a <= high
        assert s.chain.current_range_a >= 1.2 * s.injection.current_a
