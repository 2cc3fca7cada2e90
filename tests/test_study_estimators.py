"""Transformers of records and figures keep scikit-learn's rules."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from sklearn.base import clone
from sklearn.impute import SimpleImputer
from sklearn.pipeline import make_pipeline
from sklearn.utils.estimator_checks import parametrize_with_checks
from study_fixture import SHORT, simulated

import drm
from drm.study import FleetDeviations, RecordFeatures


@parametrize_with_checks([FleetDeviations()])
def test_deviations_keep_the_rules(estimator, check):
    check(estimator)


def records(n=4):
    return [str(p) for p in sorted(simulated().rglob("*.cfg"))[:n]]


def test_a_record_becomes_a_row_of_named_figures():
    made = RecordFeatures(kinds=["open"]).set_output(transform="pandas").fit_transform(records())
    assert made.shape == (4, 9)
    path = simulated() / SHORT / "test.cfg"
    own = drm.diagnose(drm.read(path), drm.Breaker.load(path.with_name("breaker.toml"))).features
    assert made["open_arcing_wipe_mm_least"].iloc[3] == own["arcing_wipe_mm"].min()
    assert made["open_arcing_wipe_mm_median"].iloc[3] == own["arcing_wipe_mm"].median()


def test_lists_columns_and_frames_of_records_are_alike():
    made = RecordFeatures(kinds=["open"])
    plain = made.fit_transform(records(2))
    assert np.array_equal(plain, made.fit_transform(np.array(records(2), dtype=object)[:, None]))
    assert np.array_equal(plain, made.fit_transform(pd.DataFrame({"file": records(2)})))
    breaker = drm.Breaker.load(simulated() / "station 0" / "b00" / "breaker.toml")
    read_in = [drm.read(r) for r in records(2)]
    assert np.array_equal(plain, clone(made).set_params(breaker=breaker).fit_transform(read_in))


def test_a_pipeline_from_records_to_deviations():
    line = make_pipeline(
        RecordFeatures(kinds=["open"], features=["arcing_wipe_mm"], summaries=["least"], on_error="missing"),
        SimpleImputer(),
        FleetDeviations(scatter=[0.5], scatter_dof=5.0),
    ).set_output(transform="pandas")
    made = line.fit_transform([*records(), "missing.cfg"])
    assert list(made.columns) == ["open_arcing_wipe_mm_least"]
    assert made.iloc[:, 0].idxmin() == 3


def test_a_bad_record_is_raised_or_missing():
    with pytest.raises(drm.RecordError):
        RecordFeatures().fit_transform(["missing.cfg"])
    assert np.isnan(RecordFeatures(on_error="missing").fit_transform(["missing.cfg"])).all()


@pytest.mark.parametrize(
    "words", [{"features": ["nonsense"]}, {"kinds": []}, {"summaries": ["mode"]}, {"on_error": "pass"}]
)
def test_words_that_are_not_allowed_are_refused(words):
    with pytest.raises(ValueError, match="must be among"):
        RecordFeatures(**words).fit(records(1))


def test_one_bad_breaker_hardly_moves_the_rest():
    x = np.r_[np.linspace(17.0, 19.0, 21), 2.0][:, None]
    z = FleetDeviations().fit_transform(x)[:, 0]
    assert z[-1] < -10
    assert np.abs(z[:-1]).max() < 2


def test_a_known_scatter_is_pooled_with_the_fleets():
    x = np.linspace(17.0, 19.0, 11)[:, None]
    own, firm = FleetDeviations().fit(x).scale_[0], FleetDeviations(scatter=[0.1], scatter_dof=1e9).fit(x).scale_[0]
    assert firm == pytest.approx(0.1, rel=1e-3)
    assert firm < FleetDeviations(scatter=[0.1], scatter_dof=10.0).fit(x).scale_[0] < own
    assert np.abs(FleetDeviations(limit=1.0).fit_transform(x)).max() == 1.0
