"""How else a test may have been connected, as far as its record cannot tell, and what it would then read.

Leads exchanged between contacts that part within a sample of one another, sensors exchanged between mechanisms that
move alike, and a travel on the voltage's clock or on the current's look the same to the checks of the test.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from drm.quantity import Quantity
from drm.setup_pairing import MOST, hidden_costs, scatter_s
from drm.setup_skew import LONGEST_BOUNCE_S, Events

if TYPE_CHECKING:
    from drm.observe import Moving

__all__ = ["Alternative", "Instants", "alternatives"]

Kind = Literal["leads", "travel", "clock"]

#: By how much the exchanged pairing may fit the record worse than the one in use and still not be excluded (twice a
#: log-likelihood ratio): one in seven.
EXCLUDED = 4.0


@dataclass(frozen=True, eq=False)
class Instants:
    """When the contacts of one interrupter parted or touched, and what it can be read from.

    Attributes
    ----------
    main_s, arcing_s : Quantity
        On the record's clock; NaN where not known.
    movements : mapping
        Mechanism -> its travel in the same record.
    events : Events or None
        What voltage and current tell, each by itself.
    skew_s, skew_u_s : float
        That was taken out of the voltage, and its standard uncertainty.
    """

    operation: int
    kind: str
    interrupter: str
    mechanism: str
    current: str
    main_s: Quantity
    arcing_s: Quantity
    movements: Mapping[str, Moving] = field(repr=False)
    events: Events | None = None
    step_s: float = math.nan
    skew_s: float = 0.0
    skew_u_s: float = 0.0


@dataclass(frozen=True)
class Alternative:
    """Another way in which the test may have been made.

    Attributes
    ----------
    who : tuple of str
        Interrupters that it concerns.
    what, check : str
        In words.
    voltage, travel : mapping
        Interrupter -> the one whose voltage, the mechanism whose travel, is in truth its own.
    later_s, apart_s : mapping
        Interrupter -> how much later its instants lie on the travel's clock, and the arcing contact's by itself.
    """

    kind: Kind
    who: tuple[str, ...]
    what: str
    check: str
    voltage: Mapping[str, str] = field(default_factory=dict)
    travel: Mapping[str, str] = field(default_factory=dict)
    later_s: Mapping[str, float] = field(default_factory=dict)
    apart_s: Mapping[str, float] = field(default_factory=dict)


def alternatives(seen: Sequence[Instants], name: str) -> Iterator[Alternative]:
    """Those that concern interrupter `name` and that its record does not exclude."""
    mine = [i for i in seen if i.interrupter == name]
    if not mine:
        return
    own = mine[0].mechanism
    others = {i.interrupter: i for i in seen if i.interrupter != name}
    for mechanism in sorted({i.mechanism for i in others.values()} - {own}):
        if any(own in i.movements and mechanism in i.movements for i in mine):
            yield _travels(seen, own, mechanism)
    for other in sorted(others):
        if _may_be_exchanged(mine, [i for i in seen if i.interrupter == other]):
            yield Alternative(
                "leads",
                tuple(sorted((name, other))),
                f"voltage leads exchanged between {name} and {other}",
                "Follow the voltage leads of both from the clamp to the channel.",
                voltage={name: other, other: name},
            )
    if any(i.skew_s for i in mine):
        yield from _clocks(seen, name)


def _clocks(seen: Sequence[Instants], name: str) -> Iterator[Alternative]:
    """Travel on the other clock; and a skew of this voltage that differs by its uncertainty from what was taken out."""
    skewed = {i.interrupter: i.skew_s for i in seen if i.skew_s}
    check = "See which of the two clocks agrees with coil and travel, and record all channels on one."
    other = "a travel recorded on the voltage's clock and not on the current's"
    yield Alternative("clock", tuple(sorted(skewed)), other, check, later_s=skewed)
    u_s = max(i.skew_u_s for i in seen if i.interrupter == name)
    for apart in (-u_s, u_s):
        what = f"a skew of {name} that differs by its uncertainty from what was taken out"
        yield Alternative("clock", (name,), what, check, apart_s={name: apart})


def _travels(seen: Sequence[Instants], a: str, b: str) -> Alternative:
    to = {a: b, b: a}
    moved = {i.interrupter: to[i.mechanism] for i in seen if i.mechanism in to}
    return Alternative(
        "travel",
        tuple(sorted(moved)),
        f"travel sensors or mechanisms exchanged between {a} and {b}",
        "Follow both sensors to their channels, and see that the breaker file gives each interrupter its mechanism.",
        travel=moved,
    )


def _may_be_exchanged(mine: Sequence[Instants], others: Sequence[Instants]) -> bool:
    """Whether the voltages of two fit one another's currents nearly as well as their own, or better."""
    at = {i.operation: i for i in others}
    pairs = [(i, at[i.operation]) for i in mine if i.operation in at]
    if mine[0].current == others[0].current:
        # One current through both says nothing about which voltage is whose.
        return bool(pairs)
    worse = 0.0
    for a, b in pairs:
        if a.events is not None and b.events is not None:
            worse += _square(a, b) + _square(b, a) - _square(a, a) - _square(b, b)
    return bool(pairs) and worse < EXCLUDED


def _square(voltage: Instants, current: Instants) -> float:
    """Squared misfit of one's voltage with another's current; none where either was not seen."""
    v, i = voltage.events, current.events
    if v is None or i is None:
        return 0.0
    lag = v.voltage_s - voltage.skew_s - i.current_s
    scatter = scatter_s(voltage.kind, voltage.step_s)
    if not math.isfinite(lag):
        return 0.0
    hidden = v.hidden or i.hidden or (v.covered and 0.0 < lag < LONGEST_BOUNCE_S)
    return min((lag / scatter) ** 2, hidden_costs(scatter) if hidden else MOST)
