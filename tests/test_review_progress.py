"""Progress of long work: words on a terminal, nothing elsewhere."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from review_fixture import RECORDS

from drm.progress import listening, now

FOLDER = RECORDS / "close-two-per-pole"


def words(out: Path, *records: Path) -> list[str]:
    return [
        sys.executable, "-P", "-m", "drm", "diagnose", *map(str, records or (FOLDER / "record.cfg",)),
        "--breaker", str(FOLDER / "breaker.toml"), "--out", str(out),
    ]  # fmt: skip


def on_a_terminal(run: list[str]) -> tuple[str, str]:
    """Standard output, and what standard error shows on a terminal."""
    pty, termios = (pytest.importorskip(name) for name in ("pty", "termios"))
    ours, theirs = pty.openpty()
    # A new one is no columns wide, and a bar takes that at its word.
    termios.tcsetwinsize(theirs, (24, 100))
    with subprocess.Popen(run, stdout=subprocess.PIPE, stderr=theirs, text=True) as process:
        os.close(theirs)
        shown = b""
        while True:
            try:
                part = os.read(ours, 4096)
            except OSError:  # the other side is closed
                break
            if not part:
                break
            shown += part
        assert process.stdout is not None
        said = process.stdout.read()
    os.close(ours)
    assert process.returncode == 0, shown
    return said, shown.decode("utf-8", "replace")


def test_one_record_is_told_step_by_step_on_a_terminal(tmp_path: Path) -> None:
    said, shown = on_a_terminal(words(tmp_path))
    steps = ["reading", "finding the operations", "zones of operation 1 of 1", "comparing the siblings"]
    assert [shown.find(s) for s in steps] == sorted(shown.find(s) for s in steps)
    assert all(s in shown for s in steps)
    assert "zones of operation" not in said


def test_several_records_are_told_with_a_bar(tmp_path: Path) -> None:
    for name in ("record.cfg", "record.dat"):
        shutil.copy(FOLDER / name, tmp_path / name.replace("record", "second"))
    _, shown = on_a_terminal(words(tmp_path / "out", FOLDER / "record.cfg", tmp_path / "second.cfg"))
    assert "records:" in shown
    assert "/2" in shown


def test_without_a_terminal_there_is_not_a_word(tmp_path: Path) -> None:
    done = subprocess.run(words(tmp_path), capture_output=True, text=True, timeout=120)
    assert done.returncode == 0
    assert done.stderr == ""


def test_whoever_listens_hears_and_nobody_afterwards() -> None:
    heard: list[str] = []
    now("before")
    with listening(heard.append):
        now("during")
    now("after")
    assert heard == ["during"]
