"""The log of edits: it only grows, a crash costs nothing that was confirmed, and whatever was altered is noticed."""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drm.edit_log import Overtaken, append, checked, read_log, tidy
from drm.edits import Edit
from drm.errors import InputError, OutputError

INPUTS = {"record.cfg": "a" * 64, "record.dat": "b" * 64}
NOTE = Edit(0, "annotate", 1, "A1", "R. Person", "2026-01-02T03:04:05+00:00", "looked at it")


def added(path: Path, *edits: Edit, seen: int | None = None) -> tuple[Edit, ...]:
    return append(path, edits, inputs=INPUTS, seen=len(read_log(path).edits) if seen is None else seen).edits


def test_what_was_added_is_read_back(tmp_path: Path) -> None:
    path = tmp_path / "edits.jsonl"
    move = replace(NOTE, action="move", instant="main", at_s=0.123456789012345, u_s=1e-5)
    added(path, NOTE)
    added(path, move)
    log = read_log(path)
    assert log.edits[0].reason == NOTE.reason
    assert math.isnan(log.edits[0].at_s)
    assert log.edits[1] == replace(move, number=2)
    assert log.inputs == INPUTS


def test_no_file_is_an_empty_log(tmp_path: Path) -> None:
    assert read_log(tmp_path / "edits.jsonl").edits == ()


def test_lines_are_only_added(tmp_path: Path) -> None:
    path = tmp_path / "edits.jsonl"
    added(path, NOTE)
    before = path.read_bytes()
    added(path, replace(NOTE, action="undo", undoes=1))
    assert path.read_bytes().startswith(before)


@settings(deadline=None)  # each example waits for the disk
@given(text=st.text(min_size=1, max_size=40).filter(lambda t: t.strip()))
def test_any_words_are_read_back_as_they_were(text: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("log") / "edits.jsonl"
    edit = tidy(replace(NOTE, reason=text))
    added(path, edit)
    assert read_log(path).edits[0].reason == edit.reason


@pytest.mark.parametrize("cut", [1, 20, 200])
def test_a_line_cut_short_by_a_crash_is_passed_over_and_the_next_is_whole(cut: int, tmp_path: Path) -> None:
    path = tmp_path / "edits.jsonl"
    added(path, NOTE)
    good = path.read_bytes()
    added(path, replace(NOTE, reason="x" * 300))
    path.write_bytes(path.read_bytes()[: len(good) + cut])
    log = read_log(path)
    assert (len(log.edits), log.torn) == (1, 1)
    added(path, replace(NOTE, reason="later"))
    assert [e.reason for e in read_log(path).edits] == ["looked at it", "later"]


def lines(path: Path) -> list[bytes]:
    return path.read_bytes().splitlines(keepends=True)


@pytest.mark.parametrize("what", ["changed", "lost", "put in", "swapped"])
def test_whatever_was_altered_is_refused_with_its_line(what: str, tmp_path: Path) -> None:
    path = tmp_path / "edits.jsonl"
    for reason in ("one", "two", "three"):
        added(path, replace(NOTE, reason=reason))
    head, *rest = lines(path)
    if what == "changed":
        rest[1] = rest[1].replace(b"two", b"2 o")
    elif what == "lost":
        del rest[1]
    elif what == "put in":
        rest.insert(1, rest[0])
    else:
        rest[0], rest[1] = rest[1], rest[0]
    path.write_bytes(b"".join([head, *rest]))
    with pytest.raises(InputError, match=r"line [2-4]: the log of edits was altered"):
        read_log(path)


def test_an_edit_of_a_reading_that_somebody_else_edited_meanwhile_is_not_taken(tmp_path: Path) -> None:
    path = tmp_path / "edits.jsonl"
    added(path, NOTE, seen=0)
    before = path.read_bytes()
    with pytest.raises(Overtaken) as caught:
        added(path, replace(NOTE, reason="mine"), seen=0)
    assert [e.reason for e in caught.value.edits] == ["looked at it"]
    assert path.read_bytes() == before


def test_edits_of_different_readings_do_not_hinder_each_other(tmp_path: Path) -> None:
    path = tmp_path / "edits.jsonl"
    added(path, NOTE, seen=0)
    added(path, replace(NOTE, interrupter="A2"), seen=0)
    added(path, replace(NOTE, operation=2), seen=0)
    assert [e.number for e in read_log(path).edits] == [1, 2, 3]


def test_many_writers_at_once_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / "edits.jsonl"
    code = (
        "import sys; from pathlib import Path\n"
        "from drm.edit_log import append; from drm.edits import Edit\n"
        "for k in range(15):\n"
        "    e = Edit(0, 'annotate', k, sys.argv[2], 'p', '2026-01-02', f'{sys.argv[2]} {k}')\n"
        f"    append(Path(sys.argv[1]), [e], inputs={INPUTS!r}, seen=0)\n"
    )
    writers = [subprocess.Popen([sys.executable, "-P", "-c", code, str(path), f"W{n}"]) for n in range(4)]
    assert [w.wait(60) for w in writers] == [0] * 4
    assert {e.reason for e in read_log(path).edits} == {f"W{n} {k}" for n in range(4) for k in range(15)}


@pytest.mark.skipif(os.name == "nt", reason="signals of another kind there")
def test_whatever_was_confirmed_before_a_kill_is_there(tmp_path: Path) -> None:
    path = tmp_path / "edits.jsonl"
    code = (
        "import sys; from pathlib import Path\n"
        "from drm.edit_log import append; from drm.edits import Edit\n"
        "k = 0\n"
        "while True:\n"
        "    e = Edit(0, 'annotate', k, 'A1', 'p', '2026-01-02', 'x' * 5000)\n"
        f"    append(Path(sys.argv[1]), [e], inputs={INPUTS!r}, seen=0)\n"
        "    k += 1; print(k, flush=True)\n"
    )
    with subprocess.Popen([sys.executable, "-P", "-c", code, str(path)], stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        for _ in range(5):
            confirmed = int(writer.stdout.readline())
        time.sleep(0.05)
        writer.send_signal(signal.SIGKILL)
        rest = writer.stdout.read().split()
    confirmed = int(rest[-1]) if rest else confirmed
    assert len(read_log(path).edits) >= confirmed
    added(path, replace(NOTE, reason="after"))
    assert read_log(path).edits[-1].reason == "after"


def test_a_full_disk_leaves_the_log_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "edits.jsonl"
    added(path, NOTE)
    before = path.read_bytes()

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("drm.edit_log.os.fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        added(path, NOTE)
    assert path.read_bytes() == before


def test_the_log_of_another_record_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "edits.jsonl"
    added(path, NOTE)
    with pytest.raises(InputError, match="another record"):
        append(path, [NOTE], inputs={"record.cfg": "c" * 64}, seen=1)


@pytest.mark.parametrize(
    ("change", "place"),
    [
        ({"who": " "}, "name"),
        ({"reason": ""}, "reason"),
        ({"who": "x" * 201}, "name"),
        ({"reason": "x" * 200_001}, "reason"),
        ({"action": "delete"}, "action"),
        ({"action": "move", "instant": ""}, "instant"),
        ({"when": "yesterday"}, "when"),
        ({"reason": "half \ud800"}, "reason"),
    ],
)
def test_an_edit_that_cannot_be_kept_is_refused_at_its_place(change: dict[str, str], place: str) -> None:
    with pytest.raises(InputError) as caught:
        checked(replace(NOTE, **change))
    assert caught.value.place == place


def test_each_line_is_json_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "edits.jsonl"
    added(path, replace(NOTE, reason="two\nlines \u202e and NaN"))
    told = [json.loads(line) for line in lines(path)]
    assert told[0]["inputs"] == INPUTS
    assert told[1]["at_s"] is None
