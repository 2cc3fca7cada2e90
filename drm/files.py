"""Files written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from drm.errors import OutputError

__all__ = ["on_disk", "write_text"]


def on_disk(path: Path) -> None:
    """Have a file's contents, or a folder's names, written out: a rename alone outlives no power cut."""
    if path.is_dir() and os.name == "nt":
        return  # a folder cannot be opened there
    # Some systems refuse to flush a file that is open for reading only.
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_text(path: Path, text: str) -> None:
    """Write `text` as UTF-8 to `path` by way of a temporary neighbour.

    Raises
    ------
    OutputError
        If it cannot be written; what stood there before is still there.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.name[:40]}-", dir=path.parent)
    except OSError as error:
        raise OutputError(f"cannot be written ({error.strerror})", path=path, mend="give another place") from None
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, 0o644)
        os.replace(name, path)
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise OutputError(f"cannot be written ({error.strerror})", path=path, mend="give another place") from None
