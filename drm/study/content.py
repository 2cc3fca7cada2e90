"""What a unit's outcome follows from: the content of its files, the program's version, the study's settings."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from drm.readers.files import beside
from drm.study.schema import SCHEMA
from drm.study.settings import Settings
from drm.study.tree import Unit, curve_files

__all__ = ["Content", "content_of", "text_of"]


@dataclass(frozen=True)
class Content:
    """Hashes of a unit's files; `key` changes whenever its rows may."""

    record: str
    breaker: str
    key: str


def text_of(path: bytes) -> str:
    """A path as text, with slashes; bytes that are no UTF-8 are written out."""
    return path.decode("utf-8", "backslashreplace").replace(os.sep, "/")


def content_of(unit: Unit, settings: Settings) -> Content:
    """Hash the files of a unit.

    Raises
    ------
    OSError
        If one cannot be read.
    """
    root = os.fsencode(settings.root)
    record = ",".join(_digest(p) for p in _parts(Path(os.fsdecode(os.path.join(root, unit.path)))))
    breaker = ""
    if unit.breaker:
        place = os.path.join(root, unit.breaker)
        # A reference curve that is missing is the breaker file's fault, and said when that is read.
        curves = [os.path.join(os.path.dirname(place), c) for c in curve_files(place)]
        names = [place, *(c for c in curves if os.path.isfile(c))]
        breaker = ",".join(_digest(Path(os.fsdecode(n))) for n in names)
    # The breaker file's place is part of a row, so a file that moved makes the row anew.
    said = [SCHEMA, settings.version, settings.sha256, record, text_of(unit.breaker), breaker]
    return Content(record, breaker, hashlib.sha256(json.dumps(said).encode()).hexdigest())


def _parts(record: Path) -> Sequence[Path]:
    if record.suffix.lower() != ".cfg":
        return (record,)
    data = beside(record, ".dat")
    return (record,) if data is None else (record, data)


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
