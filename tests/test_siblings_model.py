"""The model behind the comparison: layouts, shares, repeats, poles, and all features together."""

import numpy as np
import pandas as pd
import pytest
from test_siblings import healthy, named, shorten

from drm.siblings import compare
from drm.siblings_fit import fit
from drm.siblings_gls import Layout, leave_one_out
from drm.siblings_joint import together
from drm.siblings_prior import ScatterPrior

PLAIN = ScatterPrior(1.0, dof=10.0, pole_share=0.0, position_share=0.0)


def indicator(label):
    return (np.asarray(label)[:, None] == np.unique(label)).astype(float)


def test_leaving_one_out_is_what_a_fit_without_it_gives():
    rng = np.random.default_rng(1)
    pole, place = np.array([0, 0, 0, 1, 1, 2, 2]), np.array([0, 1, 2, 0, 1, 0, 3])
    y, shares = rng.normal(size=7), (0.3, 0.2)
    layout = Layout(indicator(pole), indicator(place))
    extra, keep = 0.1 * rng.random(size=(1, 7)), np.ones((1, 7), dtype=bool)
    out = leave_one_out(y[None], layout, np.array([0.3]), np.array([0.2]), extra, keep)
    v = shares[0] * layout.pole @ layout.pole.T + shares[1] * layout.position @ layout.position.T
    v += 0.5 * np.eye(7) + np.diag(extra[0])
    for i in range(7):
        rest = np.delete(np.arange(7), i)
        inverse = np.linalg.inv(v[np.ix_(rest, rest)])
        mean = inverse.sum(axis=0) @ y[rest] / inverse.sum()
        to = v[i, rest] @ inverse
        gap = 1 - to.sum()
        assert out.error[0, i] == pytest.approx(y[i] - mean - to @ (y[rest] - mean))
        assert out.variance[0, i] == pytest.approx(v[i, i] - to @ v[rest, i] + gap**2 / inverse.sum())
        assert out.squares[0, i] == pytest.approx((y[rest] - mean) @ inverse @ (y[rest] - mean))


def test_a_silenced_value_does_not_move_the_others():
    rng = np.random.default_rng(2)
    y = rng.normal(size=(1, 6))
    layout = Layout(np.ones((6, 1)), np.ones((6, 1)))
    keep = np.array([[False, True, True, True, True, True]])
    none, share = np.zeros((1, 6)), np.zeros(1)
    a = leave_one_out(y, layout, share, share, none, keep)
    b = leave_one_out(np.add(y, [[1e3, 0, 0, 0, 0, 0]]), layout, share, share, none, keep)
    np.testing.assert_allclose(a.error[0, 1:], b.error[0, 1:], atol=1e-3)
    assert b.error[0, 0] - a.error[0, 0] == pytest.approx(1e3)


@pytest.mark.parametrize("names", [["A1", "A2", "A3", "B1", "C1"], ["A1", "B1", "B2", "B3", "B4"], ["A1", "B2", "C3"]])
def test_an_unbalanced_layout_and_effects_that_cannot_be_told_apart_are_fitted(names):
    pole = np.unique([n[0] for n in names], return_inverse=True)[1]
    place = np.unique([n[1] for n in names], return_inverse=True)[1]
    y = np.zeros((1, len(names)))
    y[0, 0] = 20.0
    f = fit(y, np.zeros_like(y), pole, place, [ScatterPrior(1.0)])
    assert f.p[0].argmin() == 0
    assert f.p[0, 0] < 0.01
    assert np.isfinite(f.expected).all()
    # what is said to be the pole's and the place's, and what is left, make the value
    own = y[0] - f.breaker[0] - f.pole[0][pole] - f.position[0][place]
    assert own[0] == pytest.approx(20.0, abs=1.0)


def test_a_common_part_of_a_pole_is_shared_out_and_not_blamed_on_its_interrupters():
    pole = np.repeat([0, 1, 2], 4)
    y = (1.2 * (pole == 1)).astype(float)[None]
    share = ScatterPrior(1.0, pole_share=0.6, position_share=0.0)
    f = fit(y, np.zeros_like(y), pole, np.tile(np.arange(4), 3), [share])
    assert f.pole[0][1] - f.pole[0][0] == pytest.approx(1.2, rel=0.25)
    assert f.p.min() > 0.5


def test_the_scale_is_never_less_than_the_measurements_uncertainty():
    y, u = np.array([[0.0, 0.0, 0.0, 0.0, 0.0, 3.0]]), np.full((1, 6), 2.0)
    none = ScatterPrior(1e-3, dof=0.0, pole_share=0.0, position_share=0.0)
    alone, same = np.arange(6), np.zeros(6, dtype=int)
    assert fit(y, u, alone, same, [none]).sd.min() >= 2.0


def test_a_slow_mechanism_is_the_poles_and_nobody_elses():
    for n in (3, 6, 12):
        table = healthy(n, seed=4)
        table["parting_speed_m_s"] = np.where(table["pole"] == "B", 5.2, 6.0) * (1 + 0.002 * np.arange(len(table)) % 3)
        found = compare(table)
        assert {(s.what, s.name, s.feature) for s in found.shifts} == {("pole", "B", "parting_speed_m_s")}
        assert found.shifts[0].amount == pytest.approx(5.2 / 6.0, rel=0.02)
        assert not named(table)


def test_repeats_tell_the_repeatability():
    base = healthy(6, kinds=("open",))
    rng = np.random.default_rng(3)
    parts = [
        base.assign(operation=k, arcing_wipe_mm=base["arcing_wipe_mm"] + 0.2 * rng.normal(size=6)) for k in range(30)
    ]
    wipe = next(
        c for c in compare(pd.concat(parts, ignore_index=True)).contributions["A1"] if c.feature == "arcing_wipe_mm"
    )
    assert wipe.repeatability == pytest.approx(0.2, rel=0.2)
    assert wipe.siblings == 6
    assert len(wipe.operations) == 30
    assert all(np.isnan(c.repeatability) for c in compare(base).contributions["A1"])


def test_repeats_that_scatter_widely_make_their_mean_less_certain():
    base = shorten(healthy(6, kinds=("open",)), "A1", 2.0)
    steady = pd.concat([base, base.assign(operation=2)], ignore_index=True)
    rough = steady.copy()
    swing = np.where(rough["operation"] == 1, 1.5, -1.5) * np.where(rough["pole"] == "A", 1.0, -1.0)
    rough["arcing_wipe_mm"] += swing
    p = [min(c.p for c in compare(t).contributions["A1"] if c.feature == "arcing_wipe_mm") for t in (steady, rough)]
    assert p[1] > 10 * p[0]


def test_an_interrupter_a_little_off_in_every_feature_is_seen_by_all_of_them_together():
    rng = np.random.default_rng(5)
    z = rng.normal(size=(12, 8))
    z[7] = 3.0 * np.sign(z[7])
    p, lead = together(z, np.eye(8))
    assert p.argmin() == 7
    assert p[7] < 0.001
    assert lead[7].min() > 0


def test_features_together_are_calibrated():
    rng = np.random.default_rng(6)
    prior = 0.5 * np.eye(5) + 0.5
    root = np.linalg.cholesky(prior)
    hits = [together(rng.normal(size=(12, 5)) @ root.T, prior)[0] < 0.05 for _ in range(400)]
    # standard error of the rate 0.003
    assert 0.025 < np.mean(hits) < 0.06


def test_missing_features_leave_an_interrupter_to_those_it_has():
    z = np.random.default_rng(7).normal(size=(6, 4))
    z[2, 1:] = np.nan
    z[3, 0] = np.nan
    p, lead = together(z, np.eye(4))
    assert np.isnan(p[2])
    assert np.isfinite(p[[0, 1, 3, 4, 5]]).all()
    assert np.isnan(lead[3, 0])
