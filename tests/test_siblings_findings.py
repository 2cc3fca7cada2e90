"""What is said of a shape, of a combination, of too few siblings, and on which scale it rests."""

from dataclasses import replace

import pandas as pd
from test_findings import breaker, coded
from test_siblings import healthy, shorten
from test_siblings_curves import changed, curves

from drm.findings import findings
from drm.siblings import Joint, compare
from drm.siblings_prior import ORIENTATION, Population, ScatterPrior


def said(table, comparison):
    return findings(table, pd.DataFrame(), comparison, breaker(table))


def test_a_curve_of_another_shape_is_a_finding_with_its_place():
    table = healthy(12, seed=2, kinds=("open",)).assign(arcing_wipe_ms=3.0)
    odd = changed(curves(6), "B2", lambda s: 1.0 + 2.0 * ((s > 0.4) & (s < 0.6)))
    (one,) = coded(said(table, compare(table, curves=odd)), "siblings.shape")
    assert (one.interrupters, one.subject, one.evidence["zone"]) == (("B2",), "contact", "arcing")
    assert 30 < one.evidence["start_mm"] < one.evidence["end_mm"] < 37
    assert "isolate" in one.advice


def test_a_combination_is_said_only_where_no_figure_stands_apart():
    table = healthy(12, seed=2)
    plain = compare(table)
    joint = plain.joint | {"A1": Joint("A1", 4.0, 0.01, (("arcing_wipe_mm", 9.0), ("main_contact_mm", 8.0)))}
    (one,) = coded(said(table, replace(plain, joint=joint)), "siblings.together")
    assert (one.interrupters, one.level) == (("A1",), "watch")
    worn = shorten(table, "A1", 5.0)
    assert not coded(said(worn, replace(compare(worn), joint=joint)), "siblings.together")


def test_too_few_siblings_without_a_scale_are_ranked_in_a_note():
    alone = Population("no scale", {"arcing_wipe_mm": ScatterPrior(1.0, dof=0.0)})
    table = shorten(healthy(3), "C1", 5.0)
    found = said(table, compare(table, population=alone))
    (one,) = coded(found, "siblings.")
    assert (one.code, one.level, one.evidence["order"][0]) == ("siblings.ranked-only", "note", "C1")


def test_the_basis_names_the_population():
    table = shorten(healthy(6, seed=1), "B2")
    fleet = replace(ORIENTATION, name="type X, 40 breakers")
    (one,) = coded(said(table, compare(table, population=fleet)), "siblings.wipe-short")
    assert one.basis.endswith("type X, 40 breakers")
