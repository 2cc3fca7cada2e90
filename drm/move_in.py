"""Files that belong together put in place as one: a run that is killed leaves all old or all new ones behind.

They are gathered in a hidden folder inside the target, so that renames stay on one file system. Its name tells how far
it got, and each of its own renames is one step:

* ``.part-*``: being written; nothing of it counts;
* ``.moving-in``: whole; its files go into the folder, and whoever next uses that folder goes on with it;
* ``.moving-back``: a file could not be put in place; the old ones, kept beside, go back.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from drm.errors import InputError
from drm.files import on_disk

__all__ = ["PART", "finish", "in_order", "put_in_place"]

PART, IN, BACK = ".part-", ".moving-in", ".moving-back"
KEPT, NAMES = ".kept", ".names"


def put_in_place(part: Path, folder: Path) -> None:
    """Every file of `part`, a folder inside `folder`, into `folder`; or, where one cannot be, every old one back.

    Raises
    ------
    OSError
        If a file cannot be put in place.
    """
    new = sorted(part.iterdir())
    for path in new:
        on_disk(path)
    with _alone(folder):
        _go_on(folder)
        _keep_old(part, folder, [p.name for p in new])
        os.rename(part, folder / IN)
        try:
            on_disk(folder)
            _in(folder)
        except BaseException:
            # Being stopped from the keyboard must not cost the earlier result either.
            if _there(folder / IN):
                os.rename(folder / IN, folder / BACK)
                _back(folder)
            raise


def finish(folder: Path) -> None:
    """Go on where a run was killed while it put files in place; nothing happens where none was.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    if _there(folder / IN) or _there(folder / BACK):
        with _alone(folder):
            _go_on(folder)


def in_order(folder: str | os.PathLike[str]) -> Path:
    """The folder, for whoever reads a result in it: no mixture of two results.

    Raises
    ------
    InputError
        If a run was killed while it put files in place, and that cannot be ended.
    """
    place = Path(folder)
    try:
        finish(place)
    except OSError as error:
        raise InputError(
            f"a run was stopped while it put its files in place, and that cannot be ended ({error.strerror or error})",
            path=folder,
            mend="make the folder writable, or run drm diagnose into a new one",
        ) from None
    return place


def _go_on(folder: Path) -> None:
    if _there(folder / BACK):
        _back(folder)
    if _there(folder / IN):
        _in(folder)


def _there(path: Path) -> bool:
    return path.is_dir() and not path.is_symlink()


def _keep_old(part: Path, folder: Path, names: list[str]) -> None:
    """The files that stand in the folder under a second name as well, and which ones there were."""
    (part / KEPT).mkdir()
    for name in names:
        if (folder / name).is_dir():
            raise IsADirectoryError(21, f"{name} is a folder there")
        if (folder / name).exists():
            _also_at(folder / name, part / KEPT / name)
    old = {name: (part / KEPT / name).exists() for name in names}
    (part / NAMES).write_text(json.dumps(old), encoding="utf-8")
    for path in (part / NAMES, part / KEPT, part):
        on_disk(path)


def _also_at(path: Path, second: Path) -> None:
    try:
        os.link(path, second)
    except OSError:  # a file system without links
        shutil.copy2(path, second)
        on_disk(second)


def _in(folder: Path) -> None:
    for path in sorted((folder / IN).iterdir()):
        if path.name not in (KEPT, NAMES):
            os.replace(path, folder / path.name)
    on_disk(folder)
    _away(folder / IN)


def _back(folder: Path) -> None:
    moving = folder / BACK
    for name, stood in json.loads((moving / NAMES).read_text(encoding="utf-8")).items():
        if stood and (moving / KEPT / name).exists():
            os.replace(moving / KEPT / name, folder / name)
        elif not stood and not (moving / name).exists():  # moved in, where nothing stood before
            (folder / name).unlink(missing_ok=True)
    on_disk(folder)
    _away(moving)


def _away(moving: Path) -> None:
    """In one step no longer under way, then gone."""
    done = moving.with_name(f"{PART}{os.urandom(6).hex()}")
    os.rename(moving, done)
    shutil.rmtree(done, ignore_errors=True)


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """No other run puts files into the folder meanwhile; where the system can lock a folder at all."""
    if os.name == "nt":  # pragma: no cover
        yield
        return
    import fcntl

    handle = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)
