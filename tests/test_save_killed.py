"""A run that is killed while it puts a result in place: all old files or all new ones, never a mixture."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import drm
from drm.move_in import in_order
from drm.save import written_whole

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs processes that can be forked")

OLD = {f"table{n}.csv": "old" for n in range(6)} | {"source.json": "old", "only-old-and-new.csv": "old"}
NEW = dict.fromkeys(OLD, "new") | {"first-in-new.csv": "new"}
MINE = {"notes.txt": "mine", "edits.jsonl": "log"}
#: The steps on the disk between which a process may be killed.
STEPS = ("rename", "replace", "link", "fsync", "mkdir", "rmdir", "unlink")


@pytest.fixture(autouse=True)
def _no_power_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    """A killed process loses nothing that it wrote: waiting for the disk would only take time here."""
    monkeypatch.setattr(os, "fsync", lambda _: None)


def write(folder: Path, files: dict[str, str]) -> None:
    with written_whole(folder) as part:
        for name, text in files.items():
            (part / name).write_text(text, encoding="utf-8")


def held(folder: Path) -> dict[str, str]:
    return {p.name: p.read_text("utf-8") for p in folder.iterdir() if p.is_file()}


def killed_at(turn: int, work: Callable[[], object]) -> bool:
    """Do `work` in a process that kills itself before its `turn`-th step; whether it came to that."""
    child = os.fork()
    if child == 0:
        left = [turn]

        def counted(step: Callable[..., object]) -> Callable[..., object]:
            def run(*args: object, **more: object) -> object:
                left[0] -= 1
                if left[0] == 0:
                    os.kill(os.getpid(), signal.SIGKILL)
                return step(*args, **more)

            return run

        for name in STEPS:
            setattr(os, name, counted(getattr(os, name)))
        try:
            work()
        finally:
            os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL


def start(folder: Path) -> None:
    folder.mkdir()
    write(folder, OLD)
    for name, text in MINE.items():
        (folder / name).write_text(text, encoding="utf-8")


def test_killed_before_any_of_its_steps_it_leaves_the_old_or_the_new(tmp_path: Path) -> None:
    outcomes, mixed = [], 0
    for turn in range(1, 1000):
        folder = tmp_path / str(turn)
        start(folder)
        if not killed_at(turn, lambda folder=folder: write(folder, NEW)):  # type: ignore[misc]
            break
        mixed += held(folder) not in (OLD | MINE, NEW | MINE)
        outcomes.append(held(in_order(folder)))
    assert len(outcomes) > 20
    assert mixed > 5  # the test does kill in the middle
    assert all(o in (OLD | MINE, NEW | MINE) for o in outcomes)
    # From one step on the new ones count, and never again the old ones.
    new = [o == NEW | MINE for o in outcomes]
    assert new == sorted(new)
    assert 0 < sum(new) < len(new)


def test_killed_while_it_ends_what_another_began_it_can_be_ended_still(tmp_path: Path) -> None:
    for first in (18, 24, 30):
        for turn in range(1, 1000):
            folder = tmp_path / f"{first}-{turn}"
            start(folder)
            assert killed_at(first, lambda folder=folder: write(folder, NEW))  # type: ignore[misc]
            if not killed_at(turn, lambda folder=folder: in_order(folder)):  # type: ignore[misc]
                break
            assert held(in_order(folder)) in (OLD | MINE, NEW | MINE)
    assert turn > 3


@pytest.mark.parametrize("name", ["table3.csv", "first-in-new.csv"])
def test_killed_while_it_goes_back_it_leaves_the_old(name: str, tmp_path: Path) -> None:
    """A file that cannot be put in place takes the others back with it."""

    def refused(folder: Path) -> None:
        replace = os.replace

        def but_one(source: Path, target: Path) -> None:
            if Path(target).name == name and Path(source).parent.name == ".moving-in":
                raise PermissionError(13, "in use")
            replace(source, target)

        os.replace = but_one  # type: ignore[assignment]
        try:
            write(folder, NEW)
        except drm.OutputError:
            return

    back = 0
    for turn in range(1, 1000):
        folder = tmp_path / str(turn)
        start(folder)
        if not killed_at(turn, lambda folder=folder: refused(folder)):  # type: ignore[misc]
            assert held(folder) == OLD | MINE
            break
        back += (folder / ".moving-back").exists()
        # Killed before it was refused, it would have been put in place by now: both are whole.
        whole = [OLD | MINE] if (folder / ".moving-back").exists() else [OLD | MINE, NEW | MINE]
        assert held(in_order(folder)) in whole
    assert back > 2


def test_what_stays_hidden_is_swept_and_nothing_else(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    start(folder)
    assert killed_at(25, lambda: write(folder, NEW))
    for left in folder.glob(".part-*"):
        os.utime(left, (0, 0))
    write(folder, NEW)
    assert held(folder) == NEW | MINE
    assert not [p.name for p in folder.iterdir() if p.is_dir()]


def test_a_folder_that_cannot_be_put_in_order_is_told_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "out"
    start(folder)
    for turn in range(18, 60):
        killed_at(turn, lambda: write(folder, NEW))
        if (folder / ".moving-in").exists():
            break

    def refused(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "replace", refused)
    with pytest.raises(drm.InputError, match=r"stopped while it put its files in place.*Permission denied"):
        in_order(folder)


def test_a_link_in_place_of_the_hidden_folder_is_not_followed(tmp_path: Path) -> None:
    start(tmp_path / "out")
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "notes.txt").write_text("theirs", "utf-8")
    (tmp_path / "out" / ".moving-in").symlink_to(tmp_path / "elsewhere")
    assert held(in_order(tmp_path / "out")) == OLD | MINE


RANDOM = """
import json, os, random, signal, sys, time
from pathlib import Path
from drm.move_in import in_order
from drm.save import written_whole

folder, rounds = Path(sys.argv[1]), int(sys.argv[2])
draw = random.Random(7)
os.fsync = lambda _: None  # killed, not cut off from power
names = [f"table{n}.csv" for n in range(12)]

def held():
    return {p.name: p.read_text() for p in folder.iterdir() if p.is_file() and p.name in names}

def whole(files):
    return not files or (sorted(files) == sorted(names) and len(set(files.values())) == 1)

mixed = bad = last = backwards = 0
for turn in range(rounds):
    ours, theirs = os.pipe()
    child = os.fork()
    if child == 0:
        n = last
        while True:
            n += 1
            with written_whole(folder) as part:
                for name in names:
                    (part / name).write_text(str(n))
            os.write(theirs, b".")
    begun = time.perf_counter()
    os.read(ours, 1)
    # Anywhere in the next save or the one after it.
    time.sleep(draw.uniform(0.0, 1.5) * (time.perf_counter() - begun))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    os.close(ours)
    os.close(theirs)
    mixed += not whole(held())
    in_order(folder)
    files = held()
    bad += not whole(files)
    now = int(next(iter(files.values()), "0"))
    backwards += now <= last
    last = now
print(json.dumps({"mixed": mixed, "bad": bad, "backwards": backwards}))
"""


def test_killed_at_random_many_times_it_is_always_whole(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-P", "-c", RANDOM, str(tmp_path), "120"], capture_output=True, text=True, timeout=300
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    # What had been put in place when the process was killed is there, and some were killed in the middle.
    assert (told["bad"], told["backwards"]) == (0, 0)
    assert told["mixed"] > 0
