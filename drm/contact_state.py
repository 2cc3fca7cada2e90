"""When a recorded contact left its state and when it came to rest in the other: instants with bounce."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Interrupter
from drm.contacts import CLOSED_VOLT, LEAST_SWING, PARTED_VOLT, levels
from drm.quantity import NOTHING, Quantity
from drm.record import Channel, Record

__all__ = ["NEVER", "Switched", "metallic", "state_of", "switched"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Switched:
    """One contact in one operation.

    Attributes
    ----------
    first_s : Quantity
        First arrival in the new state, on the record's clock: on closing the touch.
    last_s : Quantity
        From when the new state lasts: on opening the separation.
    bounces : int
        Returns to the old state in between.
    """

    first_s: Quantity = NOTHING
    last_s: Quantity = NOTHING
    bounces: int = 0

    @property
    def bounce_ms(self) -> Quantity:
        """From the first arrival to the last, ms; zero where the contact did not bounce."""
        if not self.first_s:
            return NOTHING
        if not self.bounces:
            return Quantity(0.0, 0.0)
        return Quantity(1e3 * (self.last_s.value - self.first_s.value), 1e3 * math.hypot(self.first_s.u, self.last_s.u))


NEVER = Switched()


def state_of(channel: Channel) -> NDArray[np.int8] | None:
    """State of each sample: 1, 0, or -1 where it is missing; None for a channel that never changes.

    An analogue channel is split half-way between its levels.
    """
    x = channel.samples
    good = np.isfinite(x)
    if not bool(good.any()):
        return None
    low, high = levels(channel)
    if not high - low > LEAST_SWING:
        return None
    return np.where(good, x > (low + high) / 2.0, -1).astype(np.int8)


def metallic(record: Record, interrupter: Interrupter, injected_a: float) -> NDArray[np.int8]:
    """State of an interrupter's contact from its voltage and current: 1 metal touches, 0 none, -1 not known."""
    volts = np.abs(record.channel(interrupter.voltage).values("V"))
    amps = np.abs(record.channel(interrupter.current).values("A"))
    state = np.full(volts.size, -1, dtype=np.int8)
    state[(volts < CLOSED_VOLT) & (amps > 0.3 * injected_a)] = 1
    state[volts > PARTED_VOLT] = 0
    return state


def switched(
    time_s: FloatArray, state: NDArray[np.int8], to: int, start_s: float, stop_s: float, *, settle_s: float = 50e-3
) -> Switched:
    """How a contact went over to state `to` between two instants.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        The channel's own clock (its skew added).
    state : ndarray of int8, shape (n,)
        1, 0, or -1 where not known.
    to : {0, 1}
        The new state.
    start_s, stop_s : float
        Part of the record that belongs to the operation.
    settle_s : float
        Returns later than this after the first arrival are no bounce; common practice, no source.

    Returns
    -------
    Switched
        NEVER where the part does not begin in the old state, or never reaches the new one. An instant lies somewhere
        between the last sample of one state and the first of the next: its middle, and a uniform distribution's
        standard uncertainty.
    """
    a, b = (int(v) for v in np.searchsorted(time_s, [start_s, stop_s]))
    known = a + np.flatnonzero(state[a:b] >= 0)
    if known.size < 2:
        return NEVER
    s = state[known]
    if s[0] == to:
        # The first arrival lies before the part: nothing can be said of it.
        return NEVER
    arrivals = np.flatnonzero((s[1:] == to) & (s[:-1] != to)) + 1
    if arrivals.size == 0:
        return NEVER

    def between(k: int) -> Quantity:
        early, late = float(time_s[known[k - 1]]), float(time_s[known[k]])
        return Quantity((early + late) / 2.0, (late - early) / math.sqrt(12.0))

    first = between(int(arrivals[0]))
    near = [int(k) for k in arrivals if time_s[known[k]] <= first.value + settle_s]
    return Switched(first, between(near[-1]), len(near) - 1)
