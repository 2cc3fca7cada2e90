"""Slow latch, slow mechanism and misadjusted contact told apart on simulated breakers of three mechanisms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import drm
from drm.synthetic import named, simulate
from drm.synthetic.scenario import Fault, Scenario


def breaker_of_three(*, pole: str = "", seed: int = 5, faults: tuple[Fault, ...] = (), **motion: float) -> drm.Result:
    """One opening; the mechanism of `pole` is of another simulation, with `motion` changed."""
    base: Scenario = replace(
        named("open"), poles=("A", "B", "C"), interrupters_per_pole=2, faults=faults, sequence="O", commands_ms=(50.0,)
    )
    s = simulate(base, rng=np.random.default_rng(seed))
    if not pole:
        return drm.diagnose(s.record, s.breaker)
    other = simulate(replace(base, motion=replace(base.motion, **motion)), rng=np.random.default_rng(seed))
    names = {n for n in s.record.names if n.split("_")[1].startswith(pole)}
    channels = tuple(other.record.channel(c.name) if c.name in names else c for c in s.record.channels)
    return drm.diagnose(replace(s.record, channels=channels), s.breaker)


def causes(result: drm.Result) -> dict[str, tuple[str, ...]]:
    words = ("slow-latch", "quick-latch", "slow-mechanism", "fast-mechanism", "misadjusted-contact", "several-causes")
    return {
        f.code.removeprefix("mechanism."): f.interrupters
        for f in result.findings
        if f.code.startswith("mechanism.") and f.code.removeprefix("mechanism.") in words
    }


@pytest.mark.parametrize("seed", range(4))
def test_a_healthy_breaker_needs_no_explanation(seed):
    assert causes(breaker_of_three(seed=seed)) == {}


@pytest.mark.parametrize("seed", range(3))
def test_a_slow_latch(seed):
    assert causes(breaker_of_three(pole="C", seed=seed, open_latch_ms=19.0)) == {"slow-latch": ("C1", "C2")}


@pytest.mark.parametrize("seed", range(3))
def test_a_slow_mechanism(seed):
    assert causes(breaker_of_three(pole="B", seed=seed, open_speed_m_s=4.6)) == {"slow-mechanism": ("B1", "B2")}


@pytest.mark.parametrize("seed", range(3))
def test_a_misadjusted_contact(seed):
    got = breaker_of_three(seed=seed, faults=(Fault("A2", "misadjusted", 18.0),))
    assert causes(got) == {"misadjusted-contact": ("A2",)}


def test_the_parts_of_the_time_add_up_to_it():
    t = breaker_of_three().timing.query("scope == 'interrupter'")
    np.testing.assert_allclose(t.latch_ms + t.run_ms + t.offset_ms, t.opening_time_ms, atol=0.02)


@pytest.mark.parametrize("seed", range(2))
def test_a_short_arcing_contact_is_no_misadjustment(seed):
    got = breaker_of_three(seed=seed, faults=(Fault("A2", "short_wipe", 4.0),))
    assert causes(got) == {}
    found = [f for f in got.findings if f.code == "mechanism.arcing-contact-alone"]
    assert [(f.interrupters, f.subject) for f in found] == [(("A2",), "contact")]
