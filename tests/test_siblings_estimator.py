"""The scikit-learn estimator: the library's own checks, and what it is for."""

import subprocess
import sys

import numpy as np
import pytest
from sklearn.utils.estimator_checks import parametrize_with_checks

from drm.outliers import SiblingOutliers


@parametrize_with_checks([SiblingOutliers()])
def test_scikit_learns_own_checks(estimator, check):
    check(estimator)


def test_healthy_siblings_are_called_outliers_as_seldom_as_alpha_says():
    rng, sd = np.random.default_rng(1), np.array([0.3, 0.04, 2.0])
    made = SiblingOutliers(contamination="auto", alpha=0.05, scatter=sd, scatter_dof=10.0)
    named = 0
    for _ in range(400):
        drawn = sd * np.sqrt(10.0 / rng.chisquare(10.0, size=3))
        named += bool((made.fit_predict(rng.normal(size=(12, 3)) * drawn) < 0).any())
    # binomial, 400 trials at 0.05: 33 or more has probability 0.004
    assert named < 33


def test_one_of_twelve_off_by_eight_standard_deviations_is_called_an_outlier_and_its_feature_leads():
    rng = np.random.default_rng(2)
    for _ in range(20):
        x = rng.normal(size=(12, 4))
        x[5, 2] += 8.0
        made = SiblingOutliers(contamination="auto", scatter=np.ones(4)).fit(x)
        assert made.predict(x)[5] == -1
        assert np.argmax(made.explain(x)[5]) == 2


def test_an_unusual_combination_is_seen_where_no_feature_is_far():
    rng = np.random.default_rng(3)
    common = rng.normal(size=200)
    x = np.column_stack([common, common]) + 0.1 * rng.normal(size=(200, 2))
    made = SiblingOutliers(contamination="auto").fit(x)
    assert made.predict([[1.5, -1.5]]) == -1
    assert made.predict([[1.5, 1.5]]) == 1


def test_three_siblings_without_a_scale_are_ranked():
    x = np.array([[0.0], [0.2], [30.0]])
    made = SiblingOutliers().fit(x)
    assert np.argmin(made.score_samples(x)) == 2


def test_contamination_says_how_many_are_called_outliers():
    x = np.random.default_rng(4).normal(size=(40, 3))
    assert (SiblingOutliers(contamination=0.1).fit_predict(x) < 0).sum() == 4


def test_scores_are_what_the_explanation_adds_up_to():
    x = np.random.default_rng(5).normal(size=(20, 3))
    made = SiblingOutliers().fit(x)
    np.testing.assert_allclose(made.explain(x).sum(axis=1), -made.score_samples(x))


def test_a_scale_for_another_number_of_features_is_refused():
    with pytest.raises(ValueError, match="2 numbers above zero"):
        SiblingOutliers(scatter=[1.0]).fit(np.zeros((5, 2)))


def test_the_command_line_does_not_load_it():
    code = "import sys, drm.cli; sys.exit('sklearn' in sys.modules or 'drm.outliers' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
