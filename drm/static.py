"""Static resistance of the closed breaker from a direct-current record: as measured, and referred to 20 °C."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Breaker, Interrupter
from drm.coils import bridged
from drm.quantity import NOTHING, Quantity
from drm.record import Record

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COLUMNS", "COPPER_C", "IEC_LEAST_A", "IEEE_LEAST_A", "Static", "at_20", "static_of", "static_table"]

FloatArray = NDArray[np.float64]

#: R20 = R (COPPER_C + 20) / (COPPER_C + T): copper, from the constants of IEC 60028.
COPPER_C = 234.5
#: Least test currents, A: IEC 62271-1 (50 A up to rated current) and IEEE C37.09 (100 A).
IEC_LEAST_A, IEEE_LEAST_A = 50.0, 100.0
#: Least current that says anything, A, and the largest resistance of a closed contact, ohm.
LEAST_A, CLOSED_OHM = 10.0, 5e-3
#: How much the current may change within a block that counts, share.
STEADY_SHARE = 0.02
COLUMNS = ("static_resistance_uohm", "static_resistance_20c_uohm", "static_current_a")


@dataclass(frozen=True)
class Static:
    """One interrupter's static resistance; NaN where it cannot be measured, with `why`."""

    resistance_uohm: Quantity = NOTHING
    at_20c_uohm: Quantity = NOTHING
    current_a: Quantity = NOTHING
    why: str = ""


def at_20(resistance: Quantity, temperature_c: Quantity) -> Quantity:
    """A copper resistance referred to 20 °C; NOTHING without a temperature.

    Only the bulk follows copper: the constriction and films of the contact do not, so give both values side by side.
    """
    if not (resistance and temperature_c):
        return NOTHING
    below = COPPER_C + temperature_c.value
    value = resistance.value * (COPPER_C + 20.0) / below
    return Quantity(
        value, value * math.hypot(resistance.u / resistance.value if resistance.value else 0.0, temperature_c.u / below)
    )


def static_of(record: Record, interrupter: Interrupter, breaker: Breaker) -> Static:
    """Static resistance of one interrupter, by voltage drop (IEC 62271-1, IEEE C37.09).

    Voltage and current are averaged over whole line periods while the current is steady. Where the record also shows
    the loop without current, the voltage read there (thermal EMF and the instrument's offset) is taken off.
    """
    if not interrupter.voltage:
        return Static(why="no voltage and current channel")
    inst = breaker.instrument
    v = bridged(record.channel(interrupter.voltage).values("V"))
    i = bridged(record.channel(interrupter.current).values("A"))
    block = max(4, round(record.sample_rate_hz / breaker.rated_frequency_hz))
    n = v.size // block
    if n < 2:
        return Static(why="the record is shorter than two line periods")
    volts = v[: n * block].reshape(n, block).mean(axis=1)
    amps = i[: n * block].reshape(n, block).mean(axis=1)
    top = float(np.percentile(np.abs(amps), 95.0))
    if top < LEAST_A:
        return Static(why=f"no current is injected ({top:.1f} A)")
    sign = math.copysign(1.0, float(np.median(amps[np.abs(amps) > 0.5 * top])))
    amps = amps * sign
    change = np.abs(np.gradient(amps))
    steady = (amps > 0.9 * top) & (change < STEADY_SHARE * top)
    # The block beside a change still holds some of it.
    steady &= np.concatenate([[True], steady[:-1]]) | np.concatenate([steady[1:], [True]])
    if int(steady.sum()) < 2:
        return Static(why="the current is never steady")
    idle = (np.abs(amps) < 0.01 * top) & (change < 0.002 * top)
    offset, offset_u = 0.0, inst.voltage_offset_v
    if int(idle.sum()) >= 2:
        zero = volts[idle]
        offset, offset_u = float(np.mean(zero)), float(np.std(zero, ddof=1)) / math.sqrt(zero.size)
    ratio = (volts[steady] - offset) / amps[steady]
    side = math.copysign(1.0, float(np.median(ratio)))
    ratio = side * ratio
    value = float(np.mean(ratio))
    level = float(np.mean(amps[steady]))
    if value > CLOSED_OHM:
        return Static(why=f"{1e6 * value:.0f} uOhm: not closed, or not the channels that belong together")
    scatter = float(np.std(ratio, ddof=1)) / math.sqrt(ratio.size)
    gain = math.hypot(inst.voltage_gain_rel, inst.current_gain_rel)
    u = math.sqrt((gain * value) ** 2 + (offset_u / level) ** 2 + scatter**2)
    got = Quantity(1e6 * value, 1e6 * u)
    ambient = breaker.conditions.ambient_c
    temperature = NOTHING if ambient is None else Quantity(ambient, breaker.conditions.ambient_u_c)
    return Static(got, at_20(got, temperature), Quantity(level, inst.current_gain_rel * level))


def static_table(records: Sequence[Record], breaker: Breaker) -> pd.DataFrame:
    """One row per record and interrupter in it: identity, :data:`COLUMNS` each with ``_u``, `quality`."""
    import pandas as pd

    rows: list[dict[str, object]] = []
    for record in records:
        for one in breaker.interrupters:
            if one.voltage not in record.names or one.current not in record.names:
                continue
            got = static_of(record, one, breaker)
            row: dict[str, object] = {
                "record": record.name,
                "breaker": breaker.name,
                "pole": one.pole,
                "interrupter": one.name,
                "position": one.position,
            }
            for column, q in zip(COLUMNS, (got.resistance_uohm, got.at_20c_uohm, got.current_a), strict=True):
                row |= {column: q.value, f"{column}_u": q.u}
            rows.append(row | {"quality": got.why})
    head = ["record", "breaker", "pole", "interrupter", "position"]
    return pd.DataFrame(rows, columns=[*head, *(c for n in COLUMNS for c in (n, f"{n}_u")), "quality"])
