"""A TOML file's text beside its parsed values, so that a refusal names the line."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any

from drm.errors import BreakerError, nearest

__all__ = ["TomlFile", "day", "keys", "number", "string", "whole"]


class TomlFile:
    """The text beside its parsed values, for saying in which line a key stands."""

    def __init__(self, path: Path, text: str) -> None:
        self.path, self.lines = path, text.splitlines()

    def line(self, key: str, *, table: str = "", number: int = 0) -> str:
        """``line N`` of the first `key` in the `number`-th `table`, or of the table itself; empty if not found."""
        start, seen = 0, -1
        head = re.compile(rf"^\s*\[\[?\s*{re.escape(table)}[\w.\s\"']*\]\]?")
        if table:
            for n, line in enumerate(self.lines):
                seen += bool(head.match(line))
                if seen == number:
                    start = n
                    break
        wanted = re.compile(rf"(^|[\s{{,\[.\"']){re.escape(key)}[\"']?\s*(=|\]|\.)")
        for n in range(start, len(self.lines)):
            if wanted.search(self.lines[n].split("#", 1)[0]):
                return f"line {n + 1}"
        return f"line {start + 1}" if table else ""

    def error(self, what: str, key: str, mend: str, *, table: str = "", number: int = 0) -> BreakerError:
        """The refusal of `key`, with its line."""
        place = self.line(key, table=table, number=number)
        return BreakerError(what, path=self.path, place=place, mend=mend)


def keys(
    f: TomlFile, entries: Mapping[str, Any], allowed: Iterable[str], where: str, *, table: str = "", number: int = 0
) -> None:
    """Refuse a key that is not among `allowed`, with its nearest."""
    names = tuple(allowed)
    for key in entries:
        if key not in names:
            raise f.error(f"unknown key '{key}' in {where}", key, nearest(key, names), table=table, number=number)


def string(f: TomlFile, value: Any, key: str, *, table: str = "", number: int = 0) -> str:
    """`value` as text, or refused."""
    if not isinstance(value, str):
        raise f.error(f"{key} is not text", key, "put it in quotes", table=table, number=number)
    return value


def number(f: TomlFile, value: Any, key: str, *, table: str = "", number: int = 0) -> float:
    """`value` as a finite number, or refused."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise f.error(f"{key} is not a finite number", key, "give a number", table=table, number=number)
    return float(value)


def whole(f: TomlFile, value: Any, key: str, *, table: str = "") -> int:
    """`value` as a whole number from zero, or refused."""
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise f.error(f"{key} is not a whole number from 0", key, "give a whole number", table=table)
    return value


def day(f: TomlFile, value: Any, key: str, *, table: str = "") -> str:
    """`value`, a date of TOML, its text or a year, as ``YYYY-MM-DD``; a year is taken at its first day."""
    try:
        if isinstance(value, datetime):
            return value.date().isoformat()
        if isinstance(value, date):
            return value.isoformat()
        if isinstance(value, int) and not isinstance(value, bool):
            return date(value, 1, 1).isoformat()
        if isinstance(value, str):
            return date.fromisoformat(value).isoformat()
    except ValueError:
        pass
    raise f.error(f"{key} is no date", key, "write 2009-05-31, or the year", table=table)
