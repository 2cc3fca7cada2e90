"""Slopes against SciPy's, crossings by hand, and results read back over the years."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import theilslopes

from drm.cli import _group
from drm.errors import InputError
from drm.trend import trend, trend_table
from drm.trend_slope import crossing_of, line_of, sen_interval, theil_sen


@settings(max_examples=80, deadline=None)
@given(st.integers(6, 25), st.integers(0, 10**6), st.booleans())
def test_slope_and_interval_are_those_of_scipy(n, seed, ties):
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(0.0, 10.0, n))
    y = 0.7 * t + rng.standard_normal(n)
    y = np.round(y) if ties else y
    oracle = theilslopes(y, t, alpha=0.95)
    assert theil_sen(t, y) == pytest.approx(oracle.slope, abs=1e-12)
    low, high = sen_interval(t, y)
    # SciPy draws an end that lies beyond all slopes to the extreme one; here it is infinite.
    assert low == pytest.approx(oracle.low_slope) or (np.isinf(low) and n < 8)
    assert high == pytest.approx(oracle.high_slope) or (np.isinf(high) and n < 8)


def test_one_wild_value_does_not_turn_the_slope():
    t = np.arange(9.0)
    y = 2.0 * t
    y[4] += 100.0
    assert line_of(t, y, np.full(9, 0.1)).slope == pytest.approx(2.0, abs=0.3)


@pytest.mark.parametrize("n", [3, 4, 6, 10])
def test_the_interval_holds_the_truth_in_95_of_100(n):
    rng, inside, runs = np.random.default_rng(n), 0, 400
    t = np.arange(float(n))
    for _ in range(runs):
        line = line_of(t, 5.0 - 0.3 * t + 0.2 * rng.standard_normal(n), np.full(n, 0.2))
        inside += line.low <= -0.3 <= line.high
    assert 0.92 <= inside / runs <= 0.999


def test_values_that_scatter_more_than_stated_widen_the_interval():
    rng = np.random.default_rng(1)
    t = np.arange(8.0)
    y = 1.0 * t + 2.0 * rng.standard_normal(8)
    trusting, honest = line_of(t, y, np.full(8, 0.01)), line_of(t, y, np.full(8, 2.0))
    assert trusting.high - trusting.low > 0.8 * (honest.high - honest.low)


def test_two_tests_have_no_slope():
    assert line_of(np.array([0.0, 1.0]), np.array([1.0, 2.0]), np.array([0.1, 0.1])) is None
    assert line_of(np.array([0.0, 1.0, 1.0]), np.array([1.0, 2.0, 2.1]), np.full(3, 0.1)) is None


def test_a_crossing_by_hand():
    # 20, 19, 18, 17, 16 mm in yearly tests, known exactly: 14 mm is reached at 6 years.
    t = np.arange(5.0)
    line = line_of(t, 20.0 - t, np.full(5, 1e-6))
    got = crossing_of(line, t, low=14.0, high=None)
    assert got.earliest == pytest.approx(6.0, abs=0.01)
    assert got.latest == pytest.approx(6.0, abs=0.01)


def test_uncertain_values_give_an_interval_about_the_crossing():
    t = np.arange(5.0)
    got = crossing_of(line_of(t, 20.0 - t, np.full(5, 0.2)), t, low=14.0, high=None)
    assert got.earliest < 6.0 < got.latest


def test_a_line_is_followed_no_further_than_the_tests_span():
    t = np.arange(5.0)
    line = line_of(t, 20.0 - t, np.full(5, 1e-6))
    # At 8 years, four beyond the last test, the line is at 12 mm: 11 mm lies beyond what the data carry.
    assert crossing_of(line, t, low=11.9, high=None) is None
    got = crossing_of(line_of(t, 20.0 - t, np.full(5, 0.3)), t, low=12.5, high=None)
    assert got.latest == np.inf
    assert got.horizon == pytest.approx(8.0)


def test_a_line_that_may_be_level_or_leads_away_crosses_nothing():
    t = np.arange(5.0)
    assert crossing_of(line_of(t, 20.0 - 0.01 * t, np.full(5, 0.5)), t, low=19.5, high=None) is None
    assert crossing_of(line_of(t, 20.0 + t, np.full(5, 0.01)), t, low=14.0, high=None) is None


def result(folder: Path, day: str | None, wipe: float, *, breaker: str = "Feeder", limit: float | None = 14.0) -> Path:
    """A result's folder as `drm diagnose` leaves it, with what a trend reads."""
    folder.mkdir()
    rows = [
        {
            "record": folder.name, "breaker": breaker, "operation": n, "kind": "open", "pole": "A", "interrupter": "A1",
            "position": 1, "mechanism": "A", "reference": "coil", "arcing_wipe_mm": wipe + d, "arcing_wipe_mm_u": 0.1,
            "current_a": 200.0, "quality": "",
        }
        for n, d in ((1, 0.1), (3, -0.1))
    ]  # fmt: skip
    pd.DataFrame(rows).to_parquet(folder / "features.parquet", index=False)
    start = f"{day}T09:00:00+00:00" if day else None
    (folder / "findings.json").write_text(json.dumps({"provenance": {"record_start": start}}), encoding="utf-8")
    limits = {} if limit is None else {"arcing_wipe_mm": {"min": limit, "max": None}}
    told = {"breaker": {"name": breaker, "limits": limits}}
    (folder / "source.json").write_text(json.dumps(told), encoding="utf-8")
    return folder


def wearing(tmp_path: Path) -> list[Path]:
    return [result(tmp_path / f"t{y}", f"{y}-06-01", 19.0 - 0.8 * (y - 2018)) for y in range(2018, 2023)]


def test_tests_are_put_in_order_and_operations_of_one_test_averaged(tmp_path):
    folders = wearing(tmp_path)
    made = trend(folders[::-1])
    (s,) = [s for s in made.series if s.column == "arcing_wipe_mm"]
    assert [t.date for t in made.tests] == [f"{y}-06-01" for y in range(2018, 2023)]
    np.testing.assert_allclose(s.value, [19.0, 18.2, 17.4, 16.6, 15.8])
    np.testing.assert_allclose(s.u, 0.1)
    assert s.line.slope == pytest.approx(-0.8, abs=0.01)


def test_the_limit_of_the_last_breaker_file_is_crossed_in_an_interval(tmp_path):
    row = trend_table(trend(wearing(tmp_path))).set_index("column").loc["arcing_wipe_mm"]
    # 15.8 mm in June 2022, 0.8 mm a year: 14 mm after 2.25 years, September 2024.
    assert "2023" <= row.crossing_earliest < "2024-08-31" < row.crossing_latest < "2026-06-02"
    assert row.moves


def test_without_a_limit_nothing_is_crossed(tmp_path):
    folders = [result(tmp_path / f"t{y}", f"{y}-06-01", 19.0 - 0.8 * (y - 2018), limit=None) for y in range(2018, 2023)]
    row = trend_table(trend(folders)).set_index("column").loc["arcing_wipe_mm"]
    assert row.crossing_earliest == ""


def test_a_date_in_the_folders_name_stands_in_for_a_missing_start(tmp_path):
    folders = [result(tmp_path / f"bay 2020-0{m}-15", None, 19.0) for m in (1, 2, 3)]
    assert trend(folders).tests[0].date == "2020-01-15"


def test_the_breaker_files_date_stands_in_for_a_missing_start(tmp_path):
    folders = [result(tmp_path / f"t{m}", None, 19.0) for m in (1, 2)]
    for m, folder in enumerate(folders, 1):
        told = json.loads((folder / "source.json").read_text(encoding="utf-8"))
        told["breaker"]["conditions"] = {"date": f"2021-0{m}-20"}
        (folder / "source.json").write_text(json.dumps(told), encoding="utf-8")
    assert [t.date for t in trend(folders).tests] == ["2021-01-20", "2021-02-20"]


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda p: [result(p / "a", "2020-01-01", 19.0)], "two results at least"),
        (lambda p: [result(p / "a", "2020-01-01", 19.0), result(p / "b", None, 18.0)], "nothing tells when"),
        (
            lambda p: [result(p / "a", "2020-01-01", 19.0), result(p / "b", "2021-01-01", 18.0, breaker="Other")],
            "is of the breaker 'Other'",
        ),
        (lambda p: [result(p / "a", "2020-01-01", 19.0), result(p / "b", "2020-01-01", 18.0)], "same instant"),
        (lambda p: [result(p / "a", "2020-01-01", 19.0), p], "holds no result"),
    ],
)
def test_what_cannot_be_a_trend_is_refused_with_the_mend(tmp_path, make, says):
    with pytest.raises(InputError, match=says):
        trend(make(tmp_path))


def test_the_page_is_whole_loads_nothing_and_shows_the_crossing(tmp_path):
    out = tmp_path / "out"
    trend(wearing(tmp_path)).save(out)
    assert {p.name for p in out.iterdir()} == {"trend.csv", "trend.parquet", "trend.html"}
    page = (out / "trend.html").read_text(encoding="utf-8")
    assert "is crossed between" in page
    assert "<script" not in page
    assert not re.search(r"(src|href)=[\"']https?:", page)
    assert page.count('role="img"') >= 1
    assert "safe" not in re.sub(r"<[^>]+>", " ", page).lower().replace("make safe", "")


def test_a_hostile_name_stays_text(tmp_path):
    folders = [result(tmp_path / f"t{y}", f"{y}-06-01", 19.0, breaker="<script>x</script>") for y in range(2018, 2021)]
    trend(folders).save(tmp_path / "out")
    page = (tmp_path / "out" / "trend.html").read_text(encoding="utf-8")
    assert "<script>x" not in page


def test_the_command_says_what_moves(tmp_path):
    done = CliRunner().invoke(_group, ["trend", *map(str, wearing(tmp_path)), "--out", str(tmp_path / "o")])
    assert done.exit_code == 0
    assert "5 tests from 2018-06-01 to 2022-06-01" in done.output
    assert "towards a limit" in done.output
    done = CliRunner().invoke(_group, ["trend", str(tmp_path / "t2018"), "--out", str(tmp_path / "o")])
    assert done.exit_code == 2
