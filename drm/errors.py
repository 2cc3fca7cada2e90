"""What can go wrong, as a small tree.

::

    DrmError                  anything this package raises on purpose
    ├── InputError            the user's input or words are wrong (exit status 2)
    │   ├── RecordError       a record cannot be read as it stands
    │   ├── BreakerError      a breaker file cannot be read, or does not fit the record
    │   └── ScenarioError     a scenario for the simulator cannot be read
    └── OutputError           a result cannot be written

Each carries what went wrong, where, and the mend, so that one clear line can be made of it.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable

__all__ = ["BreakerError", "DrmError", "InputError", "OutputError", "RecordError", "ScenarioError", "nearest"]


class DrmError(Exception):
    """Base of everything this package raises on purpose.

    Parameters
    ----------
    what : str
        What is wrong, one sentence without a full stop.
    path : str, optional
        The file in which it is wrong.
    place : str, optional
        Where in the file: a line, a key, a channel.
    mend : str, optional
        What the user can do about it.
    """

    def __init__(self, what: str, *, path: object = None, place: str = "", mend: str = "") -> None:
        self.what, self.path, self.place, self.mend = what, None if path is None else str(path), place, mend
        super().__init__(self.line())

    def line(self) -> str:
        """The error as one line: file, place, what, mend."""
        where = ", ".join(p for p in (self.path or "", self.place) if p)
        text = f"{where}: {self.what}" if where else self.what
        text = f"{text}; {self.mend}" if self.mend else text
        return " ".join(text.split())


class InputError(DrmError):
    """The user's input or words are wrong."""


class RecordError(InputError):
    """A record cannot be read as it stands."""


class BreakerError(InputError):
    """A breaker file cannot be read, or does not fit the record."""


class ScenarioError(InputError):
    """A scenario for the simulator cannot be read."""


class OutputError(DrmError):
    """A result cannot be written."""


def nearest(name: str, allowed: Iterable[str]) -> str:
    """``did you mean 'x'?``, or the allowed names where none is near."""
    names = list(allowed)
    close = difflib.get_close_matches(name, names, n=1, cutoff=0.5)
    if close:
        return f"did you mean '{close[0]}'?"
    shown = ", ".join(names[:12]) + (", ..." if len(names) > 12 else "")
    return f"allowed: {shown}" if names else "none are allowed here"
