"""The motor that charges the closing spring: inrush, running current under a growing load, end switch."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.synthetic.scenario import Motor

__all__ = ["Charge", "charge"]

FloatArray = NDArray[np.float64]

STEP_S = 2e-4
#: Shares of the charging time between which the running mean is taken: neither inrush nor end belongs to it.
RUNNING = (0.3, 0.9)


@dataclass(frozen=True, eq=False)
class Charge:
    """One charging from rest: current in A and speed in rad/s, shape (n,), every STEP_S until the end switch opens."""

    current_a: FloatArray
    speed_rad_s: FloatArray
    inductance_h: float
    inertia_kg_m2: float

    @property
    def duration_s(self) -> float:
        """From switching on to the end switch."""
        return (self.current_a.size - 1) * STEP_S

    @property
    def inrush_a(self) -> float:
        """Greatest current."""
        return float(self.current_a.max())

    @property
    def running_a(self) -> float:
        """Mean over :data:`RUNNING`."""
        n = self.current_a.size
        return float(self.current_a[round(RUNNING[0] * n) : round(RUNNING[1] * n)].mean())


def load_nm(motor: Motor, share: float) -> float:
    """Load at the shaft with the spring charged to a share: friction, and a spring that hardens by half as it goes."""
    return motor.constant_vs * motor.running_a * (0.8 + 0.4 * min(share, 1.0))


def charge(motor: Motor) -> Charge:
    """Solve ``U = R i + L di/dt + k w`` and ``J dw/dt = k i - load``, by the midpoint rule.

    The spring is charged when the shaft has turned as far as it would in ``charging_s`` at its mean running speed.
    """
    k, ohm = motor.constant_vs, motor.resistance_ohm
    steady = (motor.supply_v - ohm * motor.running_a) / k
    way = steady * motor.charging_s
    henry, inertia = ohm * motor.electric_ms * 1e-3, motor.run_up_ms * 1e-3 * k * k / ohm
    amps, speeds = [0.0], [0.0]
    i = w = turned = 0.0

    def rates(i: float, w: float, turned: float) -> tuple[float, float]:
        pull = k * i - load_nm(motor, turned / way)
        return (motor.supply_v - ohm * i - k * w) / henry, 0.0 if w <= 0.0 and pull <= 0.0 else pull / inertia

    for _ in range(math.ceil(5.0 * motor.charging_s / STEP_S)):
        di, dw = rates(i, w, turned)
        h = 0.5 * STEP_S
        di, dw = rates(i + h * di, w + h * dw, turned + h * w)
        turned += STEP_S * (w + h * dw)
        i, w = i + STEP_S * di, max(w + STEP_S * dw, 0.0)
        amps.append(i)
        speeds.append(w)
        if turned >= way:
            break
    return Charge(np.array(amps), np.array(speeds), henry, inertia)
