"""What a fleet teaches: healthy scatter, ranking, patterns, drift; from simulated tables whose truth is known."""

from __future__ import annotations

import math
import re

import numpy as np
import pandas as pd
import pytest

from drm.report.study import render
from drm.siblings import compare
from drm.siblings_population import load_population
from drm.siblings_population_text import population_text
from drm.siblings_prior import ORIENTATION
from drm.study.drift import drifts
from drm.study.fleet import Latest, cells, sampled
from drm.study.lessons import Lessons
from drm.study.levels import levels_of
from drm.study.patterns import AXES, grouped
from drm.study.ranking import concerns, ranked
from drm.study.scatter import learn_populations

WIPE = 18.0
SD = {"arcing_wipe_mm": 0.25, "main_resistance_uohm": 0.06, "arcing_resistance_uohm": 0.1}
LEVEL = {"arcing_wipe_mm": WIPE, "main_resistance_uohm": 40.0, "arcing_resistance_uohm": 250.0}
U = {"arcing_wipe_mm": 0.15, "main_resistance_uohm": 0.2, "arcing_resistance_uohm": 4.0}


def fleet(n, *, poles=3, each=1, seed=0, pole_share=0.0, sd=SD, of="T", first=0):
    """Cells of `n` healthy breakers: level of the breaker, pole, interrupter, error of the measurement."""
    rng = np.random.default_rng(seed)
    rows = []
    for b in range(first, first + n):
        level = {f: rng.normal() for f in LEVEL}
        for p in range(poles):
            pole = {f: rng.normal() for f in LEVEL}
            for i in range(each):
                row = {"breaker_id": f"{of}{b:04d}", "breaker_type": of, "kind": "open", "pole": "ABC"[p]}
                row |= {"interrupter": f"{'ABC'[p]}{i + 1}", "position": i + 1}
                for f in LEVEL:
                    own = math.sqrt(pole_share) * pole[f] + math.sqrt(1.0 - pole_share) * rng.normal()
                    away = sd[f] * (own + level[f])
                    base = LEVEL[f] + away if f == "arcing_wipe_mm" else LEVEL[f] * math.exp(away)
                    row |= {f: base + U[f] * rng.normal(), f"{f}_u": U[f]}
                rows.append(row)
    return pd.DataFrame(rows)


def shorter(table, breaker, mm, who="B1"):
    table = table.copy()
    table.loc[(table["breaker_id"] == breaker) & (table["interrupter"] == who), "arcing_wipe_mm"] -= mm
    return table


def test_the_scatter_of_a_type_is_found_without_that_of_the_measurement():
    made = learn_populations(fleet(300))["T"]
    for f, sd in SD.items():
        assert made.priors[f].sd == pytest.approx(sd, rel=0.12)
    assert made.breakers == 300


def test_a_sixth_of_bad_interrupters_hardly_moves_it():
    table = fleet(300)
    for b in range(0, 300, 2):  # one of three in every second breaker: a sixth of all
        table = shorter(table, f"T{b:04d}", 5.0)
    clean, spoiled = (learn_populations(t)["T"].priors["arcing_wipe_mm"].sd for t in (fleet(300), table))
    assert spoiled == pytest.approx(clean, rel=0.15)
    assert table["arcing_wipe_mm"].std() > 4.0 * clean


def test_what_a_pole_has_in_common_is_told_from_the_rest():
    made = learn_populations(fleet(150, each=4, pole_share=0.6, seed=3))["T"].priors["arcing_wipe_mm"]
    assert made.pole_share == pytest.approx(0.6, abs=0.12)
    assert made.position_share < 0.1
    assert made.sd == pytest.approx(SD["arcing_wipe_mm"], rel=0.15)


def test_a_type_of_few_breakers_borrows_from_the_others():
    many = [fleet(80, of=f"M{k}", seed=k) for k in range(4)]
    wide = fleet(6, of="few", seed=9, sd={f: 2.0 * s for f, s in SD.items()})
    alone = learn_populations(wide)["few"].priors["main_resistance_uohm"]
    made = learn_populations(pd.concat([*many, wide]))
    few, big = made["few"].priors["main_resistance_uohm"], made["M0"].priors["main_resistance_uohm"]
    assert big.sd == pytest.approx(SD["main_resistance_uohm"], rel=0.15)
    assert SD["main_resistance_uohm"] < few.sd < 2.2 * SD["main_resistance_uohm"]
    assert few.dof > alone.dof
    assert big.dof > few.dof


def test_fewer_than_five_breakers_teach_nothing():
    assert learn_populations(fleet(4)) == {}


def test_a_learnt_population_is_read_back_from_its_file(tmp_path):
    made = learn_populations(fleet(40, each=2))["T"]
    file = tmp_path / "population.toml"
    file.write_text(population_text(made, notes='two lines\nof "notes"'), encoding="utf-8")
    again = load_population(file)
    assert again.name == made.name == "healthy scatter of 40 breakers of type T"
    for f, prior in made.priors.items():
        assert again.priors[f].sd == pytest.approx(prior.sd, rel=1e-5)
        assert (again.priors[f].log, again.priors[f].weight) == (prior.log, prior.weight)
    for pair, value in made.correlations.items():
        assert again.correlation(*pair) == pytest.approx(value, abs=1e-4)


def whole(rng, n=1):
    """Features of healthy breakers of three interrupters with one opening and one closing, all features that count."""
    made = []
    for b in range(n):
        own = {f: rng.normal(size=3) for f in ORIENTATION.priors}
        for k, kind in enumerate(("open", "close"), start=1):
            part = pd.DataFrame({"breaker_id": [f"b{b}"] * 3, "breaker_type": "T", "kind": kind, "operation": k})
            part["pole"], part["interrupter"], part["position"], part["quality"] = (
                list("ABC"),
                ["A1", "B1", "C1"],
                1,
                "",
            )
            for f, prior in ORIENTATION.priors.items():
                if prior.instead_of or prior.derived or prior.of_pole:
                    continue
                away = prior.sd * (own[f] + 0.1 * rng.normal(size=3))
                part[f] = 30.0 * np.exp(away) if prior.log else 20.0 + away
                part[f"{f}_u"] = 1e-3
            part["arcing_contact_mm"] = part["main_contact_mm"] + part["arcing_wipe_mm"]
            part["arcing_contact_mm_u"] = 1e-3
            made.append(part)
    return pd.concat(made, ignore_index=True)


def test_a_wipe_five_healthy_deviations_short_among_three_is_named_at_5_percent_false_alarms():
    rng = np.random.default_rng(11)
    made = learn_populations(whole(rng, 150))["T"]
    trials = 160
    healthy = [whole(rng) for _ in range(trials)]
    short = [
        t.assign(**{f: t[f] - 1.5 * (t["interrupter"] == "B1") for f in ("arcing_wipe_mm", "arcing_contact_mm")})
        for t in healthy
    ]
    assert ORIENTATION.priors["arcing_wipe_mm"].sd * 5.0 == 1.5
    alarms = sum(bool(compare(t, population=made).rows["sibling_p"].min() < 0.05) for t in healthy)
    named = sum(
        bool((compare(t, population=made).rows.loc[t["interrupter"] == "B1", "sibling_p"] < 0.05).any()) for t in short
    )
    # Binomial: at 5 % more than 15 of 160 has a probability below 1 %.
    assert alarms <= 15
    assert named >= 0.9 * trials


def test_the_worn_breaker_comes_first_and_its_rank_is_sure():
    table = shorter(fleet(40), "T0007", 4.0)
    made = ranked(concerns(table, levels_of(table, learn_populations(table))), {})
    first = made.iloc[0]
    assert (first["breaker_id"], first["because"], first["interrupter"]) == ("T0007", "arcing_wipe_mm", "B1")
    assert (first["rank"], first["rank_low"], first["rank_high"]) == (1, 1, 1)
    rest = made.iloc[1:]
    assert (rest["rank_high"] - rest["rank_low"]).median() > 2
    assert abs(rest["concern"].median()) < 1.5
    assert sorted(made["rank"]) == list(range(1, 41))


def test_a_set_that_is_worn_as_a_whole_is_seen_against_its_type():
    table = fleet(40)
    table.loc[table["breaker_id"] == "T0003", "arcing_wipe_mm"] -= 4.0
    first = ranked(concerns(table, levels_of(table, learn_populations(table))), {}).iloc[0]
    assert (first["breaker_id"], first["held_against"]) == ("T0003", "type")


def test_concern_does_not_grow_with_the_number_of_interrupters():
    small, large = fleet(60, of="S"), fleet(60, each=4, of="L", seed=1)
    table = pd.concat([small, large])
    made = concerns(table, levels_of(table, learn_populations(table))).groupby("breaker_type")["concern"].median()
    assert abs(made["S"] - made["L"]) < 0.8


def test_hold_comes_before_inspect_and_inspect_before_concern():
    table = shorter(fleet(20), "T0007", 4.0)
    concern = concerns(table, levels_of(table, learn_populations(table)))
    made = ranked(concern, {"T0001": "inspect", "T0002": "hold", "T0003": "watch"})
    assert made["breaker_id"].tolist()[:3] == ["T0002", "T0001", "T0007"]


def test_alike_wear_is_one_pattern_however_far_it_has_gone():
    rng = np.random.default_rng(4)
    zero = dict.fromkeys(AXES, 0.0)
    worn = [zero | {"arcing_wipe_mm": -s, "arcing_roughness_uohm": 0.7 * s} for s in (5.0, 9.0, 14.0, 22.0)]
    film = [zero | {"main_resistance_uohm": s} for s in (6.0, 12.0)]
    table = pd.DataFrame([*worn, *film]) + 0.3 * rng.normal(size=(6, len(AXES)))
    table = table.assign(breaker_id=[f"b{k}" for k in range(6)], breaker_type="T", interrupter="A1")
    table["severity"] = table[list(AXES)].abs().max(axis=1)
    made = grouped(table)
    by = made.set_index("breaker_id")["pattern"]
    assert by[["b0", "b1", "b2", "b3"]].tolist() == [1] * 4
    assert by[["b4", "b5"]].tolist() == [2] * 2
    words = made.drop_duplicates("pattern").set_index("pattern")["words"]
    assert words[1] == "arcing wipe low, arcing roughness high"
    assert words[2] == "main resistance high"
    assert len(grouped(table.iloc[:0])) == 0
    assert grouped(table.iloc[:1])["pattern"].tolist() == [1]


def ageing():
    """Ten breakers tested three times."""
    rng = np.random.default_rng(5)
    return pd.DataFrame(
        [
            {
                "breaker_id": f"b{b}",
                "breaker_type": "T",
                "age_years": float(20 - b + year),
                "operation_count": 500.0 + 40.0 * year,
                # Wipe goes down by 0.1 mm a year in each, and younger breakers were built with less of it.
                "arcing_wipe_mm": 18.0 - 0.5 * b - 0.1 * (20 - b + year) + 0.02 * rng.normal(),
                "main_resistance_uohm": 40.0,
                "arcing_resistance_uohm": np.nan,
            }
            for b in range(10)
            for year in (0, 4, 8)
        ]
    )


def test_ageing_is_told_within_breakers_even_where_their_design_changed():
    made = {d.feature: d for d in drifts(ageing()) if d.along == "age_years"}
    wipe = made["arcing_wipe_mm"]
    assert wipe.within
    assert wipe.low < -0.1 < wipe.high
    assert wipe.slope == pytest.approx(-0.1, abs=0.01)
    assert made["main_resistance_uohm"].slope == 0.0
    assert "arcing_resistance_uohm" not in made


def test_the_page_shows_the_drift_per_year_and_per_thousand_operations():
    none = pd.DataFrame()
    page = render(Lessons(30, 0, 10, {}, {}, none, none, none, none, drifts(ageing())))
    assert page.count("<svg") == 4
    assert re.search(r"age in years; -0\.\d+ mm a year \(-0\.\d+ to -0\.\d+\)", page)
    assert "T: arcing wipe, within breakers" in page
    # 0.1 mm a year and 40 operations a year: 2.5 mm in a thousand.
    assert re.search(r"thousands of operations; -2\.[45]\d* mm per 1000 ", page)


def test_the_latest_test_is_the_last_day_or_the_last_folder():
    rows = pd.DataFrame(
        {
            "breaker_id": ["a", "a", "a", "b", "b"],
            "test_date": pd.to_datetime(["2020-01-01 00:00", "2024-05-02 08:00", "2024-05-02 09:00", None, None]),
            "file": ["z/1.cfg", "a/open.cfg", "a/close.cfg", "one/x.cfg", "two/x.cfg"],
        }
    )
    latest = Latest({"a": (True, "2024-05-02"), "b": (False, "two")}, {"a": "", "b": ""})
    assert latest.of(rows)["file"].tolist() == ["a/open.cfg", "a/close.cfg", "two/x.cfg"]


def test_a_sample_of_a_large_fleet_is_bounded_and_keeps_small_types():
    of = {f"b{k}": "big" for k in range(5000)} | {f"s{k}": "small" for k in range(10)}
    chosen = sampled(Latest(dict.fromkeys(of, (False, "")), of), most=500)
    assert chosen >= {f"s{k}" for k in range(10)}
    assert 400 < len(chosen) < 620


def test_cells_average_what_a_verdict_may_rest_on():
    base = fleet(1).iloc[[0]].assign(operation=1, quality="")
    for f in ORIENTATION.priors:
        if f not in base:
            base[f], base[f"{f}_u"] = np.nan, np.nan
    rows = pd.concat([base.assign(arcing_wipe_mm=v, quality=q) for v, q in ((17.0, ""), (19.0, ""), (3.0, "setup: x"))])
    made = cells(rows)
    assert len(made) == 1
    assert made["arcing_wipe_mm"].iloc[0] == 18.0
