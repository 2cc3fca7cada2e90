"""A part: the rows of one batch in one file, there whole or not at all."""

from __future__ import annotations

import hashlib
import os
import uuid
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drm.errors import OutputError
from drm.files import on_disk
from drm.study.schema import TABLES, schema

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["SUFFIX", "keys_in", "parts_in", "read_part", "write_part"]

SUFFIX = ".part"


def write_part(rows: Mapping[str, Sequence[Mapping[str, Any]]], folder: Path) -> str:
    """Write the rows of all tables as one file and return its name.

    The name follows from what is in it, so that a batch done twice leaves one file.

    Raises
    ------
    OutputError
        If it cannot be written; nothing is left of it then.
    """
    import pyarrow as pa

    body = pa.BufferOutputStream()
    for table in TABLES:
        arrow = pa.Table.from_pylist([dict(r) for r in rows[table]], schema=schema(table))
        with pa.ipc.new_stream(body, arrow.schema, options=pa.ipc.IpcWriteOptions(compression="zstd")) as stream:
            stream.write_table(arrow)
    content = body.getvalue()
    name = hashlib.sha256(content).hexdigest()[:32] + SUFFIX
    own = folder / f".{uuid.uuid4().hex}"
    try:
        with own.open("wb") as file:
            file.write(content)
        on_disk(own)
        os.replace(own, folder / name)
    except OSError as error:
        try:
            own.unlink(missing_ok=True)
        finally:
            mend = "make room and start again: what is done stays done"
            raise OutputError(f"cannot be written ({error.strerror or error})", path=folder, mend=mend) from error
    return name


def read_part(path: Path) -> dict[str, pa.Table]:
    """The tables of a part.

    Raises
    ------
    OutputError
        If it is damaged.
    """
    import pyarrow as pa

    try:
        with pa.OSFile(str(path)) as file:
            return {table: pa.ipc.open_stream(file).read_all() for table in TABLES}
    except (OSError, pa.ArrowInvalid) as error:
        raise OutputError(f"is damaged ({error})", path=path, mend="remove it and start again") from None


def parts_in(folder: Path) -> Iterator[Path]:
    """Parts that are there, in the order of their names; what a killed worker left half-written is removed."""
    for path in sorted(folder.iterdir()) if folder.is_dir() else ():
        if path.name.startswith("."):
            path.unlink(missing_ok=True)
        elif path.suffix == SUFFIX:
            yield path


def keys_in(tests: pa.Table) -> list[tuple[bytes, str]]:
    """Path and key of every unit in a table of tests; units that are to be tried again are left out."""
    pairs = zip(tests["path"].to_pylist(), tests["key"].to_pylist(), strict=True)
    return [(bytes.fromhex(path), key) for path, key in pairs if key]
