"""What a worker does: a batch of units in, a part on disk and a receipt out."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from drm.errors import InputError
from drm.study.content import content_of
from drm.study.parts import write_part
from drm.study.schema import TABLES
from drm.study.settings import Settings
from drm.study.tree import Unit
from drm.study.unit import Rows, lost, rows_of

__all__ = ["Receipt", "Task", "run"]


@dataclass(frozen=True)
class Task:
    """Units to be looked at: ``check`` hashes them, ``work`` does the job, ``lost`` writes them off."""

    what: Literal["check", "work", "lost"]
    units: tuple[Unit, ...]
    settings: Settings


@dataclass(frozen=True)
class Receipt:
    """What came of a task.

    Attributes
    ----------
    keys : tuple of (bytes, str)
        Path and key of each unit; the key is empty where the unit is to be tried again at the next run.
    part : str
        File that holds the rows; empty after a check.
    done : int
        Units that did not fail.
    seconds : float
        Time that it took.
    """

    keys: tuple[tuple[bytes, str], ...]
    part: str
    done: int
    seconds: float


def run(task: Task) -> Receipt:
    """Do one task.

    Raises
    ------
    OutputError
        If the part cannot be written: a full disk ends the run, a bad record does not.
    InputError
        If this worker does not see the folders or has another version of the program.
    """
    begun = time.perf_counter()
    _same_world(task.settings)
    if task.what == "check":
        keys = tuple((u.path, _key(u, task.settings)) for u in task.units)
        return Receipt(keys, "", 0, time.perf_counter() - begun)
    rows: Rows = {table: [] for table in TABLES}
    job = rows_of if task.what == "work" else lost
    with _one_thread():
        for unit in task.units:
            for table, more in job(unit, task.settings).items():
                rows[table] += more
    part = write_part(rows, task.settings.parts)
    keys = tuple((u.path, test["key"]) for u, test in zip(task.units, rows["tests"], strict=True))
    done = sum(test["status"] == "done" for test in rows["tests"])
    return Receipt(keys, part, done, time.perf_counter() - begun)


def _key(unit: Unit, settings: Settings) -> str:
    try:
        return "" if unit.trouble else content_of(unit, settings).key
    except OSError:
        return ""


def _same_world(settings: Settings) -> None:
    from drm import __version__

    if __version__ != settings.version:
        what = f"a worker has version {__version__} of the program, the study runs with {settings.version}"
        raise InputError(what, mend="install the same version everywhere")
    for folder in (Path(settings.root), settings.parts):
        if not folder.is_dir():
            what = f"the worker on {os.uname().nodename if hasattr(os, 'uname') else 'a machine'} does not see it"
            raise InputError(what, path=folder, mend="share the folder under the same name with every worker")


@contextmanager
def _one_thread() -> Iterator[None]:
    """Each unit on one thread: there are as many workers as processors."""
    from drm import threads

    most, threads.MOST = threads.MOST, 1
    try:
        yield
    finally:
        threads.MOST = most
