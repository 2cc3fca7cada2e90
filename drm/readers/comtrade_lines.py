"""Lines of a COMTRADE configuration: each field's number, and the place of what is wrong."""

from __future__ import annotations

import math
import re

from drm.errors import RecordError

__all__ = ["Lines"]


class Lines:
    """Lines of the configuration with a place for the errors."""

    def __init__(self, text: str, path: str) -> None:
        self.lines = [line.strip("\x1a\0") for line in re.split(r"\r\n|\n|\r", text)]
        while self.lines and not self.lines[-1].strip():
            self.lines.pop()
        self.path, self.at, self.flags = path, 0, list[str]()

    def next(self, what: str) -> list[str]:
        """Fields of the next line, which should be the `what`."""
        if self.at >= len(self.lines):
            raise RecordError(
                f"ends before the {what}", path=self.path, place=f"line {self.at + 1}", mend="copy the file again"
            )
        self.at += 1
        return [f.strip() for f in self.lines[self.at - 1].split(",")]

    def peek(self) -> str:
        """The next line, not taken; empty at the end."""
        return self.lines[self.at] if self.at < len(self.lines) else ""

    def error(self, what: str, mend: str) -> RecordError:
        """An error at the line last taken."""
        return RecordError(what, path=self.path, place=f"line {self.at}", mend=mend)

    def number(self, text: str, what: str, default: float | None = None) -> float:
        """A finite number; `default`, where given, for an empty field."""
        if not text and default is not None:
            return default
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value) or "_" in text:
            raise self.error(f"the {what} '{text[:40]}' is no number", "mend the field")
        return value

    def whole(self, text: str, what: str) -> int:
        """A count from 0 up; one written as ``4.0`` is flagged."""
        value = self.number(text, what)
        if value != int(value) or value < 0:
            raise self.error(f"the {what} '{text[:40]}' is no count", "mend the field")
        if not text.lstrip("+").isdigit():
            self.flag(f"{what} is written '{text}', read as {int(value)}")
        return int(value)

    def flag(self, text: str) -> None:
        """Note what was decided at the line last taken."""
        self.flags.append(f"configuration line {self.at}: {text}")
