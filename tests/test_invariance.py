"""What must not matter does not: scale, clock, sign, polarity, order of channels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import drm
from drm.features.registry import FEATURES
from drm.record import Channel

FOLDER = Path(__file__).parent / "data" / "records" / "series-injection"
VALUES = [f.name for f in FEATURES]


@cache
def record() -> drm.Record:
    return drm.read(FOLDER / "record.cfg")


@cache
def breaker() -> drm.Breaker:
    return drm.Breaker.load(FOLDER / "breaker.toml")


@cache
def plain() -> pd.DataFrame:
    return drm.diagnose(record(), breaker()).features


def changed(change: Callable[[Channel], Channel]) -> drm.Record:
    return replace(record(), channels=tuple(change(c) for c in record().channels))


def times(factor: float, *prefixes: str) -> Callable[[Channel], Channel]:
    return lambda c: replace(c, samples=factor * c.samples) if c.name.startswith(prefixes) else c


def same(a: pd.DataFrame, b: pd.DataFrame, *, rtol: float = 1e-6, atol: float = 1e-6) -> None:
    np.testing.assert_allclose(a[VALUES].to_numpy(float), b[VALUES].to_numpy(float), rtol=rtol, atol=atol)
    assert a["quality"].tolist() == b["quality"].tolist()


@settings(max_examples=4, deadline=None)
@given(factor=st.floats(0.97, 1.03))
def test_scaling_voltage_and_current_together(factor: float) -> None:
    # By a few per cent only: parting is judged in volts, because melting is, and volts are what this scales.
    scaled = drm.diagnose(changed(times(factor, "U_", "I_")), breaker()).features
    same(scaled, plain(), rtol=0.01, atol=0.02)


@settings(max_examples=4, deadline=None)
@given(shift=st.floats(-10.0, 10.0))
def test_shifting_the_clock(shift: float) -> None:
    # A clock's rounding may move a window by one sample: that must stay well inside the uncertainty stated.
    moved = drm.diagnose(replace(record(), time_s=record().time_s + shift), breaker()).features
    for name in VALUES:
        known = plain()[name].notna()
        assert known.equals(moved[name].notna()), name
        error = (moved[name] - plain()[name]).abs()[known]
        assert (error <= 0.25 * plain()[f"{name}_u"][known]).all(), name


def test_flipping_the_sign_of_the_travel_sensor() -> None:
    same(drm.diagnose(changed(times(-1.0, "TRV_")), breaker()).features, plain())


def test_reversing_both_polarities() -> None:
    same(drm.diagnose(changed(times(-1.0, "U_", "I_")), breaker()).features, plain())


def test_reversing_one_polarity() -> None:
    same(drm.diagnose(changed(times(-1.0, "U_A1")), breaker()).features, plain())


def test_permuting_the_channels() -> None:
    same(drm.diagnose(replace(record(), channels=record().channels[::-1]), breaker()).features, plain())


def test_without_travel_the_times_stay_and_the_wipe_is_empty_and_says_why() -> None:
    bare = replace(breaker(), mechanisms=tuple(replace(m, travel=None) for m in breaker().mechanisms))
    table = drm.diagnose(record(), bare).features
    np.testing.assert_allclose(table["main_contact_ms"], plain()["main_contact_ms"], atol=0.01)
    assert table["arcing_wipe_mm"].isna().all()
    assert table["quality"].str.contains("no travel channel").all()


@pytest.mark.parametrize("unit", ["mV"])
def test_a_voltage_in_millivolts_reads_the_same(unit: str) -> None:
    rescaled = changed(lambda c: replace(c, samples=1e3 * c.samples, unit=unit) if c.name.startswith("U_") else c)
    same(drm.diagnose(rescaled, breaker()).features, plain())


def test_a_travel_sensor_that_stands_still_is_said_and_no_verdict_on_a_contact_rests_on_it() -> None:
    dead = changed(lambda c: replace(c, samples=np.zeros_like(c.samples)) if c.name == "TRV_A" else c)
    result = drm.diagnose(dead, breaker())
    rows = result.features[result.features["mechanism"] == "A"]
    assert rows["arcing_wipe_mm"].isna().all()
    assert rows["quality"].str.contains("no travel channel that moves").all()
    assert not any({"A1", "A2"} & set(f.interrupters) for f in result.findings if f.level != "note")
