"""Every operation of one mechanism, strung together over a record."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.synthetic import mechanism
from drm.synthetic.scenario import Scenario

__all__ = ["Motions", "move", "ringing"]

FloatArray = NDArray[np.float64]

#: What a coil's switching induces in the leads beside it. Common practice, no source.
RING_HZ, RING_S = 1500.0, 1e-3


@dataclass(frozen=True, eq=False)
class Motions:
    """Travel of one mechanism over the record, the operations' parts of it, coil currents and when coils switch."""

    travel_mm: FloatArray
    parts: tuple[tuple[int, int], ...]
    coils: dict[str, FloatArray]
    switched_s: tuple[float, ...]


def move(s: Scenario, fine: FloatArray, rng: np.random.Generator) -> Motions:
    """The travel of one mechanism, its coil currents, and which samples belong to which operation."""
    m, c = s.motion, s.contact
    contact_mm = c.main_parting_mm + c.arcing_wipe_mm
    bounds = [*(1e-3 * t for t in s.commands_ms), math.inf]
    travel = np.full(fine.size, 0.0 if s.sequence[0] == "O" else m.stroke_mm)
    coils = {"O": np.zeros(fine.size), "C": np.zeros(fine.size)}
    parts, switched = [], []
    scatter = rng.standard_normal((2, 2)) * m.scatter_rel
    for kind, command, following in zip(s.sequence, bounds[:-1], bounds[1:], strict=True):
        opening = kind == "O"
        row = scatter[0 if opening else 1]
        latch = 1e-3 * (m.open_latch_ms if opening else m.close_latch_ms) * (1.0 + row[0])
        speed = (m.open_speed_m_s if opening else m.close_speed_m_s) * (1.0 + row[1])
        latch *= 0.0 if m.by_screw(kind) else 1.0
        latch *= 1.0 + 0.1 * m.scatter_rel * float(rng.standard_normal())
        a, b = int(np.searchsorted(fine, command)), int(np.searchsorted(fine, following))
        part = slice(a, b)
        x = mechanism.travel(m, opening, contact_mm, speed, command + latch, fine[part])
        travel[part] = x
        if b < fine.size:
            travel[b:] = x[-1]
        past = x > 0.45 * m.stroke_mm if opening else x < 0.55 * m.stroke_mm
        cut = float(fine[part][np.argmax(past)]) if bool(past.any()) else math.inf
        if not m.by_screw(kind):
            coils[kind] = coils[kind] + mechanism.coil(fine, command, latch, cut, m.coil_a)
            switched += [command, cut]
        parts.append((a, b))
    return Motions(travel, tuple(parts), coils, tuple(switched))


def ringing(fine: FloatArray, motions: list[Motions]) -> FloatArray:
    """Damped oscillation of peak near 1 after each switching of a coil, shape (n,)."""
    out = np.zeros_like(fine)
    for motion in motions:
        for begin in motion.switched_s:
            t = np.maximum(fine - begin, 0.0)
            out += np.exp(-t / RING_S) * np.sin(2.0 * np.pi * RING_HZ * t)
    return out
