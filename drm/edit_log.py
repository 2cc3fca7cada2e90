"""The log of edits by hand: a file of JSON lines to which lines are added and from which none is ever taken.

The first line says for which record the log is kept; each line carries a hash over itself and the line before, so that
a line that was changed, lost or put in is noticed. A line that was cut short by a crash is passed over: its edit was
never confirmed to anybody.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO

from drm.edits import ACTIONS, Edit
from drm.errors import InputError, OutputError
from drm.files import on_disk

__all__ = ["LOG_NAME", "EditLog", "Overtaken", "append", "checked", "edits_for", "read_log", "tidy"]

LOG_NAME = "edits.jsonl"
SCHEMA = 1
#: Longest name and longest reason that are taken, in characters.
LONGEST_NAME, LONGEST_REASON = 200, 200_000


@dataclass(frozen=True)
class EditLog:
    """What a log holds.

    Attributes
    ----------
    edits : tuple of Edit
        In order, the undone and the undoing among them.
    inputs : dict
        File name -> SHA-256 of the record that the edits were made on; empty where there is no log yet.
    chain : str
        Hash of the last line; empty where there is none.
    torn : int
        Lines cut short by a crash and passed over.
    """

    edits: tuple[Edit, ...] = ()
    inputs: Mapping[str, str] | None = None
    chain: str = ""
    torn: int = 0


def read_log(path: str | os.PathLike[str]) -> EditLog:
    """The log at `path`, empty where there is no such file.

    Raises
    ------
    InputError
        If a line was altered, lost or put in, or the file cannot be read.
    """
    try:
        raw = Path(path).read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        return EditLog()
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", path=path, mend="mend its permissions") from None
    return _parsed(raw, path)


def edits_for(path: str | os.PathLike[str], *, inputs: Mapping[str, str]) -> tuple[Edit, ...]:
    """The edits in the log at `path`, which must be there and of the record with these hashes.

    Raises
    ------
    InputError
        If there is no log, or it was altered, or it is of another record.
    """
    log = read_log(path)
    if log.inputs is None:
        raise InputError("holds no edits", path=path, mend="give the edits.jsonl of a reviewed result")
    _same_record(log, inputs, path)
    return log.edits


def append(path: str | os.PathLike[str], edits: Sequence[Edit], *, inputs: Mapping[str, str], seen: int) -> EditLog:
    """Add `edits` to the log, on disk before this returns, and number them.

    Parameters
    ----------
    path : path
    edits : sequence of Edit
        Their numbers are set here.
    inputs : mapping
        File name -> SHA-256 of the record.
    seen : int
        Number of the last edit that whoever decides has seen.

    Returns
    -------
    EditLog
        As it now stands.

    Raises
    ------
    Overtaken
        If somebody else has since edited one of the same readings; nothing is added then.
    InputError
        If the log is of another record, or was altered.
    OutputError
        If it cannot be written.
    """
    try:
        with _locked(Path(path)) as file:
            raw = file.read()
            log = _parsed(raw, path)
            _same_record(log, inputs, path)
            _not_overtaken(log, edits, seen, path)
            lines, chain = [], log.chain
            if not chain:
                chain, line = _line({"schema": SCHEMA, "inputs": dict(inputs)}, "")
                lines.append(line)
            for number, edit in enumerate(edits, start=len(log.edits) + 1):
                chain, line = _line(_plain(replace(checked(edit), number=number)), chain)
                lines.append(line)
            start = b"\n" if raw and not raw.endswith(b"\n") else b""
            _write(file, start + b"".join(lines))
        if not raw:
            on_disk(Path(path).absolute().parent)
    except OSError as error:
        raise OutputError(f"cannot be written ({error.strerror or error})", path=path, mend="make room") from None
    return read_log(path)


class Overtaken(OutputError):
    """Somebody else has edited the same reading since; `edits` are theirs."""

    def __init__(self, edits: tuple[Edit, ...], *, path: object = None) -> None:
        self.edits = edits
        super().__init__(
            f"{len(edits)} edits of the same reading were made meanwhile",
            path=path,
            mend="look at them and decide again",
        )


def tidy(edit: Edit) -> Edit:
    """The edit as it is kept: blanks around its words gone, half characters made whole, the time set if it is not."""
    who, reason = (
        t.encode("utf-16", "surrogatepass").decode("utf-16", "replace").strip() for t in (edit.who, edit.reason)
    )
    return replace(edit, who=who, reason=reason, when=edit.when or datetime.now(UTC).isoformat(timespec="seconds"))


def checked(edit: Edit) -> Edit:
    """The edit itself, if it can be kept.

    Raises
    ------
    InputError
        With what is wrong with it.
    """
    if edit.action not in ACTIONS:
        raise InputError(f"'{edit.action}' is no edit", place="action", mend=f"allowed: {', '.join(ACTIONS)}")
    if edit.action == "move" and edit.instant not in ("main", "arcing"):
        raise InputError(f"'{edit.instant}' is no instant", place="instant", mend="allowed: main, arcing")
    if not (math.isnan(edit.u_s) or 0.0 < edit.u_s < math.inf):
        raise InputError(
            "a standard uncertainty is above zero", place="standard uncertainty", mend="give it in ms, or leave it out"
        )
    for what, text, most in (("name", edit.who, LONGEST_NAME), ("reason", edit.reason, LONGEST_REASON)):
        if not text.strip():
            raise InputError(f"an edit needs a {what}", place=what, mend=f"give the {what}")
        if len(text) > most:
            raise InputError(f"has {len(text)} characters", place=what, mend=f"at most {most} are kept")
        if any("\ud800" <= c <= "\udfff" for c in text):
            raise InputError("holds half a character", place=what, mend="type it again")
    try:
        datetime.fromisoformat(edit.when)
    except ValueError:
        raise InputError(f"'{edit.when[:40]}' is no date and time", place="when", mend="give it as ISO 8601") from None
    return edit


def _not_overtaken(log: EditLog, edits: Sequence[Edit], seen: int, path: object) -> None:
    mine = {(e.operation, e.interrupter) for e in edits}
    since = tuple(e for e in log.edits if e.number > seen and (e.operation, e.interrupter) in mine)
    if since:
        raise Overtaken(since, path=path)


def _same_record(log: EditLog, inputs: Mapping[str, str], path: object) -> None:
    if log.inputs is not None and sorted(log.inputs.values()) != sorted(inputs.values()):
        raise InputError(
            "these edits were made on another record", path=path, mend="give the record that they were made on"
        )


@contextmanager
def _locked(path: Path) -> Iterator[BinaryIO]:
    """The file, open for reading and adding, nobody else adding meanwhile."""
    with open(path, "a+b") as file:
        if os.name == "nt":  # pragma: no cover
            import msvcrt

            file.seek(0)
            msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)  # type: ignore[attr-defined,unused-ignore]
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX)
        try:
            file.seek(0)
            yield file
        finally:
            if os.name == "nt":  # pragma: no cover
                file.seek(0)
                msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)  # type: ignore[attr-defined,unused-ignore]


def _write(file: BinaryIO, data: bytes) -> None:
    """One write and a flush to the disk, so that a crash leaves all of it or a stump of its end."""
    before = file.seek(0, os.SEEK_END)
    try:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    except OSError:
        # A full disk: what was added in part was confirmed to nobody.
        file.truncate(before)
        raise


def _plain(edit: Edit) -> dict[str, Any]:
    return {
        k: (None if isinstance(v, float) and not math.isfinite(v) else v)
        for k, v in asdict(edit).items()
    }  # fmt: skip


def _line(entry: Mapping[str, Any], before: str) -> tuple[str, bytes]:
    chain = _hash(entry, before)
    return chain, (json.dumps({**entry, "chain": chain}, allow_nan=False) + "\n").encode("ascii")


def _hash(entry: Mapping[str, Any], before: str) -> str:
    told = json.dumps({k: v for k, v in entry.items() if k != "chain"}, sort_keys=True)
    return hashlib.sha256(f"{before}\n{told}".encode()).hexdigest()


def _parsed(raw: bytes, path: object) -> EditLog:
    edits: list[Edit] = []
    inputs: Mapping[str, str] | None = None
    chain, torn = "", 0
    for number, line in enumerate(raw.split(b"\n"), start=1):
        if not line.strip():
            continue
        try:
            entry = json.loads(line)
        except ValueError:
            torn += 1
            continue
        if not isinstance(entry, dict) or entry.get("chain") != _hash(entry, chain):
            raise _altered(path, number)
        chain = str(entry["chain"])
        try:
            if inputs is None:
                inputs = {str(k): str(v) for k, v in entry["inputs"].items()}
            else:
                edits.append(_edit(entry))
        except (KeyError, TypeError, ValueError, AttributeError):
            raise _altered(path, number) from None
        if inputs is not None and edits and edits[-1].number != len(edits):
            raise _altered(path, number)
    return EditLog(tuple(edits), inputs, chain, torn)


def _edit(entry: Mapping[str, Any]) -> Edit:
    kinds = {f.name: f.type for f in fields(Edit)}
    values: dict[str, Any] = {}
    for name, kind in kinds.items():
        value = entry[name]
        if kind == "float":
            values[name] = math.nan if value is None else float(value)
        elif kind == "int":
            values[name] = int(value)
        else:
            values[name] = str(value)
    return Edit(**values)


def _altered(path: object, number: int) -> InputError:
    return InputError(
        "the log of edits was altered or damaged here",
        path=path,
        place=f"line {number}",
        mend="put back an unaltered copy; nothing was taken from it",
    )
