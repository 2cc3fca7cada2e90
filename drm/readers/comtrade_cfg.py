"""COMTRADE configuration (IEC 60255-24, IEEE C37.111; 1991, 1999, 2013), read by line number."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from drm.readers.comtrade_channels import Analog, Digital, analog, digital
from drm.readers.comtrade_lines import Lines
from drm.readers.comtrade_stamp import stamp

__all__ = ["FORMATS", "Configuration", "parse"]

FORMATS = ("ASCII", "BINARY", "BINARY32", "FLOAT32")
_REVISIONS = ("1991", "1999", "2013")


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
    lines = Lines(text, path)
    revision = _revision(lines)
    n_analog, n_digital = _counts(lines)
    if n_analog + n_digital > len(lines.lines) - lines.at:
        raise lines.error(f"{n_analog + n_digital} channels are promised and the file has fewer lines", "copy it again")
    analogs = tuple(analog(lines, revision=revision) for _ in range(n_analog))
    digitals = tuple(digital(lines) for _ in range(n_digital))
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
        analogs,
        digitals,
        frequency_hz if frequency_hz > 0 else math.nan,
        rates,
        start,
        data_format,
        multiplier * unit,
        tuple(lines.flags),
    )


def _revision(lines: Lines) -> str:
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


def _counts(lines: Lines) -> tuple[int, int]:
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


def _rates(lines: Lines) -> tuple[tuple[float, int], ...]:
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


def _multiplier(lines: Lines, revision: str) -> float:
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
