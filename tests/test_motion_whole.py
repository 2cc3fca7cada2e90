"""Envelope, speed zones and sensor faults from the breaker file through to the findings."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import drm
from drm.breaker import Limit, ReferenceTravel, SpeedZone
from drm.synthetic import named, simulate


def result(*, seed: int = 3, reference: Path | None = None, band: tuple[float, float] = (5.0, 5.0), **motion: float):
    base = named("open")
    s = simulate(replace(base, motion=replace(base.motion, **motion)), rng=np.random.default_rng(seed))
    b = s.breaker
    if reference is not None:
        told = ReferenceTravel(str(reference / "travel.csv"), *band)
        b = replace(b, mechanisms=tuple(replace(m, reference_travel=told) for m in b.mechanisms))
    return drm.diagnose(s.record, b)


@pytest.fixture(scope="module")
def earlier(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("earlier")
    result().save(out)
    return out


def codes(got: drm.Result) -> set[str]:
    return {f.code for f in got.findings}


@pytest.mark.parametrize("band", [(5.0, 5.0), (10.0, 0.0), (0.0, 10.0)])
def test_a_repeated_opening_lies_in_the_envelope_of_its_own_reference(earlier, band):
    got = result(reference=earlier, band=band)
    assert got.mechanisms.envelope_above_percent[0] < 0.5
    assert got.mechanisms.envelope_below_percent[0] < 0.5
    assert not any("envelope" in c for c in codes(got))


def test_a_slower_mechanism_leaves_the_envelope_below(earlier):
    # After the contacts' separation at one place the slower one stays behind by ever more of its travel.
    got = result(reference=earlier, open_speed_m_s=4.5)
    assert got.mechanisms.envelope_below_percent[0] > 5.0
    assert "mechanism.envelope-below" in codes(got)


def test_a_late_mechanism_that_moves_alike_stays_inside(earlier):
    got = result(reference=earlier, open_latch_ms=18.0)
    assert not any("envelope" in c for c in codes(got))


def test_a_missing_reference_is_one_clear_refusal(tmp_path):
    with pytest.raises(drm.BreakerError, match=r"travel\.csv"):
        result(reference=tmp_path)


def test_the_report_draws_the_envelope(earlier):
    from drm.report import render

    assert "travel in its envelope" in render(result(reference=earlier))


def test_zones_of_the_breaker_file_have_columns_and_words():
    s = simulate(named("open"), rng=np.random.default_rng(3))
    zones = (SpeedZone("open", 20.0, 60.0), SpeedZone("open", 30.0, None, 5.0, "late"))
    b = replace(
        s.breaker,
        mechanisms=tuple(replace(m, speed_zones=zones) for m in s.breaker.mechanisms),
        limits={"speed_m_s": Limit(9.0, None)},
    )
    got = drm.diagnose(s.record, b)
    row = got.mechanisms.iloc[0]
    assert row.speed_zone == "20 to 60 mm"
    assert 4.0 < row.speed_m_s < 8.0
    assert 4.0 < row.speed_late_m_s < 8.0
    assert row.speed_late_m_s_u > 0.0
    assert "limit.outside.speed_m_s" in codes(got)


def test_slipping_travel_is_a_fault_of_the_test():
    s = simulate(named("open"), rng=np.random.default_rng(3))
    name = s.breaker.mechanisms[0].travel.channel

    def slipped(x: np.ndarray) -> np.ndarray:
        way = np.abs(x - x[0])
        held = np.where(way > 60.0, np.maximum(60.0, way - 15.0), way)
        return x[0] + np.sign(x[-1] - x[0]) * held

    channels = tuple(replace(c, samples=slipped(c.samples)) if c.name == name else c for c in s.record.channels)
    got = drm.diagnose(replace(s.record, channels=channels), s.breaker)
    found = [f for f in got.findings if f.code == "setup.travel-sensor"]
    assert len(found) == 1
    assert found[0].subject == "setup"
    assert "slip" in found[0].message


@pytest.mark.parametrize("name", ["open", "close", "coarse_encoder", "rotary", "slow", "hum", "linear_reversed"])
def test_sound_sensors_of_every_kind_raise_no_flag(name):
    s = simulate(named(name), rng=np.random.default_rng(3))
    assert (drm.diagnose(s.record, s.breaker).mechanisms.travel_flags == "").all()
