"""What a trace says about its own leads and channels: polarity, clipped or dead channels."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Breaker
from drm.median import median, nanmedian
from drm.record import Record
from drm.resistance import METALLIC_VOLT, Trace
from drm.setup_fault import Fault, grouped

__all__ = ["clipped", "dead", "flat", "reads_nothing", "reversed_polarity"]

FloatArray = NDArray[np.float64]
Key = tuple[int, str]

#: A voltage that moves by less than this resistance would make it, uOhm, when the current is ended or begun, does not
#: follow the current: no closed contact reads so little (common practice, no source), and a parted one shows volts.
FLAT_UOHM = 1.0
#: Share of the closed level below which no current flows, and samples of it that tell.
NO_CURRENT, LEAST_OFF = 0.03, 20


def reversed_polarity(record: Record, breaker: Breaker, traces: Mapping[Key, Trace]) -> Iterator[Fault]:
    """Voltage leads that are the other way round than the current: corrected, and said."""
    hits: list[str] = []
    for one in breaker.interrupters:
        signs = []
        for (_, name), trace in traces.items():
            if name == one.name:
                start = int(np.searchsorted(record.time_s, trace.time_s[0]))
                rest = slice(start + trace.rest.start, start + trace.rest.stop)
                volts, amps = (record.channel(c).samples[rest] for c in (one.voltage, one.current))
                signs.append(np.sign(nanmedian(volts)) * np.sign(nanmedian(amps)))
        if signs and median(signs) < 0:
            hits.append(one.name)
    if hits:
        yield Fault(
            code="polarity",
            level="note",
            what="the voltage is of the other sign than the current; turned round, as only the size of V/I counts",
            basis="physics: a contact drops a voltage in the direction of its current",
            otherwise="The clamp of the current reads the other way round, or a scale in the record is negative.",
            check="Follow the leads and see that none of them goes to a neighbour's terminal.",
            interrupters=tuple(hits),
        )


def reads_nothing(volts: FloatArray, amps: FloatArray, closed: slice) -> bool:
    """Whether a voltage is the same with the current and without it: a lead that is off or shorted.

    Parameters
    ----------
    volts, amps : ndarray, shape (n,)
        As recorded, over one operation.
    closed : slice
        Samples in which the contact is closed and the current flows.
    """
    level = abs(nanmedian(amps[closed]))
    off = volts[(np.abs(amps) < NO_CURRENT * level) & np.isfinite(volts)]
    on = volts[closed][np.isfinite(volts[closed])]
    if off.size < LEAST_OFF or on.size < LEAST_OFF:
        return False
    least, share = 1e-6 * FLAT_UOHM * level, 4.0 * 1.4826 / np.sqrt(min(off.size, on.size))
    sides = [(off, median(off)), (on, median(on))]
    apart = abs(sides[0][1] - sides[1][1])
    # Most of both sides nearer to their middles than noise must reach: the noise itself need not be known.
    if all(_most_within(x, middle, 0.99 * (apart - least) / share) for x, middle in sides):
        return False
    noise = max(median(np.abs(x - middle)) for x, middle in sides)
    return bool(apart < least + share * noise)


def _most_within(samples: FloatArray, middle: float, reach: float) -> bool:
    return 2 * int(np.count_nonzero(np.abs(samples - middle) <= reach)) > samples.size + 1


def flat(record: Record, breaker: Breaker, traces: Mapping[Key, Trace]) -> Iterator[Fault]:
    """Voltages that do not follow their current, and whose offset alone looks like a small resistance."""
    channels = {i.name: i for i in breaker.interrupters}
    hits: dict[Key, dict[str, float]] = {}
    for (number, name), trace in traces.items():
        start = int(np.searchsorted(record.time_s, trace.time_s[0]))
        window = slice(start, start + trace.time_s.size)
        volts = record.channel(channels[name].voltage).values("V")[window]
        amps = record.channel(channels[name].current).values("A")[window]
        if reads_nothing(volts, amps, trace.rest):
            hits[number, name] = {"closed_voltage_v": nanmedian(volts[trace.rest])}
    for name, (operations, numbers) in grouped(hits).items():
        yield _dead(*_DEAD[0][1:], (name,), operations, dict(numbers))


def clipped(record: Record, breaker: Breaker, traces: Mapping[Key, Trace]) -> Iterator[Fault]:
    """Channels whose range ends below what they have to show."""
    hits: dict[Key, dict[str, float]] = {}
    named = {i.name: i.current for i in breaker.interrupters}
    for key, t in traces.items():
        share = t.current_a / t.injected_a
        at_top = np.abs(t.voltage_v) >= 0.98 * t.ceiling_v
        full = share > 0.97
        # The current still flows whole well after the voltage stopped showing anything: metal, not yet the loss.
        full &= np.roll(full, -6) & np.roll(full, 6)
        if t.ceiling_v < METALLIC_VOLT and int((at_top & full).sum()) >= 4:
            hits[key] = {"voltage_ceiling_v": t.ceiling_v, "clipped_ms": 1e3 * t.step_s * float((at_top & full).sum())}
            continue
        amps = t.current_a[t.rest]
        amps = amps[np.isfinite(amps)]
        limit = record.channel(named[key[1]])
        tops = [abs(b) for b in limit.limits if np.isfinite(b)]
        stated = bool(tops) and _on_top(limit.samples, min(tops), t)
        if stated or _one_sided(amps):
            hits[key] = {"current_ceiling_a": float(amps.max())}
    for name, (operations, numbers) in grouped(hits).items():
        which = "current" if "current_ceiling_a" in numbers else "voltage"
        yield Fault(
            code="clipped",
            level="inspect",
            what=f"the {which} channel is at the end of its range while the contact conducts: what it reads is cut off",
            basis="the trace itself: samples that stand still at the greatest value",
            otherwise="A voltage clamp in the recorder, or a source that limits.",
            check="Choose a greater range and repeat the test.",
            interrupters=(name,),
            operations=operations,
            spoils="all" if which == "voltage" else "resistance",
            evidence=dict(numbers),
        )


def _on_top(samples: FloatArray, top: float, trace: Trace) -> bool:
    """Whether the channel stood at its greatest value for as long as the contact rested."""
    at = np.abs(samples) >= 0.999 * top
    return bool(at.sum() >= 0.5 * (trace.rest.stop - trace.rest.start))


def _one_sided(amps: FloatArray) -> bool:
    """Noise cut off above: the greatest value is the most frequent, and what scatters lies below it."""
    if amps.size < 50:
        return False
    top = float(amps.max())
    share = float(np.mean(amps >= top - 1e-9 * abs(top)))
    return 0.5 < share < 0.98 and int(np.unique(amps).size) > 5


_DEAD = (
    ("a sense lead is off or shorted", "lead-off", "a voltage lead is off or shorted: nothing is read while current "
     "flows", "A contact bypassed by an earth or a link, or a channel that was not armed."),
    ("at its ceiling while the contact is closed", "lead-off", "the voltage is at its ceiling while the contact is "
     "closed: a voltage lead is off, or the range is too small", "A contact that is not closed."),
    ("no current is injected", "no-current", "no current is read while the contact is closed",
     "A current lead or the current's sensor is off, its scale wrong, the source not switched on, or another "
     "interrupter in series is open."),
    ("uOhm at rest: not closed", "not-closed", "the closed contact reads far more than any closed contact: not closed, "
     "a loose clamp, a wrong scale, or channels that do not belong together",
     "A joint within the leads that has come loose."),
)  # fmt: skip


def dead(unusable: Mapping[Key, str], named: set[str]) -> Iterator[Fault]:
    """Interrupters of which nothing could be read, by the reason that the trace gives."""
    for text, code, what, otherwise in _DEAD:
        names: dict[str, list[int]] = {}
        for (number, name), reason in unusable.items():
            if text in reason and name not in named:
                names.setdefault(name, []).append(number)
        if names:
            operations = tuple(sorted({n for v in names.values() for n in v}))
            reasons = {"reasons": sorted({r for r in unusable.values() if text in r})}
            yield _dead(code, what, otherwise, tuple(sorted(names)), operations, reasons)


def _dead(
    code: str, what: str, otherwise: str, who: tuple[str, ...], operations: tuple[int, ...], evidence: dict[str, Any]
) -> Fault:
    return Fault(
        code=code,
        level="inspect",
        what=what,
        basis="the trace itself",
        otherwise=otherwise,
        check="Follow the leads from the clamps to the channel, see the range and the scale, and repeat the test.",
        interrupters=who,
        operations=operations,
        spoils="all",
        evidence=evidence,
    )
