"""Interrupters against their siblings: who is named, who is not, and how often by chance."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drm.robust import inliers, mad_sd, sidak
from drm.siblings import compare
from drm.siblings_fit import fit
from drm.siblings_prior import PRIORS, ScatterPrior
from drm.siblings_use import usable

LAYOUTS = {3: (3, 1), 4: (2, 2), 6: (3, 2), 12: (3, 4), 24: (6, 4)}
MIDDLE = {"main_resistance_uohm": 40.0, "arcing_resistance_uohm": 250.0, "arcing_roughness_uohm": 20.0}


def healthy(n=6, *, seed=0, kinds=("open", "close"), wipe_sd=0.3):
    """A healthy breaker's features: scatter at the priors, small repeat scatter."""
    rng = np.random.default_rng(seed)
    poles, each = LAYOUTS[n]
    pole = np.repeat(np.arange(poles), each)
    wipe = 15 + wipe_sd * rng.normal(size=n)
    main = 30 + math.sqrt(0.5**2 - 0.2**2) * rng.normal(size=n) - 0.5 * (wipe - 15)
    ratio = {f: PRIORS[f].sd * rng.normal(size=n) for f in MIDDLE}
    parts = []
    for number, kind in enumerate(kinds, 1):
        part = pd.DataFrame({"operation": number, "kind": kind, "pole": [chr(65 + p) for p in pole]}, index=range(n))
        part["interrupter"] = [f"{chr(65 + p)}{i % each + 1}" for i, p in enumerate(pole)]
        part["position"] = np.arange(n) % each + 1
        part["quality"] = ""
        part["arcing_wipe_mm"] = wipe + 0.05 * rng.normal(size=n)
        part["main_contact_mm"] = main + 0.05 * rng.normal(size=n)
        part["arcing_contact_mm"] = part["main_contact_mm"] + part["arcing_wipe_mm"]
        for f in ratio:
            part[f] = MIDDLE[f] * np.exp(ratio[f] + 0.01 * rng.normal(size=n))
        parts.append(part)
    return pd.concat(parts, ignore_index=True)


def named(table, p=0.05):
    """Interrupters that have a sibling_p below `p`."""
    rows = compare(table).rows
    return set(table.loc[rows["sibling_p"] < p, "interrupter"])


def shorten(table, name, mm=3.0):
    """The same table with a burnt arcing contact."""
    table = table.copy()
    table.loc[table["interrupter"] == name, ["arcing_wipe_mm", "arcing_contact_mm"]] -= mm
    return table


@pytest.mark.parametrize("n", LAYOUTS)
def test_a_wipe_short_by_3_mm_is_named_and_nobody_else(n):
    found = [named(shorten(healthy(n, seed=s, wipe_sd=0.3), "A1")) for s in range(40)]
    assert all("A1" in names for names in found)
    # one healthy breaker in twenty names somebody: binomial, 8 or more of 40 has probability 0.0007
    assert sum(len(names) > 1 for names in found) < 8


@pytest.mark.parametrize("n", [6, 12])
def test_the_neighbour_in_the_same_pole_is_not_blamed(n):
    for seed in range(20):
        found = compare(shorten(healthy(n, seed=seed, wipe_sd=0.3), "B1", 6.0))
        assert found.contributions["B2"][0].p > 0.01
        assert not [s for s in found.shifts if s.what == "pole" and s.name == "B"]


def test_two_worn_interrupters_do_not_hide_each_other():
    table = shorten(shorten(healthy(12, seed=3), "A1", 5.0), "C2", 5.0)
    assert named(table) == {"A1", "C2"}


def test_healthy_breakers_are_named_at_most_as_often_as_said():
    alarms = sum(bool(named(healthy(n, seed=s))) for n in (3, 6, 12) for s in range(100))
    # binomial, 300 trials at 0.05: 27 or more has probability 0.004
    assert alarms < 27


@pytest.mark.parametrize("n", [3, 6, 24])
def test_one_feature_is_calibrated_where_the_scatter_comes_from_the_prior(n):
    rng, prior, features = np.random.default_rng(5), ScatterPrior(0.4, dof=10.0), 6000
    pole, place = np.repeat(np.arange(3), n // 3), np.tile(np.arange(n // 3), 3)
    shares = prior.pole_share, prior.position_share
    y = (
        np.sqrt(1 - sum(shares)) * rng.normal(size=(features, n))
        + np.sqrt(shares[0]) * rng.normal(size=(features, 3))[:, pole]
        + np.sqrt(shares[1]) * rng.normal(size=(features, n // 3))[:, place]
    )
    y *= prior.sd * np.sqrt(prior.dof / rng.chisquare(prior.dof, size=(features, 1)))
    # no group tests (their probability is allowed for apart)
    p = fit(y, np.zeros_like(y), pole, place, [prior] * features, tests=1e12).p.min(axis=1)
    # standard error of the rate 0.003
    assert 0.038 < np.mean(p < 0.05) < 0.058
    assert np.mean(p < 0.01) < 0.014


def test_a_pole_that_differs_as_a_whole_is_told_from_an_interrupter():
    table = healthy(12, seed=1)
    table.loc[table["pole"] == "B", ["main_contact_mm", "arcing_contact_mm"]] += 4.0
    found = compare(table)
    assert {(s.what, s.name, s.feature) for s in found.shifts} == {
        ("pole", "B", "main_contact_mm"),
        ("pole", "B", "arcing_contact_mm"),
    }
    assert found.rows["sibling_p"].min() > 0.05


def test_a_place_along_the_poles_that_differs_by_design_names_nobody():
    table = healthy(12, seed=2)
    table.loc[table["position"] == 4, ["main_contact_mm", "arcing_contact_mm"]] += 4.0
    found = compare(table)
    assert {(s.what, s.name) for s in found.shifts} == {("position", "4")}
    assert found.rows["sibling_p"].min() > 0.05


def test_a_worn_interrupter_is_found_inside_a_pole_that_differs_as_a_whole():
    table = healthy(12, seed=1)
    table.loc[table["pole"] == "B", ["main_contact_mm", "arcing_contact_mm"]] += 4.0
    assert named(shorten(table, "B3", 4.0)) == {"B3"}


def test_contributions_are_ordered_and_say_feature_size_and_direction():
    first = compare(shorten(healthy(6, seed=4, wipe_sd=0.3), "C1")).contributions["C1"]
    assert [c.p for c in first] == sorted(c.p for c in first)
    wipe = next(c for c in first if c.feature == "arcing_wipe_mm")
    assert wipe.direction == "low"
    assert wipe.deviation == pytest.approx(-3.0, abs=1.2)
    assert wipe.score < -4


def test_two_interrupters_are_not_compared():
    table = healthy(3)
    found = compare(table[table["interrupter"] != "C1"])
    assert found.rows.isna().all().all()
    assert found.contributions == {}


def test_repeats_make_no_siblings():
    once, often = healthy(3, kinds=("open",)), healthy(3, kinds=("open",))
    often = pd.concat([often, often.assign(operation=2), often.assign(operation=3)], ignore_index=True)
    a, b = compare(once), compare(often)
    assert a.comparisons == b.comparisons
    np.testing.assert_allclose(np.tile(a.rows["sibling_p"], 3), b.rows["sibling_p"])


def test_measurement_uncertainty_widens_the_scale():
    table = shorten(healthy(6, seed=0), "A1", 2.0)
    sharp = compare(table).contributions["A1"][0].p
    table["arcing_wipe_mm_u"] = table["arcing_contact_mm_u"] = 2.0
    assert compare(table).contributions["A1"][0].p > 10 * sharp


def test_a_cut_off_row_still_gives_its_main_contact_but_no_wipe():
    table = healthy(3, kinds=("open",))
    table.loc[0, "quality"] = (
        "the current was cut off by A2, in series with it, before the arcing contact's own instant"
    )
    assert usable(table, "main_resistance_uohm").tolist() == [True, True, True]
    assert usable(table, "arcing_wipe_mm").tolist() == [False, True, True]


def test_an_unknown_reason_spoils_the_whole_row():
    table = healthy(6, kinds=("open",))
    table.loc[0, "quality"] = "current saturated"
    found = compare(table)
    assert math.isnan(found.rows.loc[0, "sibling_p"])
    assert "A1" not in found.contributions


def test_instants_from_coil_and_from_motion_are_no_siblings():
    table = healthy(6, kinds=("open",)).drop(columns=["main_contact_mm", "arcing_contact_mm"])
    table["main_contact_ms"] = 20.0
    table["reference"] = ["coil"] * 5 + ["motion"]
    assert not any(c.feature == "main_contact_ms" for c in compare(table).contributions["A1"])
    table["reference"] = "coil"
    assert any(c.feature == "main_contact_ms" for c in compare(table).contributions["A1"])


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), order=st.permutations(range(12)))
def test_the_order_of_rows_does_not_matter(seed, order):
    table = shorten(healthy(6, seed=seed), "A2")
    mixed = table.iloc[list(order)]
    np.testing.assert_allclose(compare(mixed).rows.sort_index(), compare(table).rows, rtol=1e-6, atol=1e-12)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), names=st.permutations(["A1", "A2", "B1", "B2", "C1", "C2"]))
def test_renaming_interrupters_renames_the_outcome(seed, names):
    table = shorten(healthy(6, seed=seed), "A2")
    new = dict(zip(["A1", "A2", "B1", "B2", "C1", "C2"], names, strict=True))
    other = table.assign(interrupter=table["interrupter"].map(new))
    np.testing.assert_allclose(compare(other).rows, compare(table).rows, rtol=1e-6, atol=1e-12)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), mm=st.floats(-50, 50), factor=st.floats(0.2, 5))
def test_a_common_shift_or_a_common_factor_of_resistance_changes_nothing(seed, mm, factor):
    table = shorten(healthy(6, seed=seed), "B1")
    other = table.assign(
        arcing_wipe_mm=table["arcing_wipe_mm"] + mm, arcing_resistance_uohm=table["arcing_resistance_uohm"] * factor
    )
    np.testing.assert_allclose(compare(other).rows, compare(table).rows, rtol=1e-5, atol=1e-9)


def test_sidak_equals_its_formula_and_keeps_small_p():
    # Šidák 1967: 1 - (1 - p)^m
    assert float(sidak(np.asarray(0.01), 10)) == pytest.approx(1 - 0.99**10)
    assert float(sidak(np.asarray(1e-20), 100)) == pytest.approx(1e-18)


def test_the_median_deviation_of_normal_values_is_their_standard_deviation():
    assert mad_sd(np.random.default_rng(0).normal(scale=3.0, size=200_000)) == pytest.approx(3.0, rel=0.01)


def test_the_centre_is_placed_by_the_values_that_lie_together():
    assert inliers(np.array([0.0, 0.3, -3.0]), 0.4).tolist() == [True, True, False]
    assert inliers(np.array([0.0, 10.0, 20.0, 30.0]), 0.1).sum() == 3
