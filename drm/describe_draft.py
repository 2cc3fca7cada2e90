"""A drafted breaker file: lines of TOML, of which the doubtful ones say what is doubtful, why, and the alternatives."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Draft", "Line", "either", "key", "quoted", "told"]

#: Longest part of a name, and most names, that a comment repeats.
LONGEST, MOST_NAMES = 40, 6


@dataclass(frozen=True)
class Line:
    """One line of TOML; `doubt` is empty where it needs no hand."""

    text: str
    doubt: str = ""

    def __str__(self) -> str:
        if not self.doubt:
            return self.text
        return f"{self.text}  # doubtful: {told(self.doubt)}" if self.text else f"# doubtful: {told(self.doubt)}"


@dataclass(frozen=True)
class Draft:
    """A drafted breaker file."""

    lines: tuple[Line, ...]

    @property
    def doubtful(self) -> tuple[Line, ...]:
        """The lines that need a hand."""
        return tuple(line for line in self.lines if line.doubt)

    @property
    def text(self) -> str:
        """TOML that :meth:`drm.breaker.Breaker.load` reads."""
        return "\n".join(str(line) for line in self.lines) + "\n"

    @property
    def summary(self) -> str:
        """How many lines need a hand, in one sentence."""
        many = len(self.doubtful)
        if not many:
            return "names and signals agree: no line needs a hand"
        return f"{many} {'line needs' if many == 1 else 'lines need'} a hand: look for '# doubtful'"


def key(name: str, value: str, doubt: str = "") -> Line:
    """A line ``name = "value"``."""
    return Line(f"{name} = {quoted(value)}", doubt)


def either(names: Iterable[str]) -> str:
    """Names as a choice, for a comment: ``'CH3', 'CH7' or 'CH9'``."""
    every = list(dict.fromkeys(names))
    shown = [f"'{n[:LONGEST]}'" for n in every[:MOST_NAMES]]
    if len(every) > MOST_NAMES:
        return ", ".join(shown) + f" or {len(every) - MOST_NAMES} others"
    return " or ".join([", ".join(shown[:-1]), shown[-1]]) if len(shown) > 1 else "".join(shown)


def told(text: str) -> str:
    """Text safe inside a comment: TOML allows no control character there."""
    return "".join(c if c.isprintable() else "?" for c in text)


def quoted(text: str) -> str:
    """A basic TOML string (TOML 1.0): quotes, backslashes and whatever is not printable escaped."""
    out = []
    for c in text:
        code = ord(c)
        if c in '"\\':
            out.append("\\" + c)
        elif c.isprintable():
            out.append(c)
        elif 0xD800 <= code <= 0xDFFF:
            # Half a surrogate pair has no form in TOML at all.
            out.append("\\uFFFD")
        else:
            out.append(f"\\u{code:04X}" if code <= 0xFFFF else f"\\U{code:08X}")
    return '"' + "".join(out) + '"'
