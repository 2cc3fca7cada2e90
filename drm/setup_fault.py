"""A fault of the test itself: how it was connected, scaled or recorded, and what of the readings it spoils."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

__all__ = ["Fault", "Spoils", "clock_u_ms", "clocked_alone", "clocked_by", "grouped", "reasons_for"]

#: What a fault spoils: the whole row, resistances only, what is read from travel, nothing.
Spoils = Literal["all", "resistance", "travel", ""]


@dataclass(frozen=True)
class Fault:
    """What is wrong with the test, never with the breaker.

    Attributes
    ----------
    code : str
        Ends the finding's code, ``setup.CODE``.
    level : {'inspect', 'watch', 'note'}
        'inspect' where readings are spoiled: someone must look at the connection before they count.
    what : str
        What is wrong, in words that follow the interrupters' names.
    basis : str
        What the judgement rests on.
    otherwise : str
        What else would look like this.
    check : str
        What to check next.
    interrupters, operations
        Those concerned.
    spoils : {'all', 'resistance', 'travel', ''}
    evidence : dict
        Numbers behind it.
    """

    code: str
    level: Literal["inspect", "watch", "note"]
    what: str
    basis: str
    otherwise: str
    check: str
    interrupters: tuple[str, ...] = ()
    operations: tuple[int, ...] = ()
    spoils: Spoils = ""
    evidence: dict[str, Any] = field(default_factory=dict)

    @property
    def reason(self) -> str:
        """For the column ``quality``; empty where nothing is spoiled."""
        lead = {"all": "setup", "resistance": "setup, resistances", "travel": "setup, travel", "": ""}[self.spoils]
        return f"{lead}: {self.what}".replace(";", ",") if lead else ""


def reasons_for(faults: Iterable[Fault], interrupter: str, operation: int) -> tuple[str, ...]:
    """Reasons why the reading of `interrupter` in `operation` is spoiled."""
    mine = [f for f in faults if interrupter in f.interrupters and (not f.operations or operation in f.operations)]
    return tuple(dict.fromkeys(f.reason for f in mine if f.reason))


def clocked_by(fault: Fault) -> tuple[str, ...]:
    """Interrupters whose instants all lie on the one clock that `fault` found to be off against another."""
    return fault.interrupters if fault.code == "skew" else ()


def clocked_alone(faults: Iterable[Fault], everybody: Iterable[str]) -> set[str]:
    """Interrupters whose instants lie on a clock of their own, which is no siblings'."""
    every = set(everybody)
    return {n for f in faults for n in clocked_by(f) if set(clocked_by(f)) != every}


def clock_u_ms(fault: Fault) -> float:
    """Standard uncertainty of those instants for not knowing which of the two clocks is the record's, ms.

    Either may be, with equal chance: an error of nothing or of the whole skew.
    """
    return abs(float(fault.evidence.get("skew_ms", 0.0))) / math.sqrt(2.0)


def grouped(hits: Mapping[tuple[int, str], dict[str, float]]) -> dict[str, tuple[tuple[int, ...], dict[str, float]]]:
    """By interrupter: its operations, and the numbers of the first of them."""
    out: dict[str, tuple[tuple[int, ...], dict[str, float]]] = {}
    for (number, name), numbers in sorted(hits.items(), key=lambda h: (h[0][1], h[0][0])):
        before = out.get(name)
        out[name] = (before[0] + (number,), before[1]) if before else ((number,), numbers)
    return out
