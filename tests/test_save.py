"""A result on disk: whole, described, safe to open in a spreadsheet, and nothing else touched."""

from __future__ import annotations

import csv
import json
import os
from dataclasses import replace
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

import drm
from drm.features.registry import FEATURES

FOLDER = Path(__file__).parent / "data" / "records" / "series-injection"
WRITTEN = {
    "features.parquet",
    "features.csv",
    "mechanisms.parquet",
    "mechanisms.csv",
    "timing.parquet",
    "timing.csv",
    "travel.parquet",
    "travel.csv",
    "findings.json",
    "report.html",
    "source.json",
}


@cache
def result() -> drm.Result:
    return drm.diagnose(drm.read(FOLDER / "record.cfg"), drm.Breaker.load(FOLDER / "breaker.toml"))


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("saved") / "new" / "out"
    result().save(out)
    return out


def hashes(folder: Path) -> dict[str, str]:
    return {p.name: sha256(p.read_bytes()).hexdigest() for p in folder.iterdir() if p.is_file()}


def refuse_constant(text: str) -> Any:
    raise AssertionError(f"{text} in findings.json")


def broken(*_: object, **__: object) -> str:
    raise RuntimeError("rendering failed")


def test_the_folder_holds_the_eleven_files_and_nothing_else(saved: Path) -> None:
    assert {p.name for p in saved.iterdir()} == WRITTEN


def test_the_tables_come_back_as_they_were(saved: Path) -> None:
    for name, table in (("features", result().features), ("mechanisms", result().mechanisms)):
        back = pd.read_parquet(saved / f"{name}.parquet")
        pd.testing.assert_frame_equal(back, table, check_dtype=False)


def test_csv_and_parquet_hold_the_same_numbers(saved: Path) -> None:
    parquet, text = pd.read_parquet(saved / "features.parquet"), pd.read_csv(saved / "features.csv")
    assert list(text.columns) == list(parquet.columns)
    for feature in FEATURES:
        a, b = text[feature.name].to_numpy(float), parquet[feature.name].to_numpy(float)
        # Nine significant digits are written.
        np.testing.assert_allclose(a, b, rtol=1e-8)


def test_a_value_that_could_not_be_measured_is_empty_in_the_csv(tmp_path: Path) -> None:
    features = result().features.copy()
    features.loc[0, "arcing_wipe_mm"] = np.nan
    replace(result(), features=features).save(tmp_path)
    with (tmp_path / "features.csv").open(encoding="utf-8", newline="") as file:
        assert next(csv.DictReader(file))["arcing_wipe_mm"] == ""


@pytest.mark.parametrize(
    ("column", "unit"),
    [
        ("main_resistance_uohm", "uOhm"),
        ("main_contact_ms", "ms"),
        ("arcing_wipe_mm", "mm"),
        ("arcing_area_uohm_mm", "uOhm mm"),
        ("parting_speed_m_s", "m/s"),
        ("arcing_wipe_mm_u", "mm"),
        ("interrupter", ""),
    ],
)
def test_each_column_carries_its_unit(column: str, unit: str, saved: Path) -> None:
    assert pq.read_schema(saved / "features.parquet").field(column).metadata[b"unit"].decode() == unit


def test_each_column_carries_its_meaning(saved: Path) -> None:
    schema = pq.read_schema(saved / "features.parquet")
    assert all(field.metadata[b"long_name"] for field in schema)
    for feature in FEATURES:
        assert schema.field(feature.name).metadata[b"long_name"].decode() == feature.meaning
        uncertainty = schema.field(f"{feature.name}_u").metadata[b"long_name"].decode()
        assert "standard uncertainty" in uncertainty
        assert feature.meaning in uncertainty


@pytest.mark.parametrize("name", ["features", "mechanisms"])
def test_the_provenance_stands_under_the_key_drm(name: str, saved: Path) -> None:
    about = json.loads(pq.read_schema(saved / f"{name}.parquet").metadata[b"drm"])
    assert about["schema"] == 1
    assert set(about["provenance"]) == set(result().provenance)


@pytest.mark.parametrize(
    "text",
    [
        "=1+1",
        "+1",
        "-1",
        "@sum",
        "\t=1",
        "\r=1",
    ],
)
def test_text_that_a_spreadsheet_would_run_is_guarded_in_the_csv_alone(text: str, tmp_path: Path) -> None:
    features = result().features.assign(interrupter=text)
    replace(result(), features=features).save(tmp_path)
    with (tmp_path / "features.csv").open(encoding="utf-8", newline="") as file:
        cells = {row["interrupter"] for row in csv.DictReader(file)}
    # A control character would end the row or open a cell: it becomes a space.
    assert cells == {"'" + text.replace("\t", " ").replace("\r", " ")}
    assert set(pd.read_parquet(tmp_path / "features.parquet")["interrupter"]) == {text}


def test_a_negative_number_is_not_guarded(tmp_path: Path) -> None:
    replace(result(), features=result().features.assign(arcing_wipe_mm=-1.5)).save(tmp_path)
    assert set(pd.read_csv(tmp_path / "features.csv")["arcing_wipe_mm"]) == {-1.5}


def test_the_findings_document_has_the_promised_keys(saved: Path) -> None:
    document = json.loads((saved / "findings.json").read_text("utf-8"), parse_constant=refuse_constant)
    assert list(document) == ["schema", "record", "provenance", "findings"]
    assert (document["schema"], document["record"]) == (1, "record")
    assert len(document["findings"]) == len(result().findings) > 0
    wanted = {"code", "level", "subject", "interrupters", "operations", "message", "evidence", "basis", "advice"}
    assert all(set(f) == wanted for f in document["findings"])


def test_a_number_that_is_none_is_null_in_the_findings(tmp_path: Path) -> None:
    evidence = {"a": float("nan"), "b": [np.inf, np.float64("nan"), 1.0], "c": np.int64(3)}
    replace(result(), findings=(replace(result().findings[0], evidence=evidence),)).save(tmp_path)
    text = (tmp_path / "findings.json").read_text("utf-8")
    (finding,) = json.loads(text, parse_constant=refuse_constant)["findings"]
    assert finding["evidence"] == {"a": None, "b": [None, None, 1.0], "c": 3}


def test_nothing_is_written_by_halves_where_rendering_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("drm.report.render", broken)
    with pytest.raises(RuntimeError, match="rendering failed"):
        result().save(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_an_earlier_result_stays_where_rendering_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    result().save(tmp_path)
    before = hashes(tmp_path)
    monkeypatch.setattr("drm.report.render", broken)
    with pytest.raises(RuntimeError):
        replace(result(), features=result().features.assign(arcing_wipe_mm=1.0)).save(tmp_path)
    assert hashes(tmp_path) == before


@pytest.mark.parametrize("place", ["file", "file/out"])
def test_a_folder_that_cannot_be_made_is_refused(place: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    with pytest.raises(drm.OutputError) as caught:
        result().save(tmp_path / place)
    assert caught.value.path == str(tmp_path / place)
    assert "--out" in caught.value.mend
    assert (tmp_path / "file").read_text(encoding="utf-8") == "mine"


def test_a_full_disk_is_refused_and_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(pd.DataFrame, "to_csv", full)
    with pytest.raises(drm.OutputError, match="No space left"):
        result().save(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_an_earlier_result_stays_where_one_file_cannot_be_replaced(tmp_path: Path) -> None:
    result().save(tmp_path)
    (tmp_path / "report.html").unlink()
    (tmp_path / "report.html").mkdir()
    before = hashes(tmp_path)
    with pytest.raises(drm.OutputError):
        replace(result(), features=result().features.assign(arcing_wipe_mm=1.0)).save(tmp_path)
    assert hashes(tmp_path) == before


@pytest.mark.parametrize("turn", range(1, 12))
def test_an_earlier_result_stays_where_the_user_stops_the_run(
    turn: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    result().save(tmp_path)
    before, replace_file, turns = hashes(tmp_path), os.replace, iter(range(1, 100))

    def stopped(source: Path, target: Path) -> None:
        if next(turns) == turn:
            raise KeyboardInterrupt
        replace_file(source, target)

    monkeypatch.setattr(os, "replace", stopped)
    with pytest.raises(KeyboardInterrupt):
        replace(result(), features=result().features.assign(arcing_wipe_mm=1.0)).save(tmp_path)
    assert hashes(tmp_path) == before
    assert {p.name for p in tmp_path.iterdir()} == WRITTEN


def test_every_file_is_flushed_before_it_is_moved_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    flushed: list[str] = []
    moved: dict[str, set[str]] = {}
    replace_file = os.replace

    def replacing(source: Path, target: Path) -> None:
        moved[Path(target).name] = set(flushed)
        replace_file(source, target)

    monkeypatch.setattr("drm.move_in.on_disk", lambda path: flushed.append(path.name))
    monkeypatch.setattr(os, "replace", replacing)
    result().save(tmp_path)
    assert set(moved) == WRITTEN
    # The folder's own names too, before any file is moved and after all are.
    assert all(WRITTEN | {tmp_path.name} <= before for before in moved.values())
    assert flushed[-1] == tmp_path.name


def test_a_foreign_file_in_the_folder_stays(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    result().save(tmp_path)
    assert (tmp_path / "notes.txt").read_text(encoding="utf-8") == "mine"
    assert {p.name for p in tmp_path.iterdir()} == WRITTEN | {"notes.txt"}


def test_a_second_result_replaces_the_first(tmp_path: Path) -> None:
    result().save(tmp_path)
    replace(result(), features=result().features.assign(arcing_wipe_mm=1.0)).save(tmp_path)
    assert set(pd.read_parquet(tmp_path / "features.parquet")["arcing_wipe_mm"]) == {1.0}
    assert {p.name for p in tmp_path.iterdir()} == WRITTEN


def test_the_inputs_and_the_result_are_unchanged(tmp_path: Path) -> None:
    before, features = hashes(FOLDER), result().features.copy()
    drm.diagnose(drm.read(FOLDER / "record.cfg"), drm.Breaker.load(FOLDER / "breaker.toml")).save(tmp_path)
    result().save(tmp_path)
    assert hashes(FOLDER) == before
    pd.testing.assert_frame_equal(result().features, features)


def test_what_a_killed_run_left_behind_is_swept_and_what_is_being_written_stays(tmp_path: Path) -> None:
    for name in (".part-old", ".part-new"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "features.csv").write_text("half", encoding="utf-8")
    os.utime(tmp_path / ".part-old", (0, 0))
    result().save(tmp_path)
    assert {p.name for p in tmp_path.iterdir()} == WRITTEN | {".part-new"}
