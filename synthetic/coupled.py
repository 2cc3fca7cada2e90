"""What coils and motors induce in the voltage leads that run beside them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drm.synthetic.motor import STEP_S, Charge
from drm.synthetic.moving import Motions

__all__ = ["brushes", "ringing"]

FloatArray = NDArray[np.float64]

#: Ringing after a coil's switching. Common practice, no source.
RING_HZ, RING_S = 1500.0, 1e-3
#: Commutations in a turn of the motor. Common practice, no source.
BARS = 24


def ringing(fine: FloatArray, motions: list[Motions]) -> FloatArray:
    """Damped oscillation of peak near 1 after each switching of a coil, shape (n,)."""
    out = np.zeros_like(fine)
    for motion in motions:
        for begin in motion.switched_s:
            t = np.maximum(fine - begin, 0.0)
            out += np.exp(-t / RING_S) * np.sin(2.0 * np.pi * RING_HZ * t)
    return out


def brushes(fine: FloatArray, start_s: float, charged: Charge) -> FloatArray:
    """Commutation of a running motor, peak 1, shape (n,): frequency goes with the speed, height with the current."""
    turned = np.concatenate([[0.0], np.cumsum(charged.speed_rad_s[:-1])]) * STEP_S
    run = STEP_S * np.arange(turned.size)
    since = fine - start_s
    height = np.interp(since, run, charged.current_a / charged.inrush_a, left=0.0, right=0.0)
    return np.asarray(height * np.sin(BARS * np.interp(since, run, turned)), dtype=np.float64)
