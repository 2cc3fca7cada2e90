"""Date and time lines of a COMTRADE configuration."""

from __future__ import annotations

import re
from datetime import datetime

__all__ = ["stamp"]

_DATE = re.compile(r"^(\d{1,4})[/.-](\d{1,2})[/.-](\d{1,4})$")
_TIME = re.compile(r"^(\d{1,2}):(\d{1,2})(?::(\d{1,2})(?:[.](\d*))?)?$")


def stamp(fields: list[str], *, month_first: bool) -> tuple[datetime | None, bool, list[str]]:
    """Instant of a line ``date,time``.

    Parameters
    ----------
    fields : list of str
        The line's fields; blanks inside them do not matter.
    month_first : bool
        True for revision 1991 (mm/dd/yyyy), False later (dd/mm/yyyy).

    Returns
    -------
    instant : datetime or None
        To the microsecond; None where it is unknown or cannot be read.
    nanoseconds : bool
        Whether the second has more than six decimals.
    notes : list of str
        What had to be decided.
    """
    day_text, time_text = ("".join(f.split()) for f in (*fields, "", "")[:2])
    if not re.search(r"[^0/]", day_text):  # empty or zeros stand for unknown
        return None, len(time_text.partition(".")[2]) > 6, []
    day_match, time_match = _DATE.match(day_text), _TIME.match(time_text)
    if not day_match or not time_match:
        return None, False, [f"the start '{day_text[:20]},{time_text[:20]}' cannot be read and is left out"]
    notes = []
    first, second, year = (int(g) for g in day_match.groups())
    if first > 31:
        year, day, month = first, year, second
        notes.append(f"date '{day_text}' read as year, month, day")
    else:
        month, day = (first, second) if month_first else (second, first)
    if month > 12 >= day:
        month, day = day, month
        notes.append(f"date '{day_text}' fits only with month and day exchanged")
    if year < 100:
        year += 2000 if year < 70 else 1900
        notes.append(f"date '{day_text}' read as of the year {year}")
    hour, minute, whole, fraction = (g or "0" for g in time_match.groups())
    try:
        instant = datetime(year, month, day, int(hour), int(minute), int(whole), int(fraction[:6].ljust(6, "0")))
    except ValueError:
        return None, len(fraction) > 6, [*notes, f"the start '{day_text},{time_text}' is no date and is left out"]
    return instant, len(fraction) > 6, notes
