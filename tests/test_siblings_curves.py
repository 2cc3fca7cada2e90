"""Curves as functions: a shape that no feature names is seen, what features name is not seen twice."""

from dataclasses import replace

import numpy as np
import pytest
from test_siblings import healthy

from drm.curves_shape import SiblingCurve, compare_curves, curves_of
from drm.siblings import compare
from drm.siblings_prior import ORIENTATION

NAMES = [f"{p}{k}" for p in "ABC" for k in (1, 2, 3, 4)]


def curves(seed, kind="open", roughness=0.1):
    """A healthy breaker of twelve: level and wipe of each its own, fluctuation correlated over four samples."""
    rng = np.random.default_rng(seed)
    made = []
    for name in NAMES:
        main, wipe = 24 + 0.3 * rng.normal(), 18 + 0.3 * rng.normal()
        place = np.linspace(0.0, 60.0, 1200)
        rough = np.convolve(rng.normal(size=place.size + 7), np.ones(8) / np.sqrt(8), "valid")
        level = np.where(place < main, 40.0, 250.0 * np.exp(0.1 * rng.normal())) * np.exp(roughness * rough)
        uohm = np.where(place < main + wipe, level, np.nan)
        made.append(SiblingCurve(name, name[0], name[1], kind, 1, "mm", place, uohm, main - 1, main + 1, main + wipe))
    return made


def changed(given, name, change):
    """The same curves, one of them times `change(place from 0 to 1 in the arcing zone)`."""
    out = []
    for c in given:
        if c.interrupter == name:
            s = (c.place - c.arcing_start) / (c.arcing_end - c.arcing_start)
            c = replace(c, uohm=c.uohm * np.where((s > 0) & (s < 1), change(s), 1.0))
        out.append(c)
    return out


def first(given):
    return compare_curves(given, ORIENTATION)[0]


def test_a_hump_over_a_part_of_the_zone_is_placed_and_sized():
    d = first(changed(curves(1), "B2", lambda s: np.where((s > 0.4) & (s < 0.6), 2.5, 1.0)))
    assert (d.interrupter, d.zone, d.form) == ("B2", "arcing", "stretch")
    assert d.p < 0.001
    assert d.ratio == pytest.approx(2.5, rel=0.25)
    # the zone runs from about 25 to about 42 mm
    assert 30 < d.start < d.end < 37


def test_a_slope_that_is_small_in_each_stretch_is_seen_as_a_trend():
    d = first(changed(curves(2), "C4", lambda s: np.exp(1.2 * (s - 0.5))))
    assert (d.interrupter, d.form) == ("C4", "trend")
    assert d.p < 0.01
    assert d.ratio < 1


def test_a_higher_level_or_a_shorter_zone_is_no_other_shape():
    given = changed(curves(3), "A1", lambda s: np.full(s.size, 3.0))
    short = [replace(c, arcing_end=c.arcing_end - 6) if c.interrupter == "A3" else c for c in given]
    assert first(short).p > 0.05


def test_healthy_curves_are_named_at_most_as_often_as_said():
    alarms = sum(first(curves(100 + seed)).p < 0.05 for seed in range(60))
    # binomial, 60 trials at 0.05: 9 or more has probability 0.003
    assert alarms < 9


def test_two_curves_are_not_compared():
    assert compare_curves(curves(1)[:2], ORIENTATION) == ()


def test_repeats_of_a_curve_make_no_siblings():
    once = curves(5)
    twice = [*once, *(replace(c, operation=2) for c in once)]
    a, b = compare_curves(once, ORIENTATION), compare_curves(twice, ORIENTATION)
    assert [(d.interrupter, d.siblings) for d in a] == [(d.interrupter, d.siblings) for d in b]
    np.testing.assert_allclose([d.p for d in a], [d.p for d in b])
    assert b[0].operations == (1, 2)


def test_the_shape_counts_in_the_probability_of_its_rows():
    table = healthy(12, seed=2, kinds=("open",)).assign(arcing_wipe_ms=3.0)
    odd = changed(curves(6), "B2", lambda s: np.where((s > 0.4) & (s < 0.6), 3.0, 1.0))
    found = compare(table, curves=odd)
    assert found.curves[0].interrupter == "B2"
    assert set(table.loc[found.rows["sibling_p"] < 0.01, "interrupter"]) == {"B2"}
    spoiled = table.assign(quality=np.where(table["interrupter"] == "B2", "current saturated", ""))
    assert "B2" not in {d.interrupter for d in compare(spoiled, curves=odd).curves}


def test_curves_come_from_the_readings_of_a_record():
    import drm
    from drm.synthetic import Scenario, simulate

    simulated = simulate(replace(Scenario(), poles=("A", "B", "C")), rng=np.random.default_rng(1))
    result = drm.diagnose(simulated.record, simulated.breaker)
    made = list(curves_of(result.readings))
    assert [c.interrupter for c in made] == ["A1", "B1", "C1"]
    for c, t in zip(made, simulated.truth, strict=True):
        assert c.unit == "mm"
        assert c.arcing_end == pytest.approx(t.arcing_travel_mm, abs=1.0)
        assert c.main_end < t.main_travel_mm < c.arcing_start
    assert len(compare_curves(made, ORIENTATION)) == 3


def coarse(given, step=30.0):
    """Read in steps of three quarters of the closed level, which a noise of a third of a step carries across them."""
    rng = np.random.default_rng(len(given))
    return [
        replace(c, uohm=step * np.round(c.uohm / step + 0.3 * rng.normal(size=c.uohm.size)), step_uohm=step)
        for c in given
    ]


def test_the_steps_of_a_coarse_trace_are_no_shape():
    alarms = sum(first(coarse(curves(300 + seed))).p < 0.05 for seed in range(30))
    # binomial, 30 trials at 0.05: 6 or more has probability 0.003; without the steps' part nearly half are named
    assert alarms < 6
    assert sum(first([replace(c, step_uohm=0.0) for c in coarse(curves(300 + s))]).p < 0.05 for s in range(20)) > 4
