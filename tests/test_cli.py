"""The command line as a user meets it: results, exit status, one clear line where something is wrong."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

RECORDS = Path(__file__).parent / "data" / "records"
SERIES = RECORDS / "series-injection"


def drm(*words: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    command = [sys.executable, "-P", "-m", "drm", *map(str, words)]
    return subprocess.run(
        command, cwd=cwd, env=environment, capture_output=True, encoding="utf-8", timeout=300, check=False
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A record and its breaker file, to be spoiled."""
    shutil.copytree(SERIES, tmp_path / "in")
    return tmp_path


def refused(folder: Path, *, record: str = "in/record.cfg", breaker: str = "in/breaker.toml") -> str:
    """Exit status 2, one line on standard error, nothing on standard output, nothing written: the line."""
    done = drm("diagnose", record, "--breaker", breaker, "--out", "out", cwd=folder)
    assert done.returncode == 2, done.stderr
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert "Traceback" not in done.stderr
    assert not (folder / "out").exists()
    return done.stderr


def edited(folder: Path, old: str, new: str) -> None:
    path = folder / "in" / "breaker.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def as_csv(folder: Path) -> pd.DataFrame:
    """The healthy hundred-ampere record as a frame, with its breaker file in place of the other."""
    shutil.copy(RECORDS / "open-100A-csv" / "breaker.toml", folder / "in" / "breaker.toml")
    return pd.read_csv(RECORDS / "open-100A-csv" / "record.csv")


def test_diagnose_leaves_tables_findings_and_report(folder: Path) -> None:
    before = {p.name: p.read_bytes() for p in (folder / "in").iterdir()}
    done = drm("diagnose", "in/record.cfg", "--breaker", "in/breaker.toml", "--out", "out", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert "C1" in done.stdout
    assert "µΩ" in done.stdout  # UTF-8, although the environment says ASCII
    assert sorted(p.name for p in (folder / "out").iterdir()) == [
        "features.csv",
        "features.parquet",
        "findings.json",
        "mechanisms.csv",
        "mechanisms.parquet",
        "report.html",
        "source.json",
        "timing.csv",
        "timing.parquet",
        "travel.csv",
        "travel.parquet",
    ]
    assert {p.name: p.read_bytes() for p in (folder / "in").iterdir()} == before


def test_json_prints_the_findings_document_alone(folder: Path) -> None:
    done = drm("diagnose", "in/record.cfg", "--breaker", "in/breaker.toml", "--out", "out", "--json", cwd=folder)
    document = json.loads(done.stdout)
    assert document == json.loads((folder / "out" / "findings.json").read_text(encoding="utf-8"))
    assert document["schema"] == 1
    assert {"code", "level", "subject", "interrupters", "operations", "message", "evidence", "basis", "advice"} <= set(
        document["findings"][0]
    )


@pytest.mark.parametrize(("level", "status"), [("hold", 0), ("inspect", 1), ("note", 1)])
def test_fail_on_sets_the_exit_status(folder: Path, level: str, status: int) -> None:
    words = ("diagnose", "in/record.cfg", "--breaker", "in/breaker.toml", "--out", "out", "--fail-on", level)
    assert drm(*words, cwd=folder).returncode == status


def test_missing_record(folder: Path) -> None:
    assert "in/nothing.cfg" in refused(folder, record="in/nothing.cfg")


def test_missing_breaker_file(folder: Path) -> None:
    assert "drm describe" in refused(folder, breaker="in/nothing.toml")


def test_empty_record(folder: Path) -> None:
    (folder / "in" / "record.cfg").write_bytes(b"")
    assert "record.cfg" in refused(folder)


def test_empty_breaker_file(folder: Path) -> None:
    (folder / "in" / "breaker.toml").write_bytes(b"")
    assert "empty" in refused(folder)


def test_misspelt_key_is_refused_with_its_line_and_the_nearest(folder: Path) -> None:
    edited(folder, "trip_coil", "trip_coli")
    line = refused(folder)
    assert "line 8" in line
    assert "trip_coil" in line


def test_unknown_channel_is_refused_with_the_nearest(folder: Path) -> None:
    edited(folder, '"U_B2"', '"U_B3"')
    assert "U_B" in refused(folder)


def test_wrong_unit_is_refused(folder: Path) -> None:
    edited(folder, 'voltage = "U_A1"', 'voltage = "I_A"')
    line = refused(folder)
    assert "I_A" in line
    assert "V" in line


def test_a_record_without_an_operation_is_refused(folder: Path) -> None:
    frame = as_csv(folder)
    still = pd.concat([frame.iloc[:400]] * 3, ignore_index=True)
    still["time [s]"] = np.arange(len(still)) / 10e3
    still.to_csv(folder / "in" / "still.csv", index=False)
    assert "operation" in refused(folder, record="in/still.csv")


def test_truncated_data_are_read_as_far_as_they_go_and_said(folder: Path) -> None:
    data = folder / "in" / "record.dat"
    raw = data.read_bytes()
    data.write_bytes(raw[: len(raw) * 3 // 5])
    done = drm("diagnose", "in/record.cfg", "--breaker", "in/breaker.toml", "--out", "out", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert "short data" in (folder / "out" / "findings.json").read_text(encoding="utf-8")


def test_data_cut_before_the_operation_are_refused(folder: Path) -> None:
    data = folder / "in" / "record.dat"
    data.write_bytes(data.read_bytes()[:40000])
    refused(folder)


def test_missing_samples_flag_their_row_and_spare_the_others(folder: Path) -> None:
    frame = as_csv(folder)
    frame.loc[600:1400, "U_A1 [V]"] = np.nan
    frame.to_csv(folder / "in" / "gaps.csv", index=False)
    done = drm("diagnose", "in/gaps.csv", "--breaker", "in/breaker.toml", "--out", "out", cwd=folder)
    assert done.returncode == 0, done.stderr
    table = pd.read_csv(folder / "out" / "features.csv", keep_default_na=False).set_index("interrupter")
    assert "missing" in table.loc["A1", "quality"]
    assert table.loc["A1", "arcing_wipe_mm"] == ""
    assert (table.drop("A1")["quality"] == "").all()


def test_unknown_words_are_one_line(tmp_path: Path) -> None:
    done = drm("diagnoze", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1


def test_a_folder_that_cannot_be_made_is_refused(folder: Path) -> None:
    (folder / "file").write_text("not a folder")
    done = drm("diagnose", "in/record.cfg", "--breaker", "in/breaker.toml", "--out", "file/out", cwd=folder)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_results_that_cannot_be_printed_are_one_line_and_not_mistaken_for_a_finding(folder: Path) -> None:
    command = [sys.executable, "-P", "-m", "drm", "diagnose", "in/record.cfg", "--breaker", "in/breaker.toml"]
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [*command, "--out", "out"], cwd=folder, stdout=full, stderr=subprocess.PIPE, encoding="utf-8", check=False
        )
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1


def test_demo_names_what_it_simulated(tmp_path: Path) -> None:
    done = drm("demo", "--out", "demo", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    findings = json.loads((tmp_path / "demo" / "findings.json").read_text(encoding="utf-8"))["findings"]
    truth = json.loads((tmp_path / "demo" / "record" / "truth.json").read_text(encoding="utf-8"))["truth"]
    named = {i for f in findings if f["level"] in ("hold", "inspect") for i in f["interrupters"]}
    assert named == {t["interrupter"] for t in truth if t["faults"]}


def test_simulate_writes_a_record_that_diagnose_reads(tmp_path: Path) -> None:
    scenario = tmp_path / "small.toml"
    scenario.write_text('name = "small"\npoles = ["A"]\ninterrupters_per_pole = 3\n', encoding="utf-8")
    assert drm("simulate", scenario, "--out", "sim", cwd=tmp_path).returncode == 0
    done = drm("diagnose", "sim/small.cfg", "--breaker", "sim/breaker.toml", "--out", "out", cwd=tmp_path)
    assert done.returncode == 0, done.stderr


def test_a_misspelt_scenario_key_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text('name = "x"\npolls = ["A"]\n', encoding="utf-8")
    done = drm("simulate", "bad.toml", "--out", "sim", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "poles" in done.stderr


def test_describe_counts_the_lines_that_need_a_hand(folder: Path) -> None:
    done = drm("describe", "in/record.cfg", "--out", "draft.toml", cwd=folder)
    assert done.returncode == 0
    assert "no line needs a hand" in done.stderr
    assert "doubtful" not in (folder / "draft.toml").read_text(encoding="utf-8")
    cfg = folder / "in" / "record.cfg"
    cfg.write_text(cfg.read_text(encoding="utf-8").replace(",U_A1,", ",CH5,"), encoding="utf-8")
    done = drm("describe", "in/record.cfg", cwd=folder)
    assert done.returncode == 0
    marked = done.stdout.count("# doubtful")
    assert marked > 0
    assert f"{marked} line" in done.stderr
