"""A scale that is wrong by a power of ten: of one current or voltage against its siblings', or of all of them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Breaker
from drm.kept import kept
from drm.median import median, nanmedian
from drm.operations import Operation
from drm.record import Record
from drm.setup_fault import Fault
from drm.setup_trace import reads_nothing

__all__ = ["Closed", "closed_levels", "scale"]

FloatArray = NDArray[np.float64]

#: Within this factor of a power of ten a ratio is taken for a wrong scale. Injections are set alike to some per cent;
#: closed drops scatter by more.
NEAR_CURRENT, NEAR_VOLTAGE = 1.35, 1.8
#: What one closed interrupter can read, uOhm: 20 to 60 are usual (common practice, no source), joints and several
#: units within the leads read more; nothing that carries thousands of amperes reads less or ten times as much.
PLAUSIBLE_UOHM = (5.0, 300.0)
_CHECK = (
    "See the scale, unit and range of this channel in the recorder and the ratio of its shunt or sensor, then read the "
    "record again; a static measurement with another instrument tells which is right."
)


@dataclass(frozen=True)
class Closed:
    """Voltage and current of one interrupter while closed, as recorded, medians of all operations."""

    volts: float
    amps: float


@kept
def closed_levels(record: Record, breaker: Breaker, operations: Sequence[Operation]) -> dict[str, Closed]:
    """Level of voltage and current while the contact is closed, whether the trace can be used or not."""
    out: dict[str, Closed] = {}
    for one in breaker.interrupters:
        if not one.voltage:
            continue
        pairs = []
        for operation in operations:
            begin, end = operation.start_s, operation.stop_s
            if operation.kind == "open":
                end = operation.reference_s[one.mechanism]
            else:
                begin = end - 0.15 * (end - begin)
            part = slice(int(np.searchsorted(record.time_s, begin)), int(np.searchsorted(record.time_s, end)))
            whole, current = record.channel(one.voltage).values("V"), record.channel(one.current).values("A")
            volts, amps = whole[part], current[part]
            if np.isfinite(volts).any() and np.isfinite(amps).any():
                if _level(volts) >= 0.98 * float(np.nanmax(np.abs(whole))) > 0.0 or _follows_nothing(
                    record, operation, whole, current, part
                ):
                    continue  # no scale, a lead that is off
                pairs.append((_level(volts), _level(amps)))
        if pairs:
            out[one.name] = Closed(*(median(x) for x in zip(*pairs, strict=True)))
    return out


def _follows_nothing(record: Record, operation: Operation, volts: FloatArray, amps: FloatArray, closed: slice) -> bool:
    begin, end = (int(np.searchsorted(record.time_s, t)) for t in (operation.start_s, operation.stop_s))
    return reads_nothing(volts[begin:end], amps[begin:end], slice(closed.start - begin, closed.stop - begin))


def _level(samples: FloatArray) -> float:
    """Median, without its sign; 0 where it is no level but the middle of noise."""
    middle = abs(nanmedian(samples))
    scatter = 1.4826 * nanmedian(np.abs(np.abs(samples) - middle))
    return middle if middle > 3.0 * scatter / math.sqrt(samples.size) + 0.1 * scatter else 0.0


def _power(ratio: float, near: float) -> int:
    """Power of ten that `ratio` is within a factor `near` of; 0 where it is near none but one itself, or of none."""
    if not (math.isfinite(ratio) and ratio > 0):
        return 0
    k = round(math.log10(ratio))
    # Nobody's scale is off by more than from milli to kilo; what reads less than a thousandth is not there.
    return k if abs(k) <= 6 and abs(math.log10(ratio) - k) <= math.log10(near) else 0


def scale(levels: Mapping[str, Closed], arcing_uohm: Mapping[str, float]) -> Iterator[Fault]:
    """Channels whose scale is off by a power of ten.

    Parameters
    ----------
    levels : mapping
        Interrupter -> its closed levels.
    arcing_uohm : mapping
        Interrupter -> resistance of its arcing contact, where one was measured: a wrong scale of the voltage multiplies
        it as it does the closed one, a bad contact does not.
    """
    volts = {n: c.volts for n, c in levels.items() if c.volts > 0}
    amps = {n: c.amps for n, c in levels.items() if c.amps > 0}
    named: set[str] = set()
    if len(levels) >= 3:
        for name in sorted(levels):
            fault = _one(name, volts, amps, arcing_uohm)
            if fault is not None:
                named.add(name)
                yield fault
    ohms = {n: 1e6 * volts[n] / amps[n] for n in volts if n in amps and amps[n] >= 10.0 and n not in named}
    middle = median(list(ohms.values())) if ohms else math.nan
    low, high = PLAUSIBLE_UOHM
    if len(ohms) >= 3 and not low <= middle <= high and max(ohms.values()) < 3.0 * min(ohms.values()):
        yield Fault(
            code="scale",
            level="inspect",
            what=f"all closed resistances are alike and about {middle:.3g} µΩ, which no set of closed interrupters "
            "reads: the scale of the voltages or of the currents is wrong",
            basis=f"plausible band of a closed interrupter, {low:.0f} to {high:.0f} µΩ (common practice, no source)",
            otherwise="Several interrupters or long conductors within the voltage leads; contacts that are all far "
            "outside anything usual, which only a correct scale would show.",
            check=_CHECK,
            interrupters=tuple(sorted(ohms)),
            spoils="resistance",
            evidence={"main_resistance_uohm": ohms, "plausible_least_uohm": low, "plausible_most_uohm": high},
        )


def _one(
    name: str, volts: Mapping[str, float], amps: Mapping[str, float], arcing_uohm: Mapping[str, float]
) -> Fault | None:
    """The fault of one interrupter's scales against the median of the others."""
    others_v = [v for n, v in volts.items() if n != name]
    others_a = [a for n, a in amps.items() if n != name]
    if not others_v or not others_a:
        return None
    ratio_v = volts.get(name, 0.0) / median(others_v)
    ratio_a = amps.get(name, 0.0) / median(others_a)
    current, voltage = _power(ratio_a, NEAR_CURRENT), _power(ratio_v, NEAR_VOLTAGE)
    if current and not voltage and 1 / 2.5 < ratio_v < 2.5:
        return _wrong("current", name, current, ratio_a, {"current_ratio": ratio_a, "voltage_ratio": ratio_v})
    if voltage and 1 / NEAR_CURRENT < ratio_a < NEAR_CURRENT:
        mine = arcing_uohm.get(name, math.nan)
        others = [r for n, r in arcing_uohm.items() if n != name and math.isfinite(r)]
        ratio_r = mine / median(others) if others and math.isfinite(mine) else math.nan
        # Ten times the closed resistance alone may be a bad contact; less than a tenth may not, nor a hundred times.
        same = math.isfinite(ratio_r) and abs(math.log10(ratio_r) - voltage) < math.log10(2.5)
        if voltage < 0 or voltage >= 2 or same:
            return _wrong(
                "voltage",
                name,
                voltage,
                ratio_v,
                {"voltage_ratio": ratio_v, "current_ratio": ratio_a, "arcing_resistance_ratio": ratio_r},
            )
    return None


def _wrong(which: str, name: str, power: int, ratio: float, evidence: dict[str, float]) -> Fault:
    times = f"{10**power} times" if power > 0 else f"1/{10**-power} of"
    return Fault(
        code="scale",
        level="inspect",
        what=f"the {which} is about {times} its siblings' while the other channel agrees with theirs: a wrong scale of "
        f"the {which}",
        basis="siblings: the closed levels of the same record",
        otherwise="A loose joint or a contact that does not close (voltage too high), a lead across a short piece of "
        "conductor or a parallel path (voltage too low), an injection that was set differently.",
        check=_CHECK,
        interrupters=(name,),
        # A wrong voltage also moves the instants, which are told by volts.
        spoils="resistance" if which == "current" else "all",
        evidence={"ratio": ratio} | evidence,
    )
