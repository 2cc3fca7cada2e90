"""Voltages of contacts and the currents injected through them, by their signals; and from both, the operations.

A contact's voltage stands where its current is gone, and is small where it flows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Breaker, Interrupter, Mechanism
from drm.coils import runs
from drm.contacts import CLOSED_VOLT, LEAST_PARTED_S, PARTED_VOLT, interrupter_changes
from drm.describe_seen import Course, Part, Seen, is_a, together
from drm.record import Channel
from drm.units import factor

__all__ = ["see_contacts"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Share of all stretches in either of two states that must be in both, for the two to be of one circuit.
ALIKE = 0.7
#: Closed contacts read between these, ohm, with all that may lie within the leads (see the limits of a trace).
CLOSED_OHM = (1e-6, 5e-3)
#: Least current that is injected, A; less tells no micro-ohms.
LEAST_INJECTED_A = 5.0
#: What a parted contact may read at the most while the current goes round it through both earths, V.
MOST_LOOP_VOLT = 1.5
#: Largest share of its span that a sensor of travel passes within one stretch: an operation takes many of them.
GLIDE = 0.1
#: Operations of poles and interrupters lie within this of each other, s.
TOGETHER_S = 50e-3
#: An auxiliary contact changes so long before the first contact, or after the last, at most, s.
BESIDE_S = (40e-3, 80e-3)


@dataclass(frozen=True, eq=False)
class _Volts:
    channel: Channel
    signed: FloatArray
    size: FloatArray
    high: BoolArray
    low: BoolArray


@dataclass(frozen=True, eq=False)
class _Amps:
    channel: Channel
    size: FloatArray
    top: float
    flows: BoolArray
    gone: BoolArray


def _volts(seen: Seen, c: Channel) -> _Volts:
    signed = seen.medians[c.name] * factor(c.unit, "V")
    x = np.abs(signed)
    top = float(x.max())
    parted = min(PARTED_VOLT, 0.9 * top) if top > CLOSED_VOLT else PARTED_VOLT
    return _Volts(c, signed, x, x > parted, x < min(CLOSED_VOLT, 0.5 * parted))


def _glides(v: _Volts) -> bool:
    """Whether a voltage never jumps: a contact's does when it parts, a travel sensor's never."""
    span = float(np.ptp(v.signed))
    return span > CLOSED_VOLT and float(np.max(np.abs(np.diff(v.signed)))) < GLIDE * span


def _amps(seen: Seen, c: Channel) -> _Amps:
    x = np.abs(seen.medians[c.name] * factor(c.unit, "A"))
    # The greatest level that lasts some milliseconds, so that neither a ring nor an impulse is one.
    size = x.size // 8 * 8
    top = float(np.median(x[:size].reshape(-1, 8), axis=1).max()) if size else 0.0
    return _Amps(c, x, top, x > 0.3 * top, x < 0.1 * top)


def see_contacts(seen: Seen, channels: Sequence[Channel]) -> None:
    """Voltages of contacts and the currents injected through them; and from both, the operations."""
    volts = [v for c in channels if is_a(c, "voltage") for v in [_volts(seen, c)] if not _glides(v)]
    amps = [_amps(seen, c) for c in channels if is_a(c, "current")]
    amps = [a for a in amps if a.top > 0.0]
    pairs: dict[str, str] = {}
    flowing: dict[str, _Amps] = {}
    for v in volts:
        fits = [(min(together(v.high, a.gone), together(v.low, a.flows)), n) for n, a in enumerate(amps)]
        best, n = max(fits, default=(0.0, -1))
        if best > ALIKE and amps[n].top > LEAST_INJECTED_A:
            pairs[v.channel.name] = amps[n].channel.name
            flowing.update({amps[k].channel.name: amps[k] for fit, k in fits if fit > max(ALIKE, best - 0.05)})
    injected = _injected(amps, flowing, volts)
    for v in volts:
        if v.channel.name not in pairs:
            partner = next((a.channel.name for a in injected if _drops(v, a)), "")
            if partner:
                pairs[v.channel.name] = partner
    seen.parts |= {name: Part("voltage") for name in pairs}
    seen.parts |= {a.channel.name: Part("current") for a in injected}
    seen.courses = _courses(seen, volts, pairs)


def _injected(amps: Sequence[_Amps], flowing: dict[str, _Amps], volts: Sequence[_Volts]) -> list[_Amps]:
    """Currents through contacts: those that a voltage answers to, and those that flow with them and like them."""
    if not flowing:
        # No contact parts in this record, or not so that its voltage shows it: a steady current with a drop.
        steady = [a for a in amps if a.top > LEAST_INJECTED_A and _steady(a)]
        return [a for a in steady if any(_drops(v, a) for v in volts)]
    top = max(a.top for a in flowing.values())
    return [
        a
        for a in amps
        if a.channel.name in flowing
        or (
            a.top > 0.05 * top
            and a.top > LEAST_INJECTED_A
            and _steady(a)
            and max(together(a.flows, f.flows) for f in flowing.values()) > 0.9
        )
    ]


def _steady(a: _Amps) -> bool:
    """Whether the current keeps its level while it flows, as a source's does and neither a coil's nor a motor's."""
    level = a.size[a.flows]
    return level.size >= 80 and float(np.mean(np.abs(level - np.median(level)) < 0.15 * a.top)) > 0.9


def _drops(v: _Volts, a: _Amps) -> bool:
    """Whether a small voltage stands there while the current flows, such as a closed contact drops."""
    closed = a.flows & v.low
    if int(np.count_nonzero(closed)) < 40:
        return False
    level = v.signed[closed]
    middle = abs(float(np.median(level)))
    noise = 1.4826 * float(np.median(np.abs(level - np.median(level))))
    # Without the current it must not be the same: a channel's offset or a sensor's rest is no drop.
    gone = v.signed[a.gone & v.low]
    differs = gone.size < 40 or abs(middle - abs(float(np.median(gone)))) > 0.3 * middle
    plausible = CLOSED_OHM[0] < middle / a.top < CLOSED_OHM[1]
    # A parted contact in an earthed loop may read a volt; a coil's or a motor's supply reads more.
    beyond = float(np.mean(v.size[a.flows] > MOST_LOOP_VOLT))
    return plausible and differs and beyond < 0.02 and middle > 0.5 * noise


def _courses(seen: Seen, volts: Sequence[_Volts], pairs: dict[str, str]) -> tuple[Course, ...]:
    record = seen.record
    found = Breaker("", (Mechanism(""),), tuple(Interrupter(v, "", 1, v, v, i) for v, i in pairs.items()))
    changes = [c for c in (interrupter_changes(record, found) if pairs else ()) if c.volts]
    at = [(c.kind, c.at_s) for c in changes] or [x for v in volts if v.channel.name in pairs for x in _steps(seen, v)]
    seen.changes = tuple(at)
    out: list[list[Course]] = []
    for kind, when in sorted(at, key=lambda x: x[1]):
        mine = [g for g in out if g[0].kind == kind and when - g[-1].last_s < TOGETHER_S]
        if mine:
            mine[-1].append(Course(kind, when, when))
        else:
            out.append([Course(kind, when, when)])
    return tuple(_whole(seen, g[0].kind, g[0].first_s, g[-1].last_s) for g in out)


def _whole(seen: Seen, kind: str, first_s: float, last_s: float) -> Course:
    """With the stretch in which auxiliary contacts change: about it, and as long as its travel moves."""
    moving = [s for s in seen.travels if s.start_s < last_s and s.stop_s > first_s]
    begin = min([first_s - BESIDE_S[0], *(s.start_s for s in moving)])
    return Course(kind, first_s, last_s, begin, max([last_s + BESIDE_S[1], *(s.stop_s for s in moving)]))


def _steps(seen: Seen, v: _Volts) -> list[tuple[str, float]]:
    """Changes of a voltage that keeps below what no metal survives: where an earthed loop takes the current over."""
    top = float(np.percentile(v.size, 98.0))
    closed = float(np.percentile(v.size, 10.0))
    if not top > 15.0 * closed:
        return []
    step = seen.many / seen.record.sample_rate_hz
    lasting = [(a, b) for a, b in runs(v.size > 0.5 * top) if (b - a) * step > LEAST_PARTED_S or b == v.size.size]
    out = [("open", a * step) for a, _ in lasting if a > 0]
    return out + [("close", b * step) for _, b in lasting if b < v.size.size]
