"""One operation as planned, and the current of the release that starts it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.synthetic import coil
from drm.synthetic.scenario import Coil
from drm.synthetic.truth import CoilTruth

__all__ = ["Plan", "armature_coil"]

FloatArray = NDArray[np.float64]

#: The armature hits its stop at this share of the time from energising to motion: the latch takes the rest.
HIT_SHARE = 0.6
#: Time in which the auxiliary contact's arc takes the current down, s. Common practice, no source.
CUT_S = 4e-4


@dataclass(frozen=True)
class Plan:
    """When an operation is commanded, how long it takes to move, and how fast it is at the contacts."""

    kind: str
    command_s: float
    latch_s: float
    speed_m_s: float


def armature_coil(
    given: Coil, amps: float, mechanism: str, operation: int, kind: str, fine: FloatArray, plan: Plan, cut_s: float
) -> tuple[FloatArray, CoilTruth]:
    """Current of a release with a moving armature, shape (n,), and its truth."""
    release = coil.release_for(given.supply_v, amps, HIT_SHARE * plan.latch_s)
    on_s = min(cut_s, float(fine[-1])) - plan.command_s
    got = coil.run(release, on_s)
    since = fine - plan.command_s
    current = np.interp(since, coil.STEP_S * np.arange(got.current_a.size), got.current_a, left=0.0)
    current = np.where(fine < cut_s, current, got.current_a[-1] * np.exp(-np.maximum(fine - cut_s, 0.0) / CUT_S))
    truth = CoilTruth(
        mechanism,
        operation,
        "open" if kind == "O" else "close",
        onset_s=plan.command_s,
        armature_start_s=plan.command_s + got.start_s,
        armature_stop_s=plan.command_s + got.stop_s,
        cut_s=cut_s,
        plateau_a=release.supply_v / release.resistance_ohm,
        resistance_ohm=release.resistance_ohm,
        cut_a=float(got.current_a[-1]),
    )
    return np.asarray(current, dtype=np.float64), truth
