"""A whole study: tree, work, tables, and what the fleet teaches."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from drm.errors import InputError, OutputError
from drm.study.crew import Alone, Cluster, Crew, Processes
from drm.study.drive import drive
from drm.study.index import Index
from drm.study.lessons import learn
from drm.study.publish import known, move_in, publish
from drm.study.settings import Settings, population_of
from drm.study.tree import walk

__all__ = ["Study", "processors", "study"]


@dataclass(frozen=True)
class Study:
    """What a study came to.

    Attributes
    ----------
    out : Path
        Folder with the tables.
    records, failures : int
        Records of the tree, and those among them that could not be used.
    again : int
        Records whose rows this run made; the others' were there already.
    """

    out: Path
    records: int
    failures: int
    again: int


def processors() -> int:
    """Processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def study(
    root: str | os.PathLike[str],
    *,
    out: str | os.PathLike[str],
    scheduler: str | None = None,
    jobs: int | None = None,
    population: str | os.PathLike[str] | None = None,
    progress: Callable[[int, int], object] | None = None,
) -> Study:
    """Do the whole job over a tree of records, and leave one table of features for all of them.

    Parameters
    ----------
    root : path
        Folder of records and breaker files; see :mod:`drm.study.tree` for which belongs to which. Never written to.
    out : path
        Folder for the tables; may lie inside `root`. A study that was stopped goes on there.
    scheduler : str, optional
        Address of a Dask scheduler, such as ``tcp://10.0.0.1:8786``; its workers do the work.
    jobs : int, optional
        Processes on this machine; as many as it has processors where not given. One: this process alone.
    population : path, optional
        Population file whose healthy scatter takes the place of the shipped one.
    progress : callable, optional
        Told how many of how many records are settled.

    Returns
    -------
    Study

    Raises
    ------
    InputError
        If there is no record, or the population file or the scheduler's address is wrong.
    OutputError
        If `out` cannot be written. What was done stays done: the same call goes on from there.
    """
    from drm import __version__

    home, target = Path(root).resolve(), Path(out).resolve()
    if not home.is_dir():
        raise InputError("no such folder", path=root, mend="give the folder that holds the records")
    if home == target:
        raise InputError("the records' folder cannot be that of the study", path=out, mend="give another to --out")
    if jobs is not None and jobs < 1:
        raise InputError(f"{jobs} processes", place="--jobs", mend="give 1 or more")
    settings = Settings(str(home), str(target), __version__, _text(population))
    with _held(settings), _index(settings) as index:
        move_in(settings)
        index.add(walk(os.fsencode(home), skip=os.fsencode(target)))
        total = index.count()
        if not total:
            mend = "give a folder with .cfg, .cff, .csv or .parquet records in it or below"
            raise InputError("holds no record", path=root, mend=mend)
        known(index, settings)
        again = _worked(index, settings, scheduler, jobs, progress or (lambda done, of: None))
        publish(index, settings)
        learn(settings)
    return Study(target, total, _rows_in(target / "failures"), again)


def _rows_in(folder: Path) -> int:
    import pyarrow.parquet as pq

    return sum(pq.read_metadata(p).num_rows for p in folder.glob("*.parquet"))


def _text(population: str | os.PathLike[str] | None) -> str:
    if population is None:
        return ""
    from drm.siblings_population import load_population

    load_population(population)  # what is wrong with it is said with its own path and line
    text = Path(population).read_text(encoding="utf-8")
    population_of(text)
    return text


def _worked(
    index: Index, settings: Settings, scheduler: str | None, jobs: int | None, progress: Callable[[int, int], object]
) -> int:
    total, settled = index.count(), 0

    def more(n: int) -> None:
        nonlocal settled
        settled += n
        progress(settled, total)

    progress(0, total)
    crew: Crew
    if scheduler is not None:
        crew = Cluster(scheduler)
    elif (many := min(jobs or processors(), total)) > 1:
        crew = Processes(many)
    else:
        crew = Alone()
    try:
        return drive(index, crew, settings, progress=more)
    finally:
        crew.close()


@contextmanager
def _index(settings: Settings) -> Iterator[Index]:
    try:
        index = Index(settings.work / "index.sqlite")
    except OSError as error:
        raise OutputError(f"cannot be written ({error.strerror})", path=settings.out, mend="make room") from None
    try:
        yield index
    finally:
        index.close()


@contextmanager
def _held(settings: Settings) -> Iterator[None]:
    """The study's folder for this run alone, where the system can tell."""
    try:
        settings.parts.mkdir(parents=True, exist_ok=True)
        lock = (settings.work / "lock").open("w")
    except OSError as error:
        mend = "give another folder to --out"
        raise OutputError(f"cannot be written ({error.strerror})", path=settings.out, mend=mend) from None
    with lock:
        try:
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except ImportError:
            pass  # a system without such locks
        except BlockingIOError:
            mend = "wait until it is done, or give another folder to --out"
            raise OutputError("another study is being made in it", path=settings.out, mend=mend) from None
        except OSError:
            pass  # a file system without such locks
        yield
