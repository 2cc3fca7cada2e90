"""The injection as a circuit: regulated source with a voltage limit, leads, contacts, arcs, earth loop."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.synthetic.scenario import Injection
from drm.synthetic.stepping import Loop, step_moves

__all__ = ["Solution", "limit_of", "solve"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Solution:
    """What flows and drops.

    Attributes
    ----------
    current_a : ndarray, shape (n,)
        Of the source, through the leads.
    contact_a : ndarray, shape (n,)
        Through the contacts: less than `current_a` by what the earth loop takes.
    voltage_v : ndarray, shape (k, n)
        Across each interrupter, without the sense loop's induced part.
    """

    current_a: FloatArray
    contact_a: FloatArray
    voltage_v: FloatArray


def limit_of(n: int, step_s: float, injection: Injection) -> FloatArray:
    """Voltage limit of the source over `n` samples.

    A discharging store loses alike in equal times; switched on or off, the limit rises or falls over the ramp, which
    is slow against the leads' L/R, so that the current follows it.
    """
    ms = np.arange(n) * step_s * 1e3
    limit = injection.limit_v * (1.0 - injection.droop_rel) ** (ms / injection.droop_ms)
    if injection.on_ms > 0.0:
        limit = limit * np.clip((ms - injection.on_ms) / injection.ramp_ms, 0.0, 1.0)
    if injection.off_ms > 0.0:
        limit = limit * np.clip(1.0 - (ms - injection.off_ms) / injection.ramp_ms, 0.0, 1.0)
    return np.asarray(limit, dtype=np.float64)


def solve(
    ohm: FloatArray,
    metal: BoolArray,
    step_s: float,
    injection: Injection,
    *,
    inserted: BoolArray | None = None,
    lead_ohm: FloatArray | None = None,
) -> Solution:
    """Currents and voltages of one injection through interrupters in series.

    Parameters
    ----------
    ohm : ndarray, shape (k, n)
        Resistance of each interrupter while metal touches.
    metal : ndarray, shape (k, n)
        Whether it does.
    inserted : ndarray, shape (k, n), optional
        Where a closing resistor conducts alone; `ohm` is then its own.
    lead_ohm : ndarray, shape (n,), optional
        What a loose clamp adds to the leads.
    step_s : float
        Interval; the current is advanced by the implicit Euler rule, which is exact where nothing changes.
    injection : Injection
        The earth loop lies across all the interrupters together; its own inductance is left out.

    Notes
    -----
    A parted contact arcs at `arc_v` while more than the least arc current flows through it, and cannot where the earth
    loop holds the voltage below `arc_v`. While the source regulates and metal conducts, the current follows the
    resistance without delay (L over the output resistance is a microsecond), so only the moves are stepped through;
    in its voltage limit it follows with L over the leads' resistance, and then the whole record is.
    """
    by_resistor = np.zeros_like(metal) if inserted is None else inserted & ~metal
    metal = metal | by_resistor
    closed: BoolArray = np.asarray(metal.all(axis=0), dtype=np.bool_)
    one_metal = closed & ~by_resistor.any(axis=0)
    total = np.where(closed, ohm.sum(axis=0), 0.0)
    loop = injection.earth_loop_mohm * 1e-3
    seen = total * loop / (total + loop) if loop > 0.0 else total
    seen = np.where(closed, seen, loop)
    limit = limit_of(closed.size, step_s, injection)
    out, henry = injection.output_ohm, injection.lead_uh * 1e-6
    lead = injection.lead_mohm * 1e-3 + (np.zeros(closed.size) if lead_ohm is None else lead_ohm)
    # The source is set so that the nominal current flows through the first closed resistance it meets.
    first = float(seen[np.argmax(one_metal)]) if bool(one_metal.any()) else 0.0
    short_a = injection.current_a * (1.0 + (1e-3 * injection.lead_mohm + first) / out)
    conducting = closed | (loop > 0.0)
    steady = np.where(conducting, np.minimum(short_a * out / (out + lead + seen), limit / (lead + seen)), 0.0)
    arcs = _arcs(metal, step_s, injection)
    arc_each = np.asarray(arcs.sum(axis=0), dtype=np.float64)
    bent = conducting & (short_a * out / (out + lead + seen) > limit / (lead + seen))
    current, arcing = step_moves(
        Loop(closed, one_metal, seen, arc_each, limit, lead, loop, out, henry / step_s, short_a, injection.least_arc_a),
        steady,
        throughout=lead_ohm is not None or bool(bent.any()),
    )
    share = np.where(closed, loop / (total + loop) if loop > 0.0 else 1.0, 0.0)
    contact = np.where(arcing, current - (arc_each / loop if loop > 0.0 else 0.0), current * share)
    across = np.where(arcing, arc_each, current * loop if loop > 0.0 else limit)
    parted = (~metal).sum(axis=0)
    # Arcs drop their own voltage each; without current the open gaps share what lies across them alike.
    gaps = np.where(arcing, arcs, across / np.maximum(parted, 1))
    each = np.where(metal, ohm * contact, gaps)
    return Solution(current, contact, each)


def _arcs(metal: BoolArray, step_s: float, injection: Injection) -> FloatArray:
    """Voltage at which each interrupter would arc, shape (k, n): it rises from parting on; 0 where metal touches."""
    index = np.arange(metal.shape[1])
    last = np.maximum.accumulate(np.where(metal, index, -1), axis=1)
    since_ms = 1e3 * step_s * (index - last)
    return np.where(metal, 0.0, injection.arc_v + injection.arc_rise_v_ms * since_ms)
