"""A result of several records under review: the record is chosen inside, an edit belongs to one of its operations."""

from __future__ import annotations

import json
import re
import shutil
import signal
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from browser import Tab, chromium, needs_chromium
from click.testing import CliRunner
from review_fixture import serving

import drm
from drm.cli import _group
from drm.edit_log import LOG_NAME, read_log
from drm.edits import Edit
from drm.review.session import Session
from drm.review.traces import columns_of
from drm.synthetic import named, simulate, write_simulation

NOW = "2026-01-02T03:04:05+00:00"
#: Three openings and closings in two records: operation 1 is the first record's, 2 and 3 the second's.
SCENARIOS = ("open", "close", "open-again")
MOVE = Edit(0, "move", 2, "A1", "R. Person", NOW, "touches later", instant="arcing")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, drm.Result]:
    """Records of three poles in ``in``, with one breaker file for all, and their result beside them in ``result``."""
    out = tmp_path_factory.mktemp("together")
    for seed, name in enumerate(SCENARIOS):
        plan = replace(named(name.split("-")[0]), name=name, poles=("A", "B", "C"), interrupters_per_pole=1)
        write_simulation(simulate(plan, rng=np.random.default_rng(seed)), out / "in" / name)
    text = (out / "in" / "open" / "breaker.toml").read_text(encoding="utf-8")
    text = re.sub(r'trip_coil = "TC_(.)"', r'trip_coil = "TC_\1"\nclose_coil = "CC_\1"', text)
    (out / "in" / "breaker.toml").write_text(text, encoding="utf-8")
    result = drm.diagnose([drm.read(p) for p in paths(out / "in")], drm.Breaker.load(out / "in" / "breaker.toml"))
    result.save(out / "result")
    return out, result


def paths(records: Path) -> list[str]:
    return [str(next((records / name).glob("*.c[sf][vg]"))) for name in SCENARIOS]


@pytest.fixture
def result(whole: tuple[Path, drm.Result]) -> drm.Result:
    return whole[1]


@pytest.fixture
def folder(whole: tuple[Path, drm.Result], tmp_path: Path) -> Path:
    """The result and its records, moved together."""
    shutil.copytree(whole[0], tmp_path / "moved")
    # So that nothing is found at the old place.
    told = (tmp_path / "moved" / "result" / "source.json").read_text("utf-8")
    (tmp_path / "moved" / "result" / "source.json").write_text(told.replace(str(whole[0]), "/gone"), "utf-8")
    return tmp_path / "moved" / "result"


def shifted(session: Session, by_s: float = 2e-4) -> Edit:
    """A1's touch in the second record's closing, moved."""
    reading = session.reading(2, "A1")
    assert reading is not None
    return replace(MOVE, at_s=reading.zones.arcing_s.value + by_s)


def test_every_record_is_found_again_with_its_operations(folder: Path, result: drm.Result) -> None:
    session = Session(folder)
    assert [(n, list(o)) for n, o in session.records()] == [("open", [1]), ("close", [2]), ("open-again", [3])]
    pd.testing.assert_frame_equal(session.result.features, result.features)
    assert [f.code for f in session.result.findings] == [f.code for f in result.findings]


def test_an_edit_changes_its_own_operation_and_the_comparison_and_nothing_else(folder: Path) -> None:
    session = Session(folder)
    before = session.result.features.set_index(["operation", "interrupter"])
    session.decide([shifted(session)], seen=0)
    after = session.result.features.set_index(["operation", "interrupter"])
    assert after.loc[(2, "A1"), "arcing_contact_ms"] == pytest.approx(before.loc[(2, "A1"), "arcing_contact_ms"] + 0.2)
    columns = [c for c in before.columns if not c.startswith("sibling")]
    rest = before.index.drop((2, "A1"))
    pd.testing.assert_frame_equal(after.loc[rest, columns], before.loc[rest, columns])
    assert (session.result.automatic["operation"].tolist(), session.result.automatic["interrupter"].tolist()) == (
        [2],
        ["A1"],
    )


def test_it_is_what_diagnose_gives_with_the_same_edits(folder: Path) -> None:
    session = Session(folder)
    session.decide([shifted(session), replace(MOVE, action="exclude", operation=3, instant="")], seen=0)
    session.write()
    assert session.trouble == ""
    inputs = folder.parent / "in"
    words = ["diagnose", *paths(inputs), "--together", "--breaker", str(inputs / "breaker.toml")]
    words += ["--edits", str(folder / LOG_NAME), "--out", str(folder.parent / "again")]
    done = CliRunner().invoke(_group, words)
    assert done.exit_code == 0, done.output
    for table in ("features", "mechanisms", "timing", "repeatability"):
        one, other = (pd.read_parquet(f / f"{table}.parquet") for f in (folder, folder.parent / "again"))
        pd.testing.assert_frame_equal(one, other)


def test_an_undone_edit_leaves_the_automatic_values(folder: Path, result: drm.Result) -> None:
    session = Session(folder)
    session.decide([shifted(session)], seen=0)
    session.decide([replace(MOVE, action="undo", instant="", undoes=1)], seen=1)
    columns = [c for c in result.features.columns if c != "by_hand"]
    pd.testing.assert_frame_equal(session.result.features[columns], result.features[columns])
    assert session.result.automatic is None


def test_traces_are_those_of_the_record_that_holds_the_operation(folder: Path) -> None:
    session = Session(folder)
    for operation, name in ((1, "open"), (2, "close"), (3, "open-again")):
        sheet, reading = session.sheet(operation, "B1", "time"), session.reading(operation, "B1")
        assert sheet is not None
        assert reading is not None
        record = drm.read(next(p for p in paths(folder.parent / "in") if Path(p).parent.name == name))
        got = columns_of(sheet, sheet.x[500], sheet.x[520], 1000)
        start = reading.time_ms[499] * 1e-3 + reading.operation.reference_s["B"]
        k = int(np.argmin(np.abs(record.time_s - start)))
        raw = record.channel(reading.interrupter.voltage).values("V")[k : k + got.shape[1]]
        np.testing.assert_allclose(np.abs(got[4]), np.abs(raw), atol=1e-9)


def test_records_that_moved_are_given_and_told_by_their_contents(folder: Path) -> None:
    (folder.parent / "in").rename(folder.parent / "elsewhere")
    with pytest.raises(drm.InputError, match=r"no longer there; say where it is with --record"):
        Session(folder)
    now = paths(folder.parent / "elsewhere")
    assert len(Session(folder, record=now[::-1]).records()) == 3


def test_a_record_that_changed_is_refused(folder: Path) -> None:
    data = next((folder.parent / "in" / "close").glob("*.dat"), None) or Path(paths(folder.parent / "in")[1])
    raw = bytearray(data.read_bytes())
    raw[-3] = raw[-3] ^ 1
    data.write_bytes(raw)
    with pytest.raises(drm.InputError, match="not the record that the result was made from"):
        Session(folder)


def test_a_reading_that_a_record_does_not_have_is_refused(folder: Path, tmp_path: Path) -> None:
    """The third record is of pole A alone."""
    (folder.parent / "in").rename(tmp_path / "in")
    plan = replace(named("open"), name="alone", poles=("A",), interrupters_per_pole=1)
    alone = write_simulation(simulate(plan, rng=np.random.default_rng(9)), tmp_path / "in" / "alone")
    given = [*paths(tmp_path / "in")[:2], str(alone)]
    breaker = drm.Breaker.load(tmp_path / "in" / "breaker.toml")
    drm.diagnose([drm.read(p) for p in given], breaker).save(tmp_path / "result")
    with serving(tmp_path / "result") as server:
        told = server.ask("/api/overview")
        assert {r["name"] for r in told["readings"] if r["operation"] == 3} == {"A1"}
        status, answer = server.decide("3-1", {"action": "exclude"})
        assert (status, "no such reading" in answer["error"]) == (400, True)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as running:
        yield running


@needs_chromium
@pytest.mark.filterwarnings("ignore")
def test_the_record_is_chosen_on_the_page_and_the_edit_outlives_the_server(browser: Any, folder: Path) -> None:
    with serving(folder) as server:
        tab = Tab(browser)
        tab.page.goto(server.url)
        tab.page.wait_for_selector("#own .traces[data-ready]")
        groups = tab.page.eval_on_selector_all("#which optgroup", "all => all.map((g) => g.label)")
        assert groups == ["record open", "record close", "record open-again"]
        assert tab.page.locator("#list button").count() == 9
        tab.page.select_option("#which", label="all of close")
        assert tab.page.locator("#list button").count() == 3
        button = tab.page.locator("#list button").filter(has_text="A1 · 2 closing")
        key = button.get_attribute("data-key")
        button.click()
        tab.page.wait_for_selector(f'#own .traces[data-ready^="{key} "]')
        assert "close" in tab.page.inner_text("#reading-title")
        before = tab.page.inner_text("#wipe-now")
        tab.page.focus("#flag-arcing")
        tab.page.keyboard.press("Shift+ArrowRight")
        tab.page.wait_for_selector("#changes:not([hidden])")
        assert tab.page.inner_text("#wipe-now") != before
        tab.page.fill("#who", "R. Person")
        tab.page.fill("#reason", "touches elsewhere")
        tab.page.click("#keep")
        tab.until("document.getElementById('log').rows.length === 2")
        tab.page.select_option("#beside", index=1)
        tab.page.wait_for_selector("#other .traces[data-ready]")
        server.settled()
        assert (tab.said, tab.barriers()) == ([], [])
        assert server.stop(signal.SIGINT) == 0
        tab.context.close()
    (edit,) = read_log(folder / LOG_NAME).edits
    assert (edit.operation, edit.interrupter) == (2, "A1")
    assert "touches elsewhere" in (folder / "report.html").read_text("utf-8")
    assert json.loads((folder / "source.json").read_text("utf-8"))["records"] == 3
    assert Session(folder).result.features.set_index(["operation", "interrupter"]).loc[(2, "A1"), "by_hand"]
