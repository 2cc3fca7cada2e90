"""Changes of state that contacts show: the interrupters' own and the auxiliary ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Breaker, Mechanism
from drm.coils import bridged
from drm.kept import kept
from drm.median import median, medians
from drm.record import Channel, Record

__all__ = ["LEAST_SWING", "Change", "auxiliary_changes", "interrupter_changes", "levels"]

FloatArray = NDArray[np.float64]

#: Closed below, parted above, V. The first is well above any contact at any test current, the second is where no
#: metallic contact survives between tungsten surfaces (Holm: U^2 = 4 L (Tm^2 - T0^2)).
CLOSED_VOLT, PARTED_VOLT = 0.5, 1.1
#: States between two others that last less are no operation, s: bounce, an impulse, a part-separation of the arcing
#: contact in a slow opening. No breaker opens and closes again within the first, nor closes and opens within the
#: second; common practice, no source.
LEAST_PARTED_S, LEAST_CLOSED_S = 60e-3, 6e-3
LEAST_AUXILIARY_S = 3e-3
#: Least swing of an analogue state channel that counts as two states, in its own unit.
LEAST_SWING = 1e-6


@dataclass(frozen=True)
class Change:
    """One change of state.

    Attributes
    ----------
    at_s : float
        End of the state that was left.
    kind : str
        'open' or 'close'.
    mechanism : str
    source : str
        'interrupter' or 'auxiliary'.
    volts : bool
        Whether the parted state was seen as a voltage, not only as current that is gone.
    """

    at_s: float
    kind: str
    mechanism: str
    source: str
    volts: bool = True


def interrupter_changes(record: Record, breaker: Breaker) -> tuple[Change, ...]:
    """Every parting and closing that the interrupters' voltages and currents show, in order of time."""
    out: list[Change] = []
    for one in breaker.interrupters:
        if one.state is not None:
            out += _state_changes(record, one.state, one.mechanism)
        if not one.voltage:
            continue
        v, i = record.channel(one.voltage), record.channel(one.current)
        volts, amps = np.abs(v.values("V")), np.abs(i.values("A"))
        injected = _injected(amps, record.sample_rate_hz)
        if not injected > 1.0:
            continue
        flows, gone = amps > 0.3 * injected, amps < 0.1 * injected
        high = volts > PARTED_VOLT
        state = np.full(volts.size, -1, dtype=np.int8)
        np.copyto(state, 1, where=(volts < CLOSED_VOLT) & flows)
        np.copyto(state, 0, where=high | gone)
        least = (round(LEAST_PARTED_S * record.sample_rate_hz), max(2, round(LEAST_CLOSED_S * record.sample_rate_hz)))
        for a, b, to in _changes(state, least):
            near = high[max(0, a - 50) : a + 1] if to == 1 else high[a : b + max(50, b - a)]
            kind = "close" if to == 1 else "open"
            out.append(Change(float(record.time_s[a]) + v.skew_s, kind, one.mechanism, "interrupter", bool(near.any())))
    return tuple(sorted(out, key=lambda c: c.at_s))


def levels(channel: Channel) -> tuple[float, float]:
    """The two levels of a state channel: 0 and 1 where it holds nothing else, else those between which it swings.

    A short event may be a thousandth of a record, and a single wild sample is not to make a level.
    """
    x = channel.samples[np.isfinite(channel.samples)]
    if channel.digital or bool(np.isin(x, (0.0, 1.0)).all()):
        return 0.0, 1.0
    low, high = (float(q) for q in np.percentile(x, [0.1, 99.9]))
    return low, high


def _state_changes(record: Record, name: str, mechanism: str) -> list[Change]:
    """Changes of a contact's state channel; bounce and missing samples make none."""
    channel = record.channel(name)
    good = np.isfinite(channel.samples)
    if not bool(good.any()):
        return []
    low, high = levels(channel)
    if not high - low > LEAST_SWING:
        return []
    state = np.where(good, channel.samples > (low + high) / 2, -1).astype(np.int8)
    least = (round(LEAST_PARTED_S * record.sample_rate_hz), max(2, round(LEAST_CLOSED_S * record.sample_rate_hz)))
    return [
        Change(float(record.time_s[a]) + channel.skew_s, "close" if to == 1 else "open", mechanism, "interrupter")
        for a, _, to in _changes(state, least)
    ]


@kept
def auxiliary_changes(record: Record, mechanism: Mechanism) -> tuple[Change, ...]:
    """Every change of the auxiliary contacts: a closes with the breaker, b opens with it."""
    out: list[Change] = []
    for role, name in mechanism.auxiliary.items():
        channel = record.channel(name)
        x = channel.samples
        good = np.isfinite(x)
        if role not in ("a", "b") or not bool(good.any()):
            continue
        low, high = levels(channel)
        if not high - low > LEAST_SWING:
            continue
        state = np.where(good, x > (low + high) / 2, -1).astype(np.int8)
        least = max(1, round(LEAST_AUXILIARY_S * record.sample_rate_hz))
        for a, _, to in _changes(state, (least, least)):
            kind = "close" if (to == 1) == (role == "a") else "open"
            out.append(Change(float(record.time_s[a]) + channel.skew_s, kind, mechanism.name, "auxiliary"))
    return tuple(sorted(out, key=lambda c: c.at_s))


def _injected(amps: FloatArray, rate_hz: float) -> float:
    """Test current: the greatest of the medians over 2 ms, so that neither impulses nor a short closing hide it."""
    many = max(5, round(2e-3 * rate_hz))
    x = bridged(amps)
    if x.size < many:
        return 0.0
    blocks = x[: x.size // many * many].reshape(-1, many)
    # Only where half of a block lies as high as that of the greatest mean can the median be greater.
    likely = median(blocks[int(np.argmax(blocks.mean(axis=1)))])
    return float(medians(blocks[2 * np.count_nonzero(blocks >= likely, axis=1) >= many]).max())


def _changes(state: NDArray[np.int8], least: tuple[int, int]) -> list[tuple[int, int, int]]:
    """(last sample of the old state + 1, first of the new, new state) where each state lasts `least[state]`."""
    if not bool((state >= 0).any()):
        return []
    edge = np.flatnonzero(state[1:] != state[:-1]) + 1
    first, last = np.concatenate([[0], edge]), np.concatenate([edge, [state.size]]) - 1
    first, last = first[state[first] >= 0], last[state[first] >= 0]
    # What is not known in between parts no state.
    s = state[first]
    new = np.concatenate([[True], s[1:] != s[:-1]])
    first, last, s = first[new], last[np.concatenate([new[1:], [True]])], s[new]
    # A stretch cut by the record's end may be as short as it likes: what follows it is not known.
    lasting = last - first + 1 >= np.asarray(least)[s]
    lasting[[0, -1]] = True
    first, last, s = first[lasting], last[lasting], s[lasting]
    turns = np.flatnonzero(s[1:] != s[:-1]) + 1
    return [(int(last[k - 1]) + 1, int(first[k]), int(s[k])) for k in turns]
