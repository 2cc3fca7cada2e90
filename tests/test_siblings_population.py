"""A population file in place of the shipped orientation: what it changes, and what is refused with its line."""

import math

import pytest
from test_siblings import healthy, shorten

from drm.errors import BreakerError
from drm.siblings import compare
from drm.siblings_population import load_population
from drm.siblings_prior import ORIENTATION

WHOLE = """
[population]
name = "type X, 40 breakers"
breakers = 40

[scatter.arcing_wipe_mm]
sd = 1.5
dof = 120

[[correlation]]
features = ["main_contact_mm", "arcing_wipe_mm"]
value = -0.4

[curve]
sd = 0.2
dof = 60
"""


def load(tmp_path, text):
    path = tmp_path / "population.toml"
    path.write_text(text, encoding="utf-8")
    return load_population(path)


def test_what_the_file_says_stands_and_the_rest_stays(tmp_path):
    made = load(tmp_path, WHOLE)
    wipe, shipped = made.priors["arcing_wipe_mm"], ORIENTATION.priors["arcing_wipe_mm"]
    assert (wipe.sd, wipe.dof, wipe.weight, wipe.pole_share) == (1.5, 120, shipped.weight, shipped.pole_share)
    assert made.priors["main_resistance_uohm"] == ORIENTATION.priors["main_resistance_uohm"]
    assert (made.name, made.breakers, made.curve_sd, made.curve_dof) == ("type X, 40 breakers", 40, 0.2, 60)
    assert made.correlation("arcing_wipe_mm", "main_contact_mm") == -0.4


def test_a_wipe_that_this_type_scatters_by_is_no_outlier(tmp_path):
    table = shorten(healthy(6, seed=4), "B1", 3.0)
    assert compare(table).contributions["B1"][0].p < 0.01
    found = compare(table, population=load(tmp_path, WHOLE))
    assert min(c.p for c in found.contributions["B1"] if c.feature == "arcing_wipe_mm") > 0.1
    assert found.scale == "type X, 40 breakers"


def test_only_leaves_out_what_the_file_does_not_name(tmp_path):
    made = load(tmp_path, "[population]\nonly = true\n[scatter.arcing_wipe_mm]\nsd = 0.3\n")
    assert {c.feature for c in compare(healthy(6), population=made).contributions["A1"]} == {"arcing_wipe_mm"}


@pytest.mark.parametrize("n", [3, 4])
def test_few_siblings_without_a_scale_are_ranked_and_not_judged(tmp_path, n):
    scatter = "".join(
        f"[scatter.{name}]\nsd = 1.0\ndof = 0\n" for name in ("arcing_wipe_mm", "arcing_contact_mm", "main_contact_mm")
    )
    made = load(tmp_path, "[population]\nonly = true\n" + scatter)
    found = compare(shorten(healthy(n, seed=1), "A1", 5.0), population=made)
    assert found.rows["sibling_p"].isna().all()
    assert found.rows["sibling_score"].notna().all()
    assert all(math.isnan(c.p) for items in found.contributions.values() for c in items)
    assert f"{n} interrupters" in found.unjudged
    assert "ranked" in found.unjudged
    furthest = max(found.contributions, key=lambda name: abs(found.contributions[name][0].score))
    assert furthest == "A1"


def test_more_siblings_without_a_scale_are_judged_by_their_own(tmp_path):
    made = load(tmp_path, "[population]\nonly = true\n[scatter.arcing_wipe_mm]\nsd = 1.0\ndof = 0\n")
    found = compare(shorten(healthy(12, seed=1), "A1", 5.0), population=made)
    assert found.unjudged == ""
    assert found.contributions["A1"][0].p < 0.01


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("[scatter.arcing_wipe_mm]\nsd = 0.3\ndoff = 3\n", 3, "did you mean 'dof'"),
        ("[scatter.arcing_wipe_mm]\ndof = 3\n", 1, "sd is missing"),
        ("[scatter.arcing_wipe_mm]\nsd = -0.3\n", 2, "above zero"),
        ("[scatter.arcing_wipe_mm]\nsd = 'wide'\n", 2, "finite number"),
        ("[scatter.main_resistance_uohm]\nsd = 4.0\nlog = false\n", 3, "log differs"),
        ("[scatter.arcing_wipe_mm]\nsd = 1.0\npole_share = 0.9\nposition_share = 0.2\n", 3, "exceed 1"),
        ("[[correlation]]\nfeatures = ['a']\nvalue = 0.1\n", 2, "two"),
        ("[[correlation]]\nfeatures = ['a', 'b']\nvalue = 1.1\n", 3, "no correlation"),
        ("[populations]\n", 1, "did you mean 'population'"),
    ],
)
def test_what_is_wrong_is_refused_at_its_line(tmp_path, text, line, words):
    with pytest.raises(BreakerError) as caught:
        load(tmp_path, text)
    assert words in caught.value.line()
    assert caught.value.place == f"line {line}"


def test_a_file_that_is_not_there_is_one_line(tmp_path):
    with pytest.raises(BreakerError, match="cannot be read"):
        load_population(tmp_path / "none.toml")
