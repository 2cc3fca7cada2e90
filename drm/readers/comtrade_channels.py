"""Channel lines of a COMTRADE configuration."""

from __future__ import annotations

from dataclasses import dataclass

from drm.readers.comtrade_lines import Lines

__all__ = ["Analog", "Digital", "analog", "digital"]

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
    component: str = ""


@dataclass(frozen=True)
class Digital:
    """One status line."""

    name: str
    phase: str
    component: str = ""


def analog(lines: Lines, *, revision: str) -> Analog:
    """Take one analog line.

    A line has 10 fields in 1991 and 13 later; a last field P or S tells the longer form whatever the year. A comma in
    the name is put back by counting fields from the end, where phase and component are empty and leave no doubt.

    Raises
    ------
    RecordError
        With the line, if its fields cannot be counted or are no numbers.
    """
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
        component=fields[3],
    )


def _rejoin(lines: Lines, fields: list[str], width: int) -> list[str]:
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


def digital(lines: Lines) -> Digital:
    """Take one status line: 3 fields in 1991, 5 later."""
    fields = lines.next("status channel")
    if len(fields) > 3 and not fields[-1] and fields[-2] in ("0", "1"):
        fields.pop()
    if len(fields) < 2:
        raise lines.error("a status channel has a number and a name", "write it as 1,name,,,0")
    if len(fields) > 5:
        keep = len(fields) - 3
        name = ",".join(fields[1:keep])
        lines.flag(f"a comma in the name, read as '{name}' by counting fields from the end")
        return Digital(name, fields[keep], fields[keep + 1])
    return Digital(fields[1], *fields[2:4]) if len(fields) == 5 else Digital(fields[1], "")
