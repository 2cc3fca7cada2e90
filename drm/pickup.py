"""Least coil voltage at which a mechanism still operates, from operations and refusals at falling voltage."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from drm.breaker import Breaker, Mechanism
from drm.coils import bridged
from drm.operations import coil_pulses
from drm.quantity import NOTHING, Quantity
from drm.record import Record

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["RANGES_PERCENT", "Attempt", "PickUp", "pick_up", "pick_up_table", "refusals"]

#: Operating range of the releases, percent of the rated control voltage, by (kind, supply): shunt trip 70-110 % d.c.,
#: 85-110 % a.c., closing 85-110 % (IEC 62271-1, from memory). No least pick-up voltage is prescribed: it is trended.
RANGES_PERCENT: dict[tuple[str, str], tuple[float, float]] = {
    ("open", "dc"): (70.0, 110.0),
    ("open", "ac"): (85.0, 110.0),
    ("close", "dc"): (85.0, 110.0),
    ("close", "ac"): (85.0, 110.0),
}


@dataclass(frozen=True)
class Attempt:
    """One command: the coil's voltage, and whether the mechanism operated."""

    mechanism: str
    kind: str
    volts: Quantity
    operated: bool


@dataclass(frozen=True)
class PickUp:
    """What a series of attempts says of one coil.

    Attributes
    ----------
    least_v : Quantity
        Least voltage at which it operated.
    refused_v : Quantity
        Greatest at which it refused; NaN where it never did.
    between_v : Quantity
        Pick-up voltage: somewhere between the two, uniformly; NaN where it never refused.
    consistent : bool
        False where it refused at a voltage above one at which it operated, beyond the uncertainty.
    """

    mechanism: str
    kind: str
    attempts: int
    least_v: Quantity = NOTHING
    refused_v: Quantity = NOTHING
    between_v: Quantity = NOTHING
    consistent: bool = True


def pick_up(attempts: Sequence[Attempt]) -> tuple[PickUp, ...]:
    """Least operating voltage of each coil, by mechanism and kind; attempts without a voltage are left out."""
    out: list[PickUp] = []
    known = [a for a in attempts if a.volts]
    for mechanism, kind in sorted({(a.mechanism, a.kind) for a in known}):
        mine = [a for a in known if (a.mechanism, a.kind) == (mechanism, kind)]
        did, did_not = ([a.volts for a in mine if a.operated is what] for what in (True, False))
        least = min(did, key=lambda q: q.value) if did else NOTHING
        refused = max(did_not, key=lambda q: q.value) if did_not else NOTHING
        between, consistent = NOTHING, True
        if least and refused:
            gap = least.value - refused.value
            consistent = gap > -2.0 * math.hypot(least.u, refused.u)
            if consistent:
                # Both were read with one gain.
                u = math.hypot(max(gap, 0.0) / math.sqrt(12.0), (least.u + refused.u) / 2.0)
                between = Quantity((least.value + refused.value) / 2.0, u)
        out.append(PickUp(mechanism, kind, len(mine), least, refused, between, consistent))
    return tuple(out)


def refusals(record: Record, breaker: Breaker) -> tuple[Attempt, ...]:
    """Commands of a record in which nothing moved: one attempt for each pulse whose coil voltage is recorded."""
    out: list[Attempt] = []
    of = {m.name: m for m in breaker.mechanisms}
    for pulse, name, kind in coil_pulses(record, breaker):
        volts = _voltage(record, of[name], kind, pulse.onset_s, pulse.stop_s, breaker.instrument.voltage_gain_rel)
        out.append(Attempt(name, kind, volts, False))
    return tuple(out)


def _voltage(record: Record, m: Mechanism, kind: str, start_s: float, stop_s: float, rel: float) -> Quantity:
    name = m.trip_coil_voltage if kind == "open" else m.close_coil_voltage
    if name is None:
        return NOTHING
    channel = record.channel(name)
    time = record.time_s + channel.skew_s
    # The middle of the pulse: both ends may hold its switching.
    part = (time > start_s + 0.2 * (stop_s - start_s)) & (time < stop_s - 0.1 * (stop_s - start_s))
    x = np.abs(bridged(channel.values("V"))[part])
    if x.size < 4:
        return NOTHING
    value = float(np.mean(x))
    return Quantity(value, math.hypot(rel * value, float(np.std(x)) / math.sqrt(x.size)))


def pick_up_table(mechanisms: pd.DataFrame, refused: Sequence[Attempt], breaker: Breaker) -> pd.DataFrame:
    """One row per coil: attempts, least operating voltage, greatest refused, the pick-up between, the standard's range.

    Parameters
    ----------
    mechanisms : DataFrame
        As :func:`drm.mechanisms.mechanism_table` gives it: every row with a coil voltage is an operation.
    refused : sequence of Attempt
    """
    import pandas as pd

    attempts = list(refused)
    if "coil_voltage_v" in mechanisms:
        for row in mechanisms.to_dict("records"):
            value = float(row["coil_voltage_v"])
            if math.isfinite(value):
                attempts.append(
                    Attempt(
                        str(row["mechanism"]), str(row["kind"]), Quantity(value, float(row["coil_voltage_v_u"])), True
                    )
                )
    rated = breaker.rated_control_voltage_v
    rows: list[dict[str, object]] = []
    for p in pick_up(attempts):
        made: dict[str, object] = {"breaker": breaker.name, "mechanism": p.mechanism, "kind": p.kind}
        made["attempts"] = p.attempts
        for column, q in (("least", p.least_v), ("refused", p.refused_v), ("pick_up", p.between_v)):
            made |= {f"{column}_v": q.value, f"{column}_v_u": q.u}
        low, high = RANGES_PERCENT[p.kind, breaker.control_supply]
        made["least_percent"] = 100.0 * p.least_v.value / rated if rated and p.least_v else math.nan
        made |= {"range_low_percent": low if rated else math.nan, "range_high_percent": high if rated else math.nan}
        rows.append(made | {"quality": "" if p.consistent else "it refused above a voltage at which it operated"})
    return pd.DataFrame(rows)
