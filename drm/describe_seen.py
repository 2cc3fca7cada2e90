"""A record while its signals are looked at: what is known of each channel and operation so far."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drm.coils import Pulse, bridged
from drm.motion import Stroke
from drm.record import Channel, Record
from drm.units import canonical, units

__all__ = ["BLOCK_S", "Course", "Part", "Seen", "is_a", "is_still", "is_travel", "stretches", "together"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Stretch whose median stands for it, s: long for an impulse, short beside what is looked for.
BLOCK_S = 0.25e-3


@dataclass(frozen=True)
class Course:
    """One opening or closing as the contacts' voltages and currents show it.

    `first_s`, `last_s`: first and last change; from `begin_s` to `end_s` whatever else belongs to it may happen.
    """

    kind: str
    first_s: float
    last_s: float
    begin_s: float = 0.0
    end_s: float = 0.0


@dataclass(frozen=True)
class Part:
    """The part that one channel plays, as far as its signal tells.

    Attributes
    ----------
    role : str
        ``voltage current trip close coil motor travel a b state``, or empty where nothing is told.
    doubt : str
        Why it may be another.
    partner : str
        For the voltage of a coil or motor, the channel of its current.
    still : bool
        Whether the channel shows nothing but its level.
    """

    role: str = ""
    doubt: str = ""
    partner: str = ""
    still: bool = False


@dataclass
class Seen:
    """A record while it is looked at: stretches' medians, and what is known so far."""

    record: Record
    many: int
    medians: dict[str, FloatArray] = field(default_factory=dict)
    parts: dict[str, Part] = field(default_factory=dict)
    courses: tuple[Course, ...] = ()
    changes: tuple[tuple[str, float], ...] = ()
    travels: tuple[Stroke, ...] = ()
    pulses: dict[str, tuple[Pulse, ...]] = field(default_factory=dict)


def is_a(channel: Channel, kind: str) -> bool:
    """Whether an analogue channel has a unit of this kind, such as ``voltage``."""
    return not channel.digital and canonical(channel.unit) in units(kind)


def is_travel(channel: Channel) -> bool:
    """Whether a channel's unit is one of a length or an angle, which have no other use in such a record."""
    return is_a(channel, "length") or is_a(channel, "angle")


def stretches(channel: Channel, many: int) -> FloatArray:
    """Median of each `many` samples, missing ones bridged, shape (n // many,)."""
    x = bridged(channel.samples)
    return np.asarray(np.median(x[: x.size // many * many].reshape(-1, many), axis=1))


def together(one: BoolArray, other: BoolArray) -> float:
    """Share of what is in either of two sets that is in both; 0 where both are empty."""
    either = int(np.count_nonzero(one | other))
    return int(np.count_nonzero(one & other)) / either if either else 0.0


def is_still(x: FloatArray) -> bool:
    """Whether stretches' medians show nothing but one level and noise."""
    noise = float(np.median(np.abs(np.diff(x)))) if x.size > 1 else 0.0
    return float(np.ptp(x)) <= 12.0 * noise + 1e-12
