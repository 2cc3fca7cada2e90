"""A release: coil current with a moving armature, from the circuit's and the armature's own equations."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Release", "Run", "release_for", "run"]

FloatArray = NDArray[np.float64]

STEP_S = 2e-5
#: Armature's stroke and the gap that remains, m; common practice, no source.
STROKE_M, REST_M = 4e-3, 2.5e-3
#: Share of the steady current at which the pull exceeds the spring: common practice, no source.
PULL = 0.45
#: Share of the time to the stop that the open armature's L/R takes: common practice, no source.
TAU_SHARE = 0.35


@dataclass(frozen=True)
class Release:
    """One coil and its armature.

    The inductance is ``area / (REST_M + STROKE_M - y)`` at distance `y`: a gap that closes.
    """

    supply_v: float
    resistance_ohm: float
    area_hm: float
    spring_n: float
    mass_kg: float

    def inductance(self, y: float) -> float:
        """Inductance in H with the armature at `y` (m)."""
        return self.area_hm / (REST_M + STROKE_M - y)

    def slope(self, y: float) -> float:
        """Its derivative in H/m: the pull is half of this times the current squared, the back-EMF i v times it."""
        return self.area_hm / (REST_M + STROKE_M - y) ** 2


@dataclass(frozen=True, eq=False)
class Run:
    """Energised at 0 and left on: current in A, position in m, speed in m/s, each of shape (n,), every STEP_S.

    `start_s`, `stop_s`: the armature begins to move, and hits its stop; NaN where it does not.
    """

    current_a: FloatArray
    position_m: FloatArray
    speed_m_s: FloatArray
    start_s: float
    stop_s: float


def run(release: Release, duration_s: float) -> Run:
    """Solve ``U = R i + d(L i)/dt`` and ``m dv/dt = i² L'/2 - F`` by the midpoint rule, from rest."""
    n = max(2, math.ceil(duration_s / STEP_S) + 1)
    out = np.zeros((3, n))
    start = stop = math.nan
    i = y = v = 0.0

    def rates(i: float, y: float, v: float) -> tuple[float, float]:
        slope = release.slope(y)
        force = 0.5 * i * i * slope - release.spring_n
        held = (y <= 0.0 and force <= 0.0) or y >= STROKE_M
        return (
            (release.supply_v - release.resistance_ohm * i - i * slope * v) / release.inductance(y),
            0.0 if held else force / release.mass_kg,
        )

    def advanced(i: float, y: float, v: float, step: float) -> tuple[float, float, float]:
        di, dv = rates(i, y, v)
        h = 0.5 * step
        di, dv = rates(i + h * di, min(y + h * v, STROKE_M), v + h * dv)
        return i + step * di, y + step * (v + h * dv), v + step * dv

    for k in range(1, n):
        then = advanced(i, y, v, STEP_S)
        if then[1] >= STROKE_M and math.isnan(stop):
            # It hits its stop within the step: up to there it moves, from there on it stands.
            part = (STROKE_M - y) / (then[1] - y)
            stop = (k - 1 + part) * STEP_S
            then = advanced(advanced(i, y, v, part * STEP_S)[0], STROKE_M, 0.0, (1.0 - part) * STEP_S)
        i, y, v = then
        if math.isnan(start) and v > 0.0:
            start = k * STEP_S
        if y >= STROKE_M:
            y, v = STROKE_M, 0.0
        out[:, k] = i, y, v
    return Run(out[0], out[1], out[2], start, stop)


def release_for(supply_v: float, amps: float, stop_s: float) -> Release:
    """The release whose steady current is `amps` and whose armature hits its stop `stop_s` after energising.

    The mass is found by bisection: a heavier armature takes longer.
    """
    ohm = supply_v / amps
    area = TAU_SHARE * stop_s * ohm * (REST_M + STROKE_M)
    spring = 0.5 * (PULL * amps) ** 2 * area / (REST_M + STROKE_M) ** 2
    low, high = 1e-6, 1e2
    for _ in range(30):
        middle = math.sqrt(low * high)
        got = run(Release(supply_v, ohm, area, spring, middle), 1.2 * stop_s).stop_s
        if got < stop_s:  # false where it has not arrived
            low = middle
        else:
            high = middle
    return Release(supply_v, ohm, area, spring, math.sqrt(low * high))
