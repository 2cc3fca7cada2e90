"""Comparison with an earlier test of the same breaker."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from test_findings import breaker, coded
from test_siblings import healthy

from drm.breaker import Conditions
from drm.cli import _group
from drm.errors import InputError
from drm.findings import findings
from drm.pipeline import diagnose
from drm.reference import Reference, at_20_c, changes, load_reference, why_not
from drm.siblings import compare
from drm.synthetic import named, simulate, write_simulation


def table(seed: int = 1, *, again: int = 0, amps: float = 200.0) -> pd.DataFrame:
    """A healthy breaker of six; `again` draws the scatter of another test of the same contacts."""
    t = healthy(6, seed=seed).assign(current_a=amps, breaker="x", record="then", main_resistance_uohm_u=0.3)
    if again:
        rng = np.random.default_rng(again)
        t["main_resistance_uohm"] *= 1.0 + 0.02 * rng.standard_normal(len(t))
        t["arcing_resistance_uohm"] *= 1.0 + 0.05 * rng.standard_normal(len(t))
        t["arcing_wipe_mm"] += 0.1 * rng.standard_normal(len(t))
    return t


def say(now: pd.DataFrame, then: pd.DataFrame, *, ambient=None, ambient_then=None):
    b = replace(breaker(now), conditions=Conditions(ambient_c=ambient))
    earlier = Reference(
        "earlier", then, {"conditions": {"ambient_c": ambient_then}, "record_start": "2020-05-06T07:08"}
    )
    return findings(now, pd.DataFrame(), compare(now), b, readings_facts={"reference": earlier})


def changed(found):
    return [f for f in coded(found, "reference.") if f.level != "note"]


def test_the_same_contacts_again_are_not_called_changed():
    for again in range(1, 9):
        assert not changed(say(table(again=again), table()))


def test_every_contact_worn_alike_is_seen_against_the_earlier_test_and_by_nothing_else():
    now = table(again=3)
    now["arcing_wipe_mm"] -= 3.0
    found = say(now, table())
    assert not [f for f in coded(found, "siblings.") if f.level != "note"]
    worn = [f for f in changed(found) if f.code == "reference.wipe-shorter"]
    assert {n for f in worn for n in f.interrupters} == set(now["interrupter"])
    assert {(f.level, f.subject) for f in worn} == {("inspect", "contact")}


def test_a_change_names_the_earlier_test_and_gives_both_values_with_their_uncertainty():
    now = table(again=2)
    now.loc[now["interrupter"] == "B2", "main_resistance_uohm"] *= 1.6
    (one,) = [f for f in changed(say(now, table())) if f.code == "reference.main-resistance-higher"]
    assert one.interrupters == ("B2",)
    assert one.basis.startswith("earlier test: then of 2020-05-06")
    first = one.evidence["changes"][0]
    assert first["now_main_resistance_uohm"] > 1.4 * first["then_main_resistance_uohm"]
    assert first["now_main_resistance_uohm_expanded_u"] == pytest.approx(0.6)
    assert "What else could explain it" in one.advice
    assert "Local codes" in one.advice


def test_interrupters_are_matched_by_name_and_kind_not_by_row():
    now = table(again=4)
    shuffled = table().sample(frac=1.0, random_state=1)
    assert not changed(say(now, shuffled))
    only_open = table()[table()["kind"] == "open"]
    reasons = changes(now, Reference("e", only_open), breaker(now))[1]
    assert set(reasons) == {(n, "close") for n in now["interrupter"].unique()}


@pytest.mark.parametrize(("amps", "compared"), [(200.0, True), (190.0, True), (150.0, False), (400.0, False)])
def test_only_at_comparable_current(amps, compared):
    found = say(table(amps=amps), table(amps=200.0))
    assert bool(coded(found, "reference.compared")) == compared
    assert bool(coded(found, "reference.not-comparable")) != compared
    if not compared:
        assert f"{amps:.4g} A now, 200 A then" in coded(found, "reference.not-comparable")[0].message


def test_not_at_another_speed_nor_from_another_reference_instant():
    one = table()[:1].assign(parting_speed_m_s=5.0, reference="coil")
    assert not why_not(one, one)
    assert "speeds differ" in why_not(one.assign(parting_speed_m_s=0.02), one)
    assert "reference instant" in why_not(one.assign(reference="motion"), one)


def test_a_result_of_another_breaker_is_not_compared():
    found = say(table(), table().assign(breaker="y"))
    (one,) = coded(found, "reference.")
    assert one.code == "reference.not-comparable"
    assert "another breaker" in one.message


@pytest.mark.parametrize(("ambient", "factor"), [(0, 1.08529), (10, 1.04090), (20, 1.0), (30, 0.96219), (40, 0.92714)])
def test_copper_at_20_degrees(ambient, factor):
    # IEC 60028 constants
    assert at_20_c(1.0, ambient) == pytest.approx(factor, abs=5e-6)


def test_where_both_temperatures_are_stated_raw_and_corrected_stand_side_by_side():
    now = table(again=2)
    now["main_resistance_uohm"] *= 1.6
    one = coded(say(now, table(), ambient=40.0, ambient_then=0.0), "reference.main-resistance-higher")[0]
    first = one.evidence["changes"][0]
    assert first["now_at_20_c_main_resistance_uohm"] == pytest.approx(at_20_c(first["now_main_resistance_uohm"], 40.0))
    assert first["then_at_20_c_main_resistance_uohm"] == pytest.approx(at_20_c(first["then_main_resistance_uohm"], 0.0))
    assert "at 20 °C" in one.message


def test_a_resistance_that_rose_as_copper_does_with_the_temperature_is_no_change():
    now = table()
    now["main_resistance_uohm"] *= 1.08529 / 0.92714
    assert not changed(say(now, table(), ambient=40.0, ambient_then=0.0))


def test_spoiled_readings_are_not_compared():
    now = table()
    now["arcing_wipe_mm"] -= 8.0
    now["quality"] = "setup: the voltage leads are exchanged"
    found = say(now, table())
    assert not changed(found)
    assert coded(found, "reference.not-comparable")


def test_nothing_says_that_what_did_not_change_is_good():
    (one,) = coded(say(table(), table()), "reference.compared")
    assert "What was worn already then, this comparison does not show" in one.message


def test_with_nothing_but_siblings_the_report_says_what_cannot_be_concluded_and_with_an_earlier_test_it_does_not():
    alone = findings(table(), pd.DataFrame(), compare(table()), breaker(table()))
    assert "cannot be seen" in coded(alone, "basis.siblings-only")[0].message
    assert not coded(say(table(), table()), "basis.siblings-only")


def test_a_folder_that_is_no_result_is_refused_with_the_mend(tmp_path):
    with pytest.raises(InputError, match=r"holds no features\.parquet"):
        load_reference(tmp_path)
    (tmp_path / "features.parquet").write_bytes(b"not parquet")
    with pytest.raises(InputError, match="cannot be read"):
        load_reference(tmp_path)
    pd.DataFrame({"interrupter": ["A1"]}).to_parquet(tmp_path / "features.parquet")
    with pytest.raises(InputError, match="no column 'current_a'"):
        load_reference(tmp_path)


def test_from_the_command_line_to_findings_and_provenance(tmp_path):
    made = simulate(replace(named("open"), poles=("A", "B", "C")), rng=np.random.default_rng(3))
    path = write_simulation(made, tmp_path / "record")
    words = ["diagnose", str(path), "--breaker", str(tmp_path / "record" / "breaker.toml"), "--json", "--out"]
    run = CliRunner()
    assert run.invoke(_group, [*words, str(tmp_path / "then")]).exit_code == 0
    second = run.invoke(_group, [*words, str(tmp_path / "now"), "--reference", str(tmp_path / "then")])
    assert second.exit_code == 0
    document = json.loads(second.stdout)
    assert document["provenance"]["reference"]["folder"] == "then"
    assert len(document["provenance"]["reference"]["features_sha256"]) == 64
    codes = {f["code"] for f in document["findings"]}
    assert "reference.compared" in codes
    assert codes.isdisjoint({"reference.wipe-shorter", "reference.changed", "basis.siblings-only"})
    third = run.invoke(_group, [*words, str(tmp_path / "x"), "--reference", str(tmp_path / "nothing")])
    assert third.exit_code == 2
    assert not (tmp_path / "x").exists()


def test_from_python(tmp_path):
    made = simulate(named("open"), rng=np.random.default_rng(3))
    first = diagnose(made.record, made.breaker)
    first.save(tmp_path)
    earlier = load_reference(tmp_path)
    second = diagnose(made.record, made.breaker, reference=earlier)
    assert second.provenance["reference"]["record"] == earlier.name
    assert first.provenance["reference"] is None
