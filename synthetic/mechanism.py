"""Operating mechanism: an equation of motion, solved; and the coil and auxiliary contacts that go with it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.synthetic.scenario import Motion

__all__ = ["Drive", "coil", "drive_for", "stroke"]

FloatArray = NDArray[np.float64]

#: End stop: natural frequency and damping ratio; dashpot per metre. Common practice, no source.
STOP_HZ, STOP_RATIO = 45.0, 0.25
STEP_S = 5e-5


@dataclass(frozen=True)
class Drive:
    """One operation's forces on unit mass, in metres from the rest that is left.

    The drive gives ``push exp(-y/fade) + hold``, the dashpot takes ``dash v|v|`` from `dash_from` on, and the stop at
    `length` is a damped spring, preloaded so that the rest lies at `length`.
    """

    length: float
    push: float
    fade: float
    hold: float
    dash: float
    dash_from: float

    def acceleration(self, y: float, v: float) -> float:
        """Acceleration in m/s² at distance `y` (m) and speed `v` (m/s)."""
        a = self.push * math.exp(-y / self.fade) + self.hold
        if y > self.dash_from:
            a -= self.dash * v * abs(v)
        w = 2.0 * math.pi * STOP_HZ
        rest = self.push * math.exp(-self.length / self.fade) + self.hold
        if y > self.length - rest / w**2:
            a -= w * w * (y - self.length) + rest + 2.0 * STOP_RATIO * w * v
        return a


def drive_for(motion: Motion, opening: bool, contact_mm: float, speed_m_s: float) -> Drive:
    """The drive that has `speed_m_s` when the travel is `contact_mm`, from the work done up to there."""
    length = motion.stroke_mm * 1e-3
    way = contact_mm * 1e-3 if opening else length - contact_mm * 1e-3
    fade, hold = (0.03, 30.0) if opening else (0.08, 20.0)
    hold = min(hold, 0.25 * speed_m_s**2 / (2.0 * way))
    push = (0.5 * speed_m_s**2 - hold * way) / (fade * (1.0 - math.exp(-way / fade)))
    run, dash = (0.05, 60.0) if opening else (0.018, 110.0)
    return Drive(length, push, fade, hold, dash, length - run)


def stroke(drive: Drive, duration_s: float) -> FloatArray:
    """Distance and speed by classical Runge–Kutta, shape (n, 2), in m and m/s, every :data:`STEP_S` from the start."""
    n = max(2, math.ceil(duration_s / STEP_S) + 1)
    out, h, f = np.zeros((n, 2)), STEP_S, drive.acceleration
    y = v = 0.0
    for k in range(1, n):
        a1 = f(y, v)
        v2 = v + 0.5 * h * a1
        a2 = f(y + 0.5 * h * v, v2)
        v3 = v + 0.5 * h * a2
        a3 = f(y + 0.5 * h * v2, v3)
        v4 = v + h * a3
        a4 = f(y + h * v3, v4)
        y += h * (v + 2.0 * v2 + 2.0 * v3 + v4) / 6.0
        v += h * (a1 + 2.0 * a2 + 2.0 * a3 + a4) / 6.0
        out[k] = y, v
    return out


def _hermite(table: FloatArray, t: FloatArray) -> FloatArray:
    """Distance at `t` from distance and speed on the grid of :func:`stroke`; the last one after its end."""
    u = np.clip(t / STEP_S, 0.0, table.shape[0] - 1.000001)
    k = u.astype(np.intp)
    s = u - k
    y0, y1, v0, v1 = table[k, 0], table[k + 1, 0], table[k, 1] * STEP_S, table[k + 1, 1] * STEP_S
    bent = (1 + 2 * s) * (1 - s) ** 2 * y0 + s * (1 - s) ** 2 * v0 + s * s * (3 - 2 * s) * y1 + s * s * (s - 1) * v1
    return np.asarray(bent, dtype=np.float64)


def travel(
    motion: Motion, opening: bool, contact_mm: float, speed: float, start_s: float, time: FloatArray
) -> FloatArray:
    """Travel in mm, shape (n,), of one operation whose motion starts at `start_s`."""
    length, since = motion.stroke_mm, np.maximum(time - start_s, 0.0)
    if speed < 0.3:
        # A screw turns at constant speed; 20 ms to reach it.
        ramp = 0.02
        way = np.where(since < ramp, since**2 / (2.0 * ramp), since - 0.5 * ramp) * speed * 1e3
        way = np.minimum(way, length)
    else:
        drive = drive_for(motion, opening, contact_mm, speed)
        way = _hermite(stroke(drive, min(float(since[-1]), 0.35)), since) * 1e3
    return way if opening else length - way


def coil(time: FloatArray, command_s: float, latch_s: float, cut_s: float, amps: float) -> FloatArray:
    """Coil current: rise, dip as the armature moves, rise, and the auxiliary contact's cut-off at `cut_s`."""
    t = time - command_s
    tau, hit = 6e-3, 0.6 * latch_s
    rise = amps * (1.0 - np.exp(-np.maximum(t, 0.0) / tau))
    moving = np.clip((t - 0.5 * hit) / (0.5 * hit), 0.0, 1.0) ** 2
    dip = 0.35 * amps * moving * np.exp(-np.maximum(t - hit, 0.0) / (0.5 * tau))
    end = np.exp(-np.maximum(time - cut_s, 0.0) / 4e-4)
    return np.asarray(np.where(t > 0.0, (rise - dip) * end, 0.0), dtype=np.float64)
