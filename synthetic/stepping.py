"""The current of one injection after each move of a contact, step by step."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Loop", "step_moves"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Loop:
    """One injection as its current meets it.

    Attributes
    ----------
    closed, one_metal : ndarray, shape (n,)
        Whether current has a way through every interrupter, and whether that way is metal all along.
    seen_ohm, arc_v, limit_v, lead_ohm : ndarray, shape (n,)
        Resistance behind the leads, voltage of the arcs that would burn, the source's limit, the leads.
    earth_ohm, output_ohm : float
        Of the earth loop, 0 for none; of the source.
    stiffness_ohm : float
        Inductance over the interval: what the implicit Euler rule makes of it.
    short_a, least_a : float
        The source's setting, and the least current of an arc.
    """

    closed: BoolArray
    one_metal: BoolArray
    seen_ohm: FloatArray
    arc_v: FloatArray
    limit_v: FloatArray
    lead_ohm: FloatArray
    earth_ohm: float
    output_ohm: float
    stiffness_ohm: float
    short_a: float
    least_a: float


def step_moves(loop: Loop, steady: FloatArray, *, throughout: bool = False) -> tuple[FloatArray, BoolArray]:
    """The source's current and whether an arc burns, shape (n,): stepped after each move, `steady` elsewhere.

    `throughout` steps through the whole record, where the current does not follow the resistance at once.
    """
    closed, earth, out, set_a, lh = loop.closed, loop.earth_ohm, loop.output_ohm, loop.short_a, loop.stiffness_ohm
    current, arcing = steady.copy(), np.zeros(closed.size, dtype=np.bool_)
    moved = np.concatenate([[False], (closed[1:] != closed[:-1]) | (loop.one_metal[1:] != loop.one_metal[:-1])])
    begins = np.union1d(np.flatnonzero(moved), [1]) if throughout else np.flatnonzero(moved)
    for begin in begins:
        i = float(current[begin - 1])
        burning = bool(moved[begin]) and not closed[begin]
        k = int(begin)
        while k < closed.size:
            arc = 0.0
            r, limit, lead = float(loop.seen_ohm[k]), float(loop.limit_v[k]), float(loop.lead_ohm[k])
            if not closed[k]:
                # The loop, where there is one, lets an arc burn only while it would see more than the arc's voltage.
                burning = burning and i - (loop.arc_v[k] / earth if earth > 0.0 else 0.0) > loop.least_a
                arc, r = (float(loop.arc_v[k]), 0.0) if burning else (0.0, earth)
                if not burning and earth == 0.0:
                    i = 0.0
            if closed[k] or burning or earth > 0.0:
                new = (lh * i + set_a * out - arc) / (lh + out + lead + r)
                if (set_a - new) * out > limit:
                    new = (lh * i + limit - arc) / (lh + lead + r)
                i = max(new, 0.0)
            current[k], arcing[k] = i, burning and not closed[k]
            done = not throughout and not arcing[k] and abs(i - steady[k]) <= 1e-9 * set_a
            k += 1
            if done or (k < closed.size and moved[k]):
                break
    return current, arcing
