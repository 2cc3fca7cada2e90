"""A whole test against an earlier one, from records to tables, findings and page."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import drm
from drm.breaker import ReferenceTravel
from drm.reference import load_reference
from drm.report import render
from drm.synthetic import named, simulate


def diagnosed(
    *, noise: int = 3, reference: Path | None = None, curve: Path | None = None, **motion: float
) -> drm.Result:
    """One opening of one interrupter; `noise` is all that another seed changes."""
    base = named("open")
    s = simulate(replace(base, motion=replace(base.motion, **motion)), rng=np.random.default_rng(3))
    rng = np.random.default_rng(noise)
    sigma = {"U": 1e-4, "I": 0.05, "T": 2e-3}
    channels = tuple(
        c
        if c.digital
        else replace(c, samples=c.samples + sigma.get(c.name[0], 0.0) * rng.standard_normal(c.samples.size))
        for c in s.record.channels
    )
    b = s.breaker
    if curve is not None:
        told = ReferenceTravel(str(curve))
        b = replace(b, mechanisms=tuple(replace(m, reference_travel=told) for m in b.mechanisms))
    earlier = None if reference is None else load_reference(reference)
    return drm.diagnose(replace(s.record, channels=channels), b, reference=earlier)


@pytest.fixture(scope="module")
def earlier(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("then")
    diagnosed().save(out)
    return out


def codes(got: drm.Result) -> set[str]:
    return {f.code for f in got.findings if f.level != "note"}


def test_the_same_breaker_again_has_no_finding_and_lies_in_the_envelope_of_its_earlier_travel(earlier):
    got = diagnosed(noise=4, reference=earlier)
    assert not {c for c in codes(got) if c.startswith(("reference.", "mechanism.envelope"))}
    row = got.mechanisms.iloc[0]
    assert max(row.envelope_above_percent, row.envelope_below_percent) < 0.5
    assert "travel in the envelope about the earlier test" in render(got)


def test_without_an_earlier_test_there_is_nothing_of_it(tmp_path):
    got = diagnosed()
    got.save(tmp_path)
    assert got.changes is None
    assert not (tmp_path / "changes.csv").exists()
    assert np.isnan(got.mechanisms.envelope_above_percent[0])
    assert "Since the earlier test" not in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_a_mechanism_ten_percent_slower_is_named_in_findings_table_and_page(earlier, tmp_path):
    got = diagnosed(noise=4, reference=earlier, open_speed_m_s=0.9 * named("open").motion.open_speed_m_s)
    (one,) = [f for f in got.findings if f.code == "reference.mechanism"]
    assert one.subject == "mechanism"
    assert any(c["feature"] == "speed_m_s" for c in one.evidence["changes"])
    table = got.changes
    speed = table[(table["column"] == "speed_m_s") & (table["why"] == "")].iloc[0]
    assert speed["now"] / speed["then"] == pytest.approx(0.9, abs=0.02)
    assert speed["p"] < 0.05
    got.save(tmp_path)
    kept = pd.read_csv(tmp_path / "changes.csv")
    assert list(kept.columns) == list(table.columns)
    assert list(kept["distance"].dropna().abs()) == sorted(kept["distance"].dropna().abs(), reverse=True)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "Since the earlier test" in page
    assert "What changed most since the earlier test" in page


def test_travel_outside_the_envelope_says_that_it_lies_about_the_earlier_curve(earlier):
    got = diagnosed(reference=earlier, open_speed_m_s=4.5)
    (one,) = [f for f in got.findings if f.code == "mechanism.envelope-below"]
    assert "below the earlier test's curve" in one.message
    assert "the breaker file names no reference curve" in one.basis


def test_the_breaker_files_reference_curve_comes_first(earlier, tmp_path):
    diagnosed(open_speed_m_s=4.5).save(tmp_path)
    got = diagnosed(reference=earlier, curve=tmp_path / "travel.csv", open_speed_m_s=4.5)
    assert got.mechanisms.envelope_below_percent[0] < 0.5
    assert "travel in its envelope" in render(got)


def test_a_result_of_an_earlier_version_is_compared_in_what_it_has(earlier, tmp_path):
    (tmp_path / "features.parquet").write_bytes((earlier / "features.parquet").read_bytes())
    got = diagnosed(noise=4, reference=tmp_path)
    assert set(got.changes.loc[got.changes["why"] == "", "table"]) == {"features"}
    assert not {c for c in codes(got) if c.startswith("reference.")}


def test_a_damaged_table_of_the_earlier_result_is_refused_in_one_line(earlier, tmp_path):
    (tmp_path / "features.parquet").write_bytes((earlier / "features.parquet").read_bytes())
    (tmp_path / "timing.parquet").write_bytes(b"not parquet")
    with pytest.raises(drm.InputError, match=r"timing\.parquet.*cannot be read") as error:
        load_reference(tmp_path)
    assert "\n" not in str(error.value)


@cache
def pairs():
    path = Path(__file__).parents[1] / "benchmarks" / "reference_pairs.py"
    spec = importlib.util.spec_from_file_location("reference_pairs", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["reference_pairs"] = module
    spec.loader.exec_module(module)
    return module


def test_a_healthy_breaker_tested_again_with_everything_that_moves_by_itself_has_no_finding():
    got = pairs().pair(1)
    assert not pairs().said(got)
    assert set(got.changes["table"]) >= {"features", "mechanisms", "timing", "static"}
    assert got.reference is not None


def test_what_was_changed_is_named_among_all_that_was_compared():
    change = "speed -10 %, coil resistance +5 %, motor current +15 %, static +25 %"
    got = pairs().pair(10_000, change=change)
    said = set(pairs().said(got))
    for part, wanted in pairs().CHANGES.items():
        if part in change:
            assert wanted in said, part
    (static,) = [f for f in got.findings if f.code == "reference.static-resistance-higher"]
    assert static.interrupters == ("B1",)
