"""The name of an operating sequence: O, C, CO, OC, O-CO, O-0.3 s-CO, ..., with its dead time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from drm.quantity import NOTHING, Quantity

__all__ = ["DEAD_TIME_S", "OperatingSequence", "sequence_of"]

#: Dead time of the rated sequence for rapid auto-reclosing, s (IEC 62271-100: O - 0.3 s - CO - 3 min - CO), and how far
#: a test may lie from it and still be called so; the second is common practice, no source.
DEAD_TIME_S, DEAD_TIME_SHARE = 0.3, 0.2
#: Operations further apart are named with the time between them, s.
APART_S = 1.0


@dataclass(frozen=True)
class OperatingSequence:
    """What was done in one record.

    Attributes
    ----------
    name : str
        In the standard's way of writing.
    dead_time_ms : Quantity
        Open-close time of the first reclosing. No current is interrupted in the test, so separation in all poles
        stands for the end of arcing, and the first touch for the current's return.
    close_open_ms : Quantity
        Close-open time of the first CO.
    """

    name: str
    dead_time_ms: Quantity = NOTHING
    close_open_ms: Quantity = NOTHING


def sequence_of(
    kinds: Sequence[str],
    gaps_ms: Sequence[Quantity],
    commands_s: Sequence[float] = (),
) -> OperatingSequence:
    """Name a sequence.

    Parameters
    ----------
    kinds : sequence of {'open', 'close'}
    gaps_ms : sequence of Quantity
        Before each operation but the first: the open-close or close-open time; NaN where not known.
    commands_s : sequence of float
        Instant of each operation, used where a gap is not known.
    """
    letters = ["O" if k == "open" else "C" for k in kinds]
    gaps = list(gaps_ms) + [NOTHING] * (len(letters) - 1 - len(gaps_ms))
    times = [
        1e-3 * g.value if g else commands_s[k + 1] - commands_s[k] if k + 1 < len(commands_s) else math.nan
        for k, g in enumerate(gaps)
    ]
    name = letters[0] if letters else ""
    for k in range(1, len(letters)):
        gap, before = times[k - 1], letters[k - 1]
        if gap > APART_S:
            name += f"-{gap:.3g} s-"
        elif before == "C":
            name += ""
        elif len(letters) > 2:
            rated = abs(gap - DEAD_TIME_S) <= DEAD_TIME_SHARE * DEAD_TIME_S
            name += f"-{DEAD_TIME_S:g} s-" if rated else "-"
        name += letters[k]
    dead = next((g for k, g in enumerate(gaps) if g and letters[k : k + 2] == ["O", "C"]), NOTHING)
    made = next((g for k, g in enumerate(gaps) if g and letters[k : k + 2] == ["C", "O"]), NOTHING)
    return OperatingSequence(name, dead, made)
