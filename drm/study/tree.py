"""Which records a tree holds, and which breaker file each belongs to.

A record belongs to the breaker file of its own name beside it (``x.toml`` for ``x.cfg``), else to the
``breaker.toml`` of its folder, else to that of the nearest folder above, up to the root. Several records that one
breaker file governs are that breaker's tests, each a test of its own.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass

__all__ = ["Unit", "breaker_file_of", "curve_files", "is_result", "walk"]

BREAKER_FILE = b"breaker.toml"
#: What is taken for a record by its name. A ``.txt`` may be anything; ``.dat`` counts alone only without its ``.cfg``.
RECORDS = (b".cfg", b".cff", b".csv", b".tsv", b".parquet")
#: A folder with both is a result of this program and holds no records.
RESULT = (b"findings.json", b"report.html")


@dataclass(frozen=True)
class Unit:
    """One record and its breaker file, both as bytes relative to the root; `breaker` is empty where there is none.

    `trouble` says why a folder could not be looked into; the unit then stands for that folder.
    """

    path: bytes
    breaker: bytes
    trouble: str = ""


def is_result(names: set[bytes]) -> bool:
    """Whether a folder with these files is a result of `drm diagnose` or `drm study`."""
    return all(n in names for n in RESULT) or b"study.json" in names


def walk(root: bytes, *, skip: bytes = b"") -> Iterator[Unit]:
    """Every record below `root`, folder by folder in the order of names.

    Hidden files and folders, results of this program and reference curves that a breaker file names are passed over;
    links to folders are not followed, so that no ring of links can trap the walk.

    Parameters
    ----------
    root : bytes
        The folder.
    skip : bytes
        A folder to leave out: that of the study itself.
    """
    yield from _folder(root, b"", b"", frozenset(), skip)


def _folder(root: bytes, inside: bytes, above: bytes, curves: frozenset[bytes], skip: bytes) -> Iterator[Unit]:
    here = os.path.join(root, inside) if inside else root
    try:
        with os.scandir(here) as entries:
            found = sorted((e.name, e.is_dir(follow_symlinks=False), e.is_file()) for e in entries)
    except OSError as error:
        yield Unit(inside or b".", b"", f"the folder cannot be looked into ({error.strerror})")
        return
    files = [name for name, _, is_file in found if is_file and not name.startswith(b".")]
    if is_result(set(files)):
        return
    own = os.path.join(inside, BREAKER_FILE) if BREAKER_FILE in files else above
    named = [n for n in files if n.endswith(b".toml")]
    curves = curves.union(*(_curves(root, os.path.join(inside, n)) for n in named))
    for name in _records(files):
        stem = os.path.splitext(name)[0]
        path = os.path.join(inside, name)
        breaker = os.path.join(inside, stem + b".toml") if stem + b".toml" in files else own
        if path not in curves:
            yield Unit(path, breaker)
    for name, is_dir, _ in found:
        place = os.path.join(inside, name)
        if is_dir and not name.startswith(b".") and os.path.join(root, place) != skip:
            yield from _folder(root, place, own, curves, skip)


def _records(files: list[bytes]) -> Iterator[bytes]:
    stems = {os.path.splitext(n)[0].lower() for n in files if n.lower().endswith(b".cfg")}
    for name in files:
        stem, suffix = os.path.splitext(name)
        if suffix.lower() in RECORDS or (suffix.lower() == b".dat" and stem.lower() not in stems):
            yield name


def _curves(root: bytes, breaker: bytes) -> frozenset[bytes]:
    """Files, relative to the root, that a breaker file names as reference curves; they are no records."""
    folder = os.path.dirname(breaker)
    return frozenset(os.path.normpath(os.path.join(folder, f)) for f in curve_files(os.path.join(root, breaker)))


def curve_files(breaker: bytes | str) -> tuple[bytes, ...]:
    """Reference curves that a breaker file names, as it names them; none where the file cannot be read."""
    import tomllib

    try:
        with open(breaker, "rb") as file:
            tables = tomllib.load(file).get("mechanism", [])
        named = [t["reference_travel"]["file"] for t in tables if "reference_travel" in t]
        return tuple(os.fsencode(n) for n in named)
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return ()  # whoever reads the breaker file in earnest says what is wrong with it


def breaker_file_of(record: str) -> str | None:
    """The breaker file that belongs to a record, by the same rule, looked for up to the file system's root."""
    if not record:
        return None
    own = os.path.splitext(record)[0] + ".toml"
    if os.path.isfile(own):
        return own
    folder = os.path.dirname(os.path.abspath(record))
    while True:
        place = os.path.join(folder, os.fsdecode(BREAKER_FILE))
        if os.path.isfile(place):
            return place
        if os.path.dirname(folder) == folder:
            return None
        folder = os.path.dirname(folder)
