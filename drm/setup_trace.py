"""What a trace says about its own leads and channels: polarity, loose clamps, clipped or dead channels."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Breaker
from drm.record import Record
from drm.resistance import METALLIC_VOLT, Trace
from drm.setup_fault import Fault

__all__ = ["clipped", "dead", "loose", "reversed_polarity"]

FloatArray = NDArray[np.float64]
Key = tuple[int, str]

#: Stretch over which a level is read when looking for jumps, s.
BLOCK = 1e-3
#: A closed contact at rest does not change by this share of its resistance, nor read so much lower while it moves.
JUMP, DROP = 0.3, 0.5
#: Times the siblings' noise, and share of the closed drop, above which a voltage is noisy by its connection.
NOISY, NOISE_SHARE = 6.0, 0.15
#: By how much the current may move within a stretch, share of the injected one.
STEADY = 0.04
#: How uncertain a block's level may be, in standard errors, before a jump counts.
CLEAR = 8.0

_CLAMP = (
    "Clean and tighten the voltage clamp and its joint, look for a broken wire, then repeat the test; read the "
    "resistance at rest for a second before the operation, and shake the leads to see whether it holds."
)


def _grouped(hits: Mapping[Key, dict[str, float]]) -> dict[str, tuple[tuple[int, ...], dict[str, float]]]:
    """By interrupter: its operations, and the numbers of the first of them."""
    out: dict[str, tuple[tuple[int, ...], dict[str, float]]] = {}
    for (number, name), numbers in sorted(hits.items(), key=lambda h: (h[0][1], h[0][0])):
        before = out.get(name)
        out[name] = (before[0] + (number,), before[1]) if before else ((number,), numbers)
    return out


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
                signs.append(np.sign(np.nanmedian(volts)) * np.sign(np.nanmedian(amps)))
        if signs and float(np.median(signs)) < 0:
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


def _blocks(trace: Trace, where: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Median resistance of each stretch of samples in `where`, ohm, and its standard error."""
    many = max(5, round(BLOCK / trace.step_s))
    index = np.flatnonzero(where & np.isfinite(trace.voltage_v) & np.isfinite(trace.current_a))
    count = index.size // many
    if count < 4:
        return np.empty(0), np.empty(0)
    part = index[: count * many].reshape(count, many)
    # Stretches with gaps in them are left out.
    part = part[part[:, -1] - part[:, 0] < 1.5 * many]
    # So are those in which the current moves: the sense loop's inductance then adds a voltage of either sign.
    part = part[np.ptp(trace.current_a[part], axis=1) < STEADY * trace.injected_a] if part.size else part
    if part.shape[0] < 4:
        return np.empty(0), np.empty(0)
    r = np.median(trace.voltage_v[part] / trace.current_a[part], axis=1)
    scale = trace.sigma_v / trace.injected_a
    return r, np.full(r.size, 1.2533 * scale / np.sqrt(many))


def _jumps(trace: Trace) -> dict[str, float]:
    """Numbers of a contact that jumps at rest, or falls below its closed value while the current flows; else none."""
    rest = np.zeros(trace.time_s.size, dtype=np.bool_)
    rest[trace.rest] = True
    with np.errstate(invalid="ignore", divide="ignore"):
        closed = float(np.nanmedian(trace.voltage_v[trace.rest] / trace.current_a[trace.rest]))
    r, se = _blocks(trace, rest & (trace.current_a > 0.5 * trace.injected_a))
    if r.size and float(np.ptp(r)) > JUMP * closed + CLEAR * float(se[0]):
        return {"resistance_lowest_uohm": 1e6 * float(r.min()), "resistance_highest_uohm": 1e6 * float(r.max())}
    flowing = (trace.current_a > 0.9 * trace.injected_a) & (np.abs(trace.voltage_v) < METALLIC_VOLT)
    r, se = _blocks(trace, flowing)
    # In two stretches at least: a single one may hold the ringing of a part-separation.
    if r.size and float(np.sort(r)[1]) < (1.0 - DROP) * closed - CLEAR * float(se[0]):
        return {"resistance_at_rest_uohm": 1e6 * closed, "resistance_lowest_uohm": 1e6 * float(r.min())}
    amps = trace.current_a[trace.rest]
    gone = amps < 0.5 * trace.injected_a
    if 0.02 < float(np.mean(gone)) < 0.5:
        return {"current_a": trace.injected_a, "share_of_rest_without_current": float(np.mean(gone))}
    return {}


def loose(traces: Mapping[Key, Trace]) -> Iterator[Fault]:
    """Clamps that make contact now and then, or noisily."""
    hits = {key: numbers for key, t in traces.items() if (numbers := _jumps(t))}
    for number in {k[0] for k in traces}:
        sigmas = {k: t.sigma_v for k, t in traces.items() if k[0] == number}
        usual = float(np.median(list(sigmas.values())))
        for key, sigma in sigmas.items():
            closed = float(np.nanmedian(traces[key].voltage_v[traces[key].rest]))
            if len(sigmas) > 2 and key not in hits and sigma > NOISY * usual and sigma > NOISE_SHARE * closed:
                hits[key] = {"noise_v": sigma, "noise_of_the_others_v": usual, "closed_voltage_v": closed}
    for name, (operations, numbers) in _grouped(hits).items():
        yield Fault(
            code="loose-clamp",
            level="inspect",
            what="the reading jumps, fails or is noisy while the contact is closed and at rest: a loose clamp or lead",
            basis="physics: a closed contact at rest keeps its resistance, and none falls below it while it moves",
            otherwise="A contact that is not fully closed or vibrates, a disturbance from neighbouring plant, a "
            "current source that hunts.",
            check=_CLAMP,
            interrupters=(name,),
            # A clamp that fails now and then is trusted in no operation.
            spoils="all",
            evidence={"seen_in_operations": list(operations)} | numbers,
        )


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
    for name, (operations, numbers) in _grouped(hits).items():
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
            yield Fault(
                code=code,
                level="inspect",
                what=what,
                basis="the trace itself",
                otherwise=otherwise,
                check="Follow the leads from the clamps to the channel, see the range and the scale, and repeat the "
                "test.",
                interrupters=tuple(sorted(names)),
                operations=tuple(sorted({n for v in names.values() for n in v})),
                spoils="all",
                evidence={"reasons": sorted({r for r in unusable.values() if text in r})},
            )
