"""Every registered feature: unit, docstring, uncertainty, shift invariance, scaling law, empty on bad input."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from drm.features.observation import Observation
from drm.features.registry import FEATURES, Feature, measure
from drm.quantity import NOTHING, Quantity

BY_NAME = pytest.mark.parametrize("feature", FEATURES, ids=lambda f: f.name)


def observation(*, shift: float = 0.0) -> Observation:
    """Uniform motion at 7 m/s through a wipe of 21 mm, 300 uOhm with a ripple: worked by hand."""
    t = np.arange(2000) / 20e3
    r = 300e-6 + 20e-6 * np.sin(2 * np.pi * 3e3 * t)
    return Observation(
        time_s=t + shift,
        resistance_ohm=r,
        steady=np.ones(t.size, dtype=bool),
        travel_mm=7000.0 * (t - 0.02),
        speed_m_s=np.full(t.size, 7.0),
        main_mm=28.0,
        arcing_mm=49.0,
        travel_u_mm=0.05,
        travel_rel=0.005,
        linkage_mm=0.1,
        reference_s=0.01 + shift,
        reference_u_s=2e-5,
        kind="open",
        main_s=Quantity(0.024 + shift, 2e-5),
        commutation_s=Quantity(3e-4, 5e-5),
        arcing_s=Quantity(0.027 + shift, 2e-5),
        main_ohm=Quantity(40e-6, 1e-7),
        gain_rel=0.005,
        offset_ohm=1e-7,
        end_s=0.027 + shift,
    )


def test_values_are_those_worked_by_hand() -> None:
    row = measure(observation())
    assert row["main_contact_ms"] == pytest.approx(14.0)
    assert row["arcing_contact_ms"] == pytest.approx(17.0)
    assert row["arcing_wipe_ms"] == pytest.approx(3.0)
    assert row["main_contact_mm"] == pytest.approx(28.0)
    assert row["arcing_wipe_mm"] == pytest.approx(21.0)
    assert row["main_resistance_uohm"] == pytest.approx(40.0)
    assert row["arcing_resistance_uohm"] == pytest.approx(300.0, abs=3.0)
    assert row["parting_speed_m_s"] == pytest.approx(7.0)


def test_wipe_uncertainty_is_the_quadrature_of_its_parts() -> None:
    # JCGM 100:2008, 5.1.2, uncorrelated inputs: 7 m/s x 20 us twice, reading twice, 0.5 % of 21 mm.
    expected = math.sqrt(2 * 0.14**2 + 2 * 0.05**2 + 0.105**2)
    assert measure(observation())["arcing_wipe_mm_u"] == pytest.approx(expected, rel=1e-6)


def test_main_resistance_uncertainty_is_the_quadrature_of_its_parts() -> None:
    # JCGM 100:2008, 5.1.2: statistical 0.1, gain 0.5 % of 40, offset 0.1 uOhm.
    expected = math.sqrt(0.1**2 + 0.2**2 + 0.1**2)
    assert measure(observation())["main_resistance_uohm_u"] == pytest.approx(expected, rel=1e-6)


def test_hum_carried_on_counts_for_the_arcing_contact_and_not_for_the_main_contact() -> None:
    plain, hum = measure(observation()), measure(replace(observation(), hum_u_ohm=2e-6))
    for name in ("arcing_resistance_uohm_u", "arcing_resistance_peak_uohm_u"):
        assert hum[name] == pytest.approx(math.hypot(plain[name], 2.0), rel=1e-6)
    assert hum["main_resistance_uohm_u"] == plain["main_resistance_uohm_u"]


@BY_NAME
def test_feature_says_its_unit_in_its_name_and_has_a_docstring(feature: Feature) -> None:
    suffix = {"uOhm": "_uohm", "ms": "_ms", "mm": "_mm", "uOhm mm": "_uohm_mm", "m/s": "_m_s"}[feature.unit]
    assert feature.name.endswith(suffix)
    assert feature.compute.__doc__


@BY_NAME
def test_feature_has_a_positive_uncertainty(feature: Feature) -> None:
    quantity = feature.compute(observation())
    assert math.isfinite(quantity.value)
    assert quantity.u > 0


@BY_NAME
def test_feature_does_not_depend_on_when_the_recorder_started(feature: Feature) -> None:
    moved = feature.compute(observation(shift=3.7))
    assert moved.value == pytest.approx(feature.compute(observation()).value, rel=1e-6)


@BY_NAME
def test_resistances_scale_and_nothing_else_does(feature: Feature) -> None:
    o = observation()
    twice = replace(o, resistance_ohm=2 * o.resistance_ohm, main_ohm=Quantity(80e-6, 2e-7))
    factor = 2.0 if "uohm" in feature.name else 1.0
    assert feature.compute(twice).value == pytest.approx(factor * feature.compute(o).value, rel=1e-9)


@BY_NAME
def test_feature_is_empty_where_nothing_was_found(feature: Feature) -> None:
    bare = replace(
        observation(),
        main_s=NOTHING,
        commutation_s=NOTHING,
        arcing_s=NOTHING,
        main_ohm=NOTHING,
        main_mm=math.nan,
        arcing_mm=math.nan,
        end_s=math.nan,
    )
    assert math.isnan(feature.compute(bare).value)


def test_without_travel_everything_in_time_still_comes_and_the_wipe_is_empty() -> None:
    row = measure(replace(observation(), travel_mm=None, speed_m_s=None, main_mm=math.nan, arcing_mm=math.nan))
    assert math.isnan(row["arcing_wipe_mm"])
    assert row["arcing_wipe_ms"] == pytest.approx(3.0)
    assert row["arcing_resistance_uohm"] == pytest.approx(300.0, abs=3.0)
