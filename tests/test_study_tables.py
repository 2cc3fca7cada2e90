"""The study's tables are for people's own tools: units in the files, worked queries, one page without a network."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest
from study_fixture import BREAKERS, SHORT, done, simulated

from drm.siblings_population import load_population
from drm.study.schema import TABLES, columns

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("table", TABLES)
def test_every_column_has_unit_meaning_and_version_in_the_file(table):
    (file,) = (done().out / table).iterdir()
    schema = pq.read_schema(file)
    assert schema.names == [c.name for c in columns(table)]
    assert set(schema.metadata) == {b"drm"}
    assert json.loads(schema.metadata[b"drm"])["table"] == table
    for field in schema:
        assert set(field.metadata) == {b"unit", b"long_name", b"version"}
        assert field.metadata[b"long_name"]
        assert int(field.metadata[b"version"]) >= 1
    units = {"_uohm_mm": "uOhm mm", "_mm": "mm", "_ms": "ms", "_uohm": "uOhm", "_m_s": "m/s"}
    for field in schema:
        suffix = next((s for s in units if field.name.removesuffix("_u").endswith(s)), None)
        assert suffix is None or field.metadata[b"unit"].decode() == units[suffix]


@pytest.mark.parametrize("name", ["ranking", "patterns", "drift"])
def test_what_is_learnt_is_described_alike(name):
    schema = pq.read_schema(done().out / f"{name}.parquet")
    assert set(schema.metadata) == {b"drm"}
    assert all(field.metadata[b"long_name"] for field in schema)


def test_no_cell_says_when_the_study_was_made():
    for table in TABLES:
        for column in pd.read_parquet(done().out / table).select_dtypes("datetime"):
            assert column == "test_date"


def test_the_short_wipe_leads_the_ranking_and_the_page():
    out = done().out
    first = pd.read_parquet(out / "ranking.parquet").iloc[0]
    assert (first["breaker_id"], first["interrupter"], first["because"]) == ("north/S03", "B1", "arcing_wipe_mm")
    page = (out / "report.html").read_text(encoding="utf-8")
    assert page.index("north/S03") < page.index("north/S00")
    assert "://" not in page
    assert "<script" not in page
    for words in ("Where to look first", "Wear patterns", "Distributions", "Drift", "Healthy scatter"):
        assert words in page


def test_population_files_of_the_study_are_read():
    made = {p.name: load_population(p) for p in (done().out / "population").iterdir()}
    assert set(made) == {"spring.toml", "hydraulic.toml"}
    assert {p.breakers for p in made.values()} == {BREAKERS // 2}


def queries(language: str) -> list[str]:
    """Worked examples of the README's chapter on studies."""
    chapter = README.partition("## Studies")[2].partition("\n## ")[0]
    return re.findall(rf"```{language}\n(.*?)```", chapter, re.S)


@pytest.mark.parametrize("number", range(2))
def test_the_readme_s_python_runs_as_it_stands(number, tmp_path, monkeypatch):
    pytest.importorskip("duckdb")
    code = queries("python")[number]
    (tmp_path / "fleet").symlink_to(simulated())
    (tmp_path / "study").symlink_to(done().out)
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    exec(compile(code, "README.md", "exec"), names)
    for name in ("low", "short", "made"):
        if name in names:
            assert len(names[name]) > 0  # type: ignore[arg-type]


@pytest.mark.parametrize("number", range(2))
def test_the_readme_s_queries_run_as_they_stand(number, tmp_path, monkeypatch):
    duckdb = pytest.importorskip("duckdb")
    (tmp_path / "study").symlink_to(done().out)
    monkeypatch.chdir(tmp_path)
    found = duckdb.sql(queries("sql")[number]).df()
    assert len(found) > 0


def test_the_readme_names_every_table():
    chapter = README.partition("## Studies")[2].partition("\n## ")[0]
    for name in (*TABLES, "ranking", "patterns", "drift", "population"):
        assert f"`{name}" in chapter


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-P", "-m", "drm", *words], capture_output=True, text=True, timeout=120)


def test_the_command_says_what_came_of_it_and_goes_on(tmp_path):
    out = tmp_path / "out"
    root = simulated() / "station 0"
    first = run("study", str(root), "--out", str(out), "--jobs", "1")
    assert first.returncode == 0, first.stderr
    assert first.stdout.startswith("5 records, 5 of them diagnosed now, 0 failed")
    assert first.stderr == ""
    assert run("study", str(root), "--out", str(out)).stdout.startswith("5 records, 0 of them diagnosed now")


def test_wrong_words_end_in_one_line_and_2(tmp_path):
    missing = run("study", str(tmp_path / "none"), "--out", str(tmp_path / "out"))
    assert missing.returncode == 2
    assert missing.stderr.count("\n") == 1
    assert "no such folder" in missing.stderr


def test_diagnose_judges_by_a_population_file(tmp_path):
    folder, file = simulated() / SHORT, tmp_path / "wide.toml"
    file.write_text('[population]\nname = "wide"\n[scatter.arcing_wipe_mm]\nsd = 8.0\ndof = 200\n')
    words = ["diagnose", str(folder / "test.cfg"), "--breaker", str(folder / "breaker.toml"), "--json"]
    plain = run(*words, "--out", str(tmp_path / "a"))
    wide = run(*words, "--out", str(tmp_path / "b"), "--population", str(file))
    assert "siblings.wipe-short" in plain.stdout
    assert wide.returncode == 0, wide.stderr
    assert "siblings.wipe-short" not in wide.stdout
    assert json.loads(wide.stdout)["provenance"]["healthy_scatter"] == "wide"
