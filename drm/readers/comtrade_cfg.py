"""COMTRADE configuration (IEC 60255-24, IEEE C37.111; 1991, 1999, 2013), read by line number."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import datetime

from drm.errors import RecordError
from drm.readers.comtrade_stamp import stamp

__all__ = ["Analog", "Configuration", "Digital", "parse"]

FORMATS = ("ASCII", "BINARY", "BINARY32", "FLOAT32")
_REVISIONS = ("1991", "1999", "2013")
_OLD, _NEW = 10, 13  # fields of an analog line in 1991, and from 1999


@dataclass(frozen=True)
class Analog:
    """One analog line: value = `a` · code + `b` in `unit`, on the side that `side` names."""

    name: str
    phase: str
    unit: str
    a: float
    b: float
    skew_s: float
    low: float
    high: float
    primary: float
    secondary: float
    side: str


@dataclass(frozen=True)
class Digital:
    """One status line."""

    name: str
    phase: str


@dataclass(frozen=True)
class Configuration:
    """What a configuration says.

    Attributes
    ----------
    rates : tuple of (float, int)
        Rate in Hz (0: the timestamps rule) and number of the last sample at it; empty where there is no such line.
    stamp_s : float
        What one count of a timestamp is worth, with the multiplier.
    """

    revision: str
    analog: tuple[Analog, ...]
    digital: tuple[Digital, ...]
    frequency_hz: float
    rates: tuple[tuple[float, int], ...]
    start: datetime | None
    data_format: str
    stamp_s: float
    flags: tuple[str, ...]


class _Lines:
    """Lines of the configuration with a place for the errors."""

    def __init__(self, text: str, path: str) -> None:
        self.lines = [line.strip("\x1a\0") for line in re.split(r"\r\n|\n|\r", text)]
        while self.lines and not self.lines[-1].strip():
            self.lines.pop()
        self.path, self.at, self.flags = path, 0, list[str]()

    def next(self, what: str) -> list[str]:
        if self.at >= len(self.lines):
            raise RecordError(
                f"ends before the {what}", path=self.path, place=f"line {self.at + 1}", mend="copy the file again"
            )
        self.at += 1
        return [f.strip() for f in self.lines[self.at - 1].split(",")]

    def peek(self) -> str:
        return self.lines[self.at] if self.at < len(self.lines) else ""

    def error(self, what: str, mend: str) -> RecordError:
        return RecordError(what, path=self.path, place=f"line {self.at}", mend=mend)

    def number(self, text: str, what: str, default: float | None = None) -> float:
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
        value = self.number(text, what)
        if value != int(value) or value < 0:
            raise self.error(f"the {what} '{text[:40]}' is no count", "mend the field")
        if not text.lstrip("+").isdigit():
            self.flag(f"{what} is written '{text}', read as {int(value)}")
        return int(value)

    def flag(self, text: str) -> None:
        self.flags.append(f"configuration line {self.at}: {text}")


def parse(text: str, *, path: str) -> Configuration:
    """Parse a configuration.

    Parameters
    ----------
    text : str
        Decoded content of the ``.cfg`` file.
    path : str
        Named in errors.

    Raises
    ------
    RecordError
        With the line and what is wrong there.
    """
    lines = _Lines(text, path)
    revision = _revision(lines)
    n_analog, n_digital = _counts(lines)
    if n_analog + n_digital > len(lines.lines) - lines.at:
        raise lines.error(f"{n_analog + n_digital} channels are promised and the file has fewer lines", "copy it again")
    analog = tuple(_analog(lines, revision) for _ in range(n_analog))
    digital = tuple(_digital(lines) for _ in range(n_digital))
    frequency = lines.next("line frequency")[0]
    frequency_hz = lines.number(frequency, "line frequency", math.nan)
    rates = _rates(lines)
    start, nanoseconds, notes = stamp(lines.next("time of the first sample"), month_first=revision == "1991")
    for note in notes:
        lines.flag(note)
    lines.next("time of the trigger")
    data_format = lines.next("data format")[0].upper()
    if data_format not in FORMATS:
        raise lines.error(f"the data format '{data_format[:40]}' is unknown", f"allowed: {', '.join(FORMATS)}")
    multiplier = _multiplier(lines, revision)
    unit = 1e-9 if nanoseconds and revision == "2013" else 1e-6
    if unit == 1e-9:
        lines.flags.append("clock: the start is given to the nanosecond, so timestamps count ns")
    return Configuration(
        revision,
        analog,
        digital,
        frequency_hz if frequency_hz > 0 else math.nan,
        rates,
        start,
        data_format,
        multiplier * unit,
        tuple(lines.flags),
    )


def _revision(lines: _Lines) -> str:
    fields = lines.next("station line")
    text = fields[2] if len(fields) > 2 else ""
    if len(fields) > 3:  # a comma in the station's name
        text = fields[-1]
    if not text:
        lines.flag("no revision year, so 1991")
        return "1991"
    year = text[:4]
    if year in ("2001", "2000"):  # IEC 60255-24:2001 is the 1999 text
        lines.flag(f"revision {year} read as 1999")
        return "1999"
    if year not in _REVISIONS:
        raise lines.error(
            f"the revision '{text[:40]}' is unknown", f"allowed: {', '.join(_REVISIONS)}, or none for 1991"
        )
    return year


def _counts(lines: _Lines) -> tuple[int, int]:
    fields = lines.next("channel counts")
    found: dict[str, int] = {}
    for field in fields[1:]:
        if field[-1:].upper() in ("A", "D"):
            found[field[-1].upper()] = lines.whole(field[:-1].strip() or "0", "channel count")
    if len(fields) < 3 or set(found) != {"A", "D"}:
        raise lines.error(f"'{','.join(fields)[:60]}' does not count the channels", "write it as 3,2A,1D")
    if lines.number(fields[0], "channel count") != found["A"] + found["D"]:
        lines.flag(f"the total {fields[0]} is not {found['A']}A + {found['D']}D; the two were used")
    return found["A"], found["D"]


def _analog(lines: _Lines, revision: str) -> Analog:
    fields = lines.next("analog channel")
    if len(fields) > _OLD and not fields[-1]:
        fields.pop()
    sided = fields[-1].upper() in ("P", "S")
    width = _NEW if sided or (revision != "1991" and len(fields) == _NEW) else _OLD
    if len(fields) < width:
        mend = f"an analog line has {_OLD if revision == '1991' else _NEW} fields"
        raise lines.error(f"{len(fields)} fields where an analog channel has {width}", mend)
    if len(fields) > width:
        if revision != "1991" and width == _OLD:
            raise lines.error(
                f"{len(fields)} fields where an analog channel has {_NEW}", "take the commas out of names"
            )
        fields = _rejoin(lines, fields, width)
    if width == _OLD and revision != "1991":
        lines.flag("no primary, secondary and P or S; values taken as they are")
    if width == _NEW and not sided:
        lines.flag(f"'{fields[-1]}' is neither P nor S; values taken as primary")
    a = lines.number(fields[5], "multiplier a")
    if a == 0:
        lines.flag(f"multiplier 0: channel '{fields[1]}' is constant")
    ratio = [lines.number(f, "transformer ratio", 1.0) for f in fields[10:12]] if width == _NEW else [1.0, 1.0]
    return Analog(
        name=fields[1],
        phase=fields[2],
        unit=fields[4],
        a=a,
        b=lines.number(fields[6], "offset b", 0.0),
        skew_s=lines.number(fields[7], "skew", 0.0) * 1e-6,
        low=lines.number(fields[8], "least value", 0.0),
        high=lines.number(fields[9], "greatest value", 0.0),
        primary=ratio[0],
        secondary=ratio[1],
        side="S" if width == _NEW and fields[-1].upper() == "S" else "P",
    )


def _rejoin(lines: _Lines, fields: list[str], width: int) -> list[str]:
    """Put commas back into the name: the fields after it are known by their count from the end."""
    tail = len(fields) - (width - 2)
    joined = [fields[0], ",".join(fields[1:tail]), *fields[tail:]]
    try:
        for i in (5, 6, 8, 9):
            float(joined[i])
    except ValueError:
        what = f"{len(fields)} fields where an analog channel has {width}, and counting from the end does not fit"
        raise lines.error(what, "take the commas out of the name") from None
    if fields[tail] or fields[tail + 1]:
        raise lines.error(
            "a comma too many in the name, phase or component, and which cannot be told", "take it out of the file"
        )
    lines.flag(f"a comma in the name, read as '{joined[1]}' by counting fields from the end")
    return joined


def _digital(lines: _Lines) -> Digital:
    fields = lines.next("status channel")
    if len(fields) > 3 and not fields[-1] and fields[-2] in ("0", "1"):
        fields.pop()
    if len(fields) < 2:
        raise lines.error("a status channel has a number and a name", "write it as 1,name,,,0")
    if len(fields) > 5:
        keep = len(fields) - 3
        name = ",".join(fields[1:keep])
        lines.flag(f"a comma in the name, read as '{name}' by counting fields from the end")
        return Digital(name, fields[keep])
    return Digital(fields[1], fields[2] if len(fields) == 5 else "")


def _rates(lines: _Lines) -> tuple[tuple[float, int], ...]:
    count = lines.whole(lines.next("number of rates")[0], "number of rates")
    if count > len(lines.lines):
        raise lines.error(f"{count} rates are promised and the file has fewer lines", "copy the file again")
    if count == 0 and ":" in lines.peek():
        lines.flag("no rate line after 0 rates; the length is that of the data")
        return ()
    rates: list[tuple[float, int]] = []
    for _ in range(max(count, 1)):
        fields = lines.next("rate")
        if len(fields) < 2:
            raise lines.error("a rate line holds the rate and its last sample", "write it as 20000,5000")
        rate = lines.number(fields[0], "rate", 0.0)
        last = lines.whole(fields[1], "last sample")
        if rate < 0 or (rates and last <= rates[-1][1]):
            raise lines.error("rates must not be negative, and their last samples must increase", "mend the line")
        rates.append((rate, last))
    if count == 0 and rates[-1][1] == 0:
        lines.flag("no count of samples; the length is that of the data")
        return ()
    return tuple((0.0, last) for _, last in rates) if count == 0 else tuple(rates)


def _multiplier(lines: _Lines, revision: str) -> float:
    text = lines.peek().split(",")[0].strip()
    if revision == "1991" or not text:
        if revision != "1991":
            lines.flags.append("clock: no timestamp multiplier, taken as 1")
        return 1.0
    lines.next("multiplier")
    value = lines.number(text, "timestamp multiplier")
    if value <= 0:
        raise lines.error(f"the timestamp multiplier {text} is not positive", "mend the field")
    return value
