"""Read CSV: a time column and named channels, units in brackets or in a second row."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np

from drm.errors import RecordError
from drm.readers.files import decode, digest, load
from drm.readers.numbers import line_of, table
from drm.readers.times import from_first, is_time_name, to_seconds
from drm.record import Channel, Record
from drm.units import canonical, is_known

__all__ = ["read", "sniff"]

_TITLE = re.compile(r"^(?P<name>.*?)\s*[\[(]\s*(?P<unit>[^\[\]()]*)\s*[\])]$")
_NUMBER = re.compile(r"^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")


def sniff(path: Path, head: bytes) -> bool:
    """Whether the first lines are text fields between separators, one of them a time."""
    text = decode(head)[0]
    if "\0" in text:
        return False
    lines, _ = _leading(text)
    return bool(lines) and any(is_time_name(_title(f)[0]) for f in _fields(lines[0], _separator(lines[0])))


def read(path: Path) -> Record:
    """Read one CSV file.

    Raises
    ------
    RecordError
        With the line, if a field is no number or the time does not increase.
    """
    content = load(path)
    hashes = {path.name: digest(content)}
    text_head, flag = decode(_some_lines(content))
    flags = [flag] if flag else []
    if flag == "encoding: UTF-16":
        content = text_head.encode("utf-8")
    elif content.startswith(b"\xef\xbb\xbf"):
        content = content[3:]
    content = content.rstrip(b"\x1a\0")
    if b"\n" not in content:
        content = content.replace(b"\r", b"\n")
    lines, skipped = _leading(text_head)
    if not lines:
        raise RecordError("no header", path=path, mend="the first line names the channels: time [s],U_A1 [V],...")
    separator = _separator(lines[0])
    titles = [_title(f) for f in _fields(lines[0], separator)]
    header = skipped + 1
    if all(_NUMBER.match(name) for name, _ in titles if name):
        what = "the first line holds numbers, not names"
        raise RecordError(what, path=path, place=f"line {header}", mend="add a line: time [s],U_A1 [V],...")
    if len(lines) > 1 and (row := _unit_row(_fields(lines[1], separator), len(titles))):
        titles = [(name, unit or canonical(below)) for (name, unit), below in zip(titles, row, strict=True)]
        header += 1
    body = content.split(b"\n", header)[header] if content.count(b"\n") >= header else b""
    sample = body[:65536].decode("latin-1")
    decimal = _decimal(sample, separator, path)
    if decimal == ",":
        flags.append("numbers: decimal comma")
    body, cut = _whole_lines(body, len(titles), separator)
    flags += cut
    mend = "mend the line" + ("; decimal commas need ; or tab between fields" if separator == "," else "")
    columns = table(
        body, len(titles), path=path, separator=separator, decimal=decimal, first_line=header + 1, mend=mend
    )
    if not columns[0].size:
        raise RecordError("no samples", path=path, mend="export the record again")

    at = _time_column(titles, path)
    seconds, more = to_seconds(columns[at], titles[at], path)
    time_s, started = from_first(seconds, lambda i: f"line {line_of(body, i, first_line=header + 1)}", path)
    channels = []
    for i, ((name, unit), samples) in enumerate(zip(titles, columns, strict=True)):
        if i == at or (not name and np.isnan(samples).all()):
            continue
        if not name:
            raise RecordError(f"column {i + 1} has no name", path=path, place="line 1", mend="name it")
        channels.append(Channel(name, unit, samples, digital=not unit and bool(np.isin(samples, (0, 1)).all())))
    if not channels:
        raise RecordError("no channel beside the time", path=path, mend="export the record again")
    return Record(
        name=path.stem,
        path=str(path),
        time_s=time_s,
        channels=tuple(channels),
        flags=(*flags, *more, *started),
        sha256=hashes,
    )


def _some_lines(content: bytes) -> bytes:
    """The first 64 KiB to the end of a line (all of UTF-16): enough for header and decimal sign."""
    if content[:2] in (b"\xff\xfe", b"\xfe\xff") or len(content) <= 65536:
        return content
    return content[: content.rfind(b"\n", 0, 65536) + 1] or content


def _leading(text: str) -> tuple[list[str], int]:
    """The first two lines that are neither blank, a comment nor ``sep=``, and how many stand before them."""
    lines = re.split(r"\r\n|\n|\r", text[:1_000_000])
    skip = 0
    while skip < len(lines) and (
        not lines[skip].strip() or lines[skip].lstrip().startswith("#") or _is_sep(lines[skip])
    ):
        skip += 1
    return [line for line in lines[skip : skip + 2] if line.strip()], skip


def _is_sep(line: str) -> bool:
    return line.strip().lower() in ("sep=;", "sep=,", "sep=\t", "sep=")


def _separator(line: str) -> str:
    bare = re.sub(r'"[^"]*"', "", line)
    return next((s for s in ("\t", ";") if s in bare), ",")


def _fields(line: str, separator: str) -> list[str]:
    return [f.strip() for f in next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])]


def _title(text: str) -> tuple[str, str]:
    match = _TITLE.match(text)
    return (match["name"].strip(), canonical(match["unit"])) if match and match["name"].strip() else (text, "")


def _unit_row(fields: list[str], width: int) -> list[str] | None:
    """The fields where the row holds units: as many as there are titles, each empty, bracketed or known."""
    if len(fields) != width or not any(fields):
        return None
    bracketed = [bool(re.fullmatch(r"\[.*\]|\(.*\)|-?", f)) or (is_known(f) and not _NUMBER.match(f)) for f in fields]
    return ["" if f == "-" else f for f in fields] if all(bracketed) and any(is_known(f) for f in fields) else None


def _decimal(sample: str, separator: str, path: Path) -> str:
    if separator == ",":
        return "."
    if re.search(r"\d\.\d", sample) and re.search(r"\d,\d", sample):
        raise RecordError("both decimal points and decimal commas", path=path, mend="export without thousands marks")
    return "," if re.search(r"\d,\d|(?<!\d),\d", sample) else "."


def _whole_lines(body: bytes, width: int, separator: str) -> tuple[bytes, list[str]]:
    """Drop a last line that was cut off: neither ended nor of full width."""
    last = body.rfind(b"\n") + 1
    tail = body[last:]
    if tail.strip() and last and tail.count(separator.encode()) + 1 < width:
        return body[:last], ["short data: the last line is cut off and was dropped"]
    return body, []


def _time_column(titles: list[tuple[str, str]], path: Path) -> int:
    found = [i for i, (name, _) in enumerate(titles) if is_time_name(name)]
    if len(found) == 1:
        return found[0]
    what = f"{len(found)} time columns" if found else "no time column"
    raise RecordError(what, path=path, place="header", mend="call one column 'time [s]'")
