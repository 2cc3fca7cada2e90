"""A result found again: its record, its log, its doubts."""

from __future__ import annotations

import json
import shutil
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from review_fixture import RECORDS, diagnosed, made

import drm
from drm.breaker import Breaker, Conditions, Instrument, Interrupter, Limit, Mechanism, TravelSensor
from drm.edit_log import LOG_NAME
from drm.edits import Edit
from drm.origin import find_again, source_document
from drm.reference import load_reference
from drm.review.doubt import doubts
from drm.review.session import Session
from drm.review.traces import TRACES, columns_of
from drm.review.writer import Writer
from drm.siblings_population import load_population
from drm.siblings_prior import ORIENTATION

NOW = "2026-01-02T03:04:05+00:00"
NOTE = Edit(0, "annotate", 1, "A1", "R. Person", NOW, "looked at it")


def moved(tmp_path: Path) -> tuple[Path, Path]:
    """A result and its record, both beside one another in a folder of their own."""
    inputs = tmp_path / "in"
    shutil.copytree(RECORDS / "series-injection", inputs)
    result = drm.diagnose(drm.read(inputs / "record.cfg"), drm.Breaker.load(inputs / "breaker.toml"))
    result.save(tmp_path / "result")
    return inputs, tmp_path / "result"


# -- the record


def test_the_breaker_is_found_again_as_it_was(tmp_path: Path) -> None:
    folder = made(tmp_path)
    origin = find_again(folder)
    assert origin.breaker == Breaker.load(RECORDS / "series-injection" / "breaker.toml")
    assert origin.record.name == "record"
    assert origin.reference is None


def test_every_field_of_a_breaker_is_found_again(tmp_path: Path) -> None:
    breaker = Breaker(
        "x",
        (Mechanism("A", TravelSensor("T", curve=((0.0, 1.0), (2.0, 3.0))), "t", None, "m", {"a": "AUX"}),),
        (Interrupter("A1", "A", 1, "A", "U", "I"),),
        60.0,
        "s",
        "y",
        Conditions(21.0, True),
        Instrument(skew_s=1e-7),
        {"arcing_wipe_mm": Limit(min=float("inf"))},
        None,
    )
    told = source_document(replace(diagnosed("series-injection"), breaker=breaker), tmp_path)
    (tmp_path / "source.json").write_text(json.dumps(told), "utf-8")
    assert find_again(tmp_path).breaker == breaker


def test_folder_and_record_moved_together_are_found(tmp_path: Path) -> None:
    moved(tmp_path / "old")
    (tmp_path / "old").rename(tmp_path / "new")
    assert find_again(tmp_path / "new" / "result").record.path == str(tmp_path / "new" / "result" / "../in/record.cfg")


def test_a_folder_moved_alone_finds_its_record_by_the_whole_path(tmp_path: Path) -> None:
    inputs, result = moved(tmp_path)
    (tmp_path / "far" / "away").mkdir(parents=True)
    result.rename(tmp_path / "far" / "away" / "result")
    assert find_again(tmp_path / "far" / "away" / "result").record.path == str(inputs / "record.cfg")


def test_a_record_that_is_gone_is_told_with_the_mend_and_found_with_it(tmp_path: Path) -> None:
    inputs, result = moved(tmp_path)
    inputs.rename(tmp_path / "elsewhere")
    with pytest.raises(drm.InputError, match=r"no longer there; say where it is with --record"):
        find_again(result)
    assert find_again(result, record=tmp_path / "elsewhere" / "record.cfg").record.name == "record"


def test_a_record_that_changed_is_refused(tmp_path: Path) -> None:
    inputs, result = moved(tmp_path)
    data = bytearray((inputs / "record.dat").read_bytes())
    data[-1] ^= 1
    (inputs / "record.dat").write_bytes(data)
    with pytest.raises(drm.InputError, match="not the record that the result was made from"):
        find_again(result)


def compared(tmp_path: Path) -> tuple[Path, Path]:
    """A result compared with an earlier one."""
    (tmp_path / "then").mkdir()
    earlier = made(tmp_path / "then")
    folder = RECORDS / "series-injection"
    record, breaker = drm.read(folder / "record.cfg"), drm.Breaker.load(folder / "breaker.toml")
    drm.diagnose(record, breaker, reference=load_reference(earlier)).save(tmp_path / "now")
    return earlier, tmp_path / "now"


def test_a_result_compared_with_an_earlier_test_is_reviewed_with_it(tmp_path: Path) -> None:
    _, now = compared(tmp_path)
    session = Session(now)
    assert session.result.provenance["reference"]["record"].startswith("record")
    assert [f.code for f in session.result.findings] == [
        f["code"] for f in json.loads((now / "findings.json").read_text("utf-8"))["findings"]
    ]


def test_an_earlier_test_that_is_gone_or_changed_is_told_with_the_mend(tmp_path: Path) -> None:
    earlier, now = compared(tmp_path)
    earlier.rename(tmp_path / "moved")
    with pytest.raises(drm.InputError, match=r"earlier test of this result is no longer there; .* --reference DIR"):
        Session(now)
    assert Session(now, reference=tmp_path / "moved").reference is not None
    other = tmp_path / "other"
    diagnosed("close-two-per-pole").save(other)
    with pytest.raises(drm.InputError, match="not the earlier test that the result was made from"):
        Session(now, reference=other)


def test_several_records_of_an_older_result_are_refused_with_the_mend(tmp_path: Path) -> None:
    """It names the first of them only."""
    folder = made(tmp_path)
    told = json.loads((folder / "source.json").read_text("utf-8"))
    del told["together"]
    (folder / "source.json").write_text(json.dumps(told | {"records": 2}), "utf-8")
    with pytest.raises(drm.InputError, match=r"made of 2 records together by an older version.*--together again"):
        Session(folder)


# -- the healthy scatter

SCATTER = """
[population]
name = "type X, 40 breakers"
only = true
[scatter.arcing_wipe_mm]
sd = 0.05
dof = 120
log = false
[scatter.arcing_resistance_uohm]
sd = 0.2
dof = 0
[[correlation]]
features = ["arcing_wipe_mm", "arcing_resistance_uohm"]
value = -0.3
[curve]
sd = 0.1
dof = 60
"""


def judged(tmp_path: Path) -> tuple[drm.Result, Path]:
    """A result judged by a population file that is gone since."""
    (tmp_path / "population.toml").write_text(SCATTER, "utf-8")
    population = load_population(tmp_path / "population.toml")
    (tmp_path / "population.toml").unlink()
    folder = RECORDS / "series-injection"
    record, breaker = drm.read(folder / "record.cfg"), drm.Breaker.load(folder / "breaker.toml")
    result = drm.diagnose(record, breaker, population=population)
    result.save(tmp_path / "result")
    return result, tmp_path / "result"


def test_a_result_is_reviewed_with_the_healthy_scatter_that_it_was_judged_by(tmp_path: Path) -> None:
    result, folder = judged(tmp_path)
    session = Session(folder)
    assert session.population == result.population
    pd.testing.assert_frame_equal(session.result.features, result.features)
    assert not result.features["sibling_score"].equals(diagnosed("series-injection").features["sibling_score"])
    session.decide([NOTE], seen=0)
    session.write()
    assert Session(folder).population == result.population
    assert "type X, 40 breakers" in (folder / "findings.json").read_text("utf-8")


def test_an_older_result_judged_by_a_population_file_is_refused_with_the_mend(tmp_path: Path) -> None:
    _, folder = judged(tmp_path)
    told = json.loads((folder / "source.json").read_text("utf-8"))
    del told["population"]
    (folder / "source.json").write_text(json.dumps(told), "utf-8")
    with pytest.raises(drm.InputError, match=r"'type X, 40 breakers'.*does not carry; run drm diagnose with --popu"):
        Session(folder)


def test_an_older_result_judged_by_what_ships_is_reviewed(tmp_path: Path) -> None:
    folder = made(tmp_path)
    told = json.loads((folder / "source.json").read_text("utf-8"))
    del told["population"], told["together"]
    (folder / "source.json").write_text(json.dumps(told), "utf-8")
    assert Session(folder).population == ORIENTATION


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"record": 3}', '{"record": {"relative": 1}}', "\x00"])
def test_a_damaged_source_is_refused_in_one_line(text: str, tmp_path: Path) -> None:
    (tmp_path / "source.json").write_text(text, "utf-8")
    with pytest.raises(drm.InputError, match=r"source\.json: cannot be read; run drm diagnose again"):
        find_again(tmp_path)


def test_a_folder_without_a_result_is_refused(tmp_path: Path) -> None:
    with pytest.raises(drm.InputError, match="holds no result that can be reviewed"):
        Session(tmp_path)


# -- saving beside the log


def test_a_result_without_the_edits_of_the_folder_does_not_overwrite_it(tmp_path: Path) -> None:
    folder = made(tmp_path)
    session = Session(folder)
    session.decide([NOTE], seen=0)
    with pytest.raises(drm.OutputError, match="holds 1 edits by hand that this result does not have"):
        session.automatic.save(folder)
    session.result.save(folder)
    assert json.loads((folder / "findings.json").read_text("utf-8"))["provenance"]["edits"][0]["who"] == "R. Person"


def test_a_result_with_edits_takes_them_along_into_a_new_folder(tmp_path: Path) -> None:
    session = Session(made(tmp_path))
    session.decide([NOTE, replace(NOTE, action="exclude")], seen=0)
    session.result.save(tmp_path / "second")
    second = Session(tmp_path / "second")
    assert [e.action for e in second.log.edits] == ["annotate", "exclude"]
    pd.testing.assert_frame_equal(second.result.features, session.result.features)


def test_a_log_shorter_than_the_tables_is_refused(tmp_path: Path) -> None:
    folder = made(tmp_path)
    session = Session(folder)
    session.decide([NOTE], seen=0)
    session.write()
    (folder / LOG_NAME).unlink()
    with pytest.raises(drm.InputError, match="holds 0 edits where the tables beside it were made with 1"):
        Session(folder)


def test_a_result_that_is_only_looked_at_takes_no_edit(tmp_path: Path) -> None:
    with pytest.raises(drm.InputError, match="only looked at"):
        Session(made(tmp_path), read_only=True).decide([NOTE], seen=0)


def test_an_edit_that_the_engine_refuses_never_gets_into_the_log(tmp_path: Path) -> None:
    session = Session(made(tmp_path))
    with pytest.raises(drm.InputError):
        session.decide([replace(NOTE, interrupter="Z9")], seen=0)
    assert not (session.folder / LOG_NAME).exists()


def test_edits_that_another_program_added_are_seen(tmp_path: Path) -> None:
    folder = made(tmp_path)
    one, two = Session(folder), Session(folder)
    two.decide([replace(NOTE, action="exclude")], seen=0)
    assert "excluded" in set(one.refresh().features["by_hand"])


def test_tables_that_cannot_be_written_are_told_and_the_edit_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = Session(made(tmp_path))
    session.decide([NOTE], seen=0)

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(pd.DataFrame, "to_csv", full)
    session.write()
    assert "No space left" in session.trouble
    assert session.written == 0
    monkeypatch.undo()
    session.write()
    assert (session.trouble, session.written) == ("", 1)


def test_an_edit_of_another_program_while_tables_are_written_gets_into_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = made(tmp_path)
    one, two = Session(folder), Session(folder)
    one.decide([NOTE], seen=0)
    refresh, turns = one.refresh, iter([True])

    def between() -> drm.Result:
        result = refresh()
        if next(turns, False):
            two.refresh()
            two.decide([replace(NOTE, action="exclude")], seen=1)
        return result

    monkeypatch.setattr(one, "refresh", between)
    one.write()
    assert (one.trouble, one.written) == ("", 2)
    assert "excluded" in set(pd.read_parquet(folder / "features.parquet")["by_hand"])


def test_a_log_that_was_altered_while_it_is_reviewed_is_told_and_nothing_is_written(tmp_path: Path) -> None:
    session = Session(made(tmp_path))
    session.decide([NOTE], seen=0)
    log = session.folder / LOG_NAME
    log.write_bytes(log.read_bytes().replace(b"looked", b"walked"))
    session.write()
    assert "was altered" in session.trouble
    assert session.written == 0


def test_a_fault_in_writing_is_told_and_the_next_edit_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = Session(made(tmp_path))
    monkeypatch.setattr("drm.report.render", lambda _: 1 / 0)
    session.decide([NOTE], seen=0)
    writer = Writer(session)
    writer.soon()
    while not session.trouble:
        time.sleep(0.02)
    assert "ZeroDivisionError" in session.trouble
    monkeypatch.undo()
    session.decide([replace(NOTE, interrupter="A2")], seen=1)
    writer.soon()
    writer.stop()
    assert (session.trouble, session.written) == ("", 2)


# -- doubt


def test_the_doubtful_come_first_and_the_decided_last(tmp_path: Path) -> None:
    session = Session(made(tmp_path))
    before = doubts(session.result)
    assert [d.weight for d in before] == sorted((d.weight for d in before), reverse=True)
    first = before[0]
    assert first.words
    session.decide([replace(NOTE, interrupter=first.interrupter, action="accept")], seen=0)
    after = doubts(session.result)
    assert (after[-1].interrupter, after[-1].decided) == (first.interrupter, True)


def test_a_note_alone_decides_nothing(tmp_path: Path) -> None:
    session = Session(made(tmp_path))
    session.decide([NOTE], seen=0)
    assert not any(d.decided for d in doubts(session.result))


def test_a_reading_whose_contact_was_cut_off_says_so(tmp_path: Path) -> None:
    words = {d.interrupter: " ".join(d.words) for d in doubts(Session(made(tmp_path)).result)}
    assert "cut off by C1" in words["C2"]


# -- traces


def test_traces_are_the_record_to_the_sample(tmp_path: Path) -> None:
    session = Session(made(tmp_path))
    sheet = session.sheet(1, "A1", "time")
    assert sheet is not None
    got = columns_of(sheet, sheet.x[100], sheet.x[150], 2000)
    unit = next(i for i in session.result.breaker.interrupters if i.name == "A1")
    raw = session.seen.record.channel(unit.current).values("A")
    reading = session.reading(1, "A1")
    assert reading is not None
    start = round((reading.time_ms[0] * 1e-3 + reading.operation.reference_s["A"]) * session.seen.record.sample_rate_hz)
    row = 2 + 2 * TRACES.index("current_a")
    expected = np.abs(raw[start + 99 : start + 99 + got.shape[1]])
    np.testing.assert_allclose(np.abs(got[row]), expected)
    np.testing.assert_array_equal(got[row], got[row + 1])


def test_over_travel_the_axis_ascends_and_time_goes_with_it(tmp_path: Path) -> None:
    session = Session(made(tmp_path))
    sheet = session.sheet(1, "A1", "travel")
    assert sheet is not None
    assert np.all(np.diff(sheet.x) >= 0)
    assert np.all(np.diff(sheet.time_ms) > 0)
    assert sheet.x.size > 1000


def test_a_closing_over_travel_runs_back_in_time(tmp_path: Path) -> None:
    session = Session(made(tmp_path, "close-two-per-pole"))
    sheet = session.sheet(1, "A1", "travel")
    assert sheet is not None
    assert np.all(np.diff(sheet.x) >= 0)
    assert np.all(np.diff(sheet.time_ms) < 0)
