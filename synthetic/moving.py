"""Every operation of one mechanism, strung together over a record."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.errors import ScenarioError
from drm.synthetic import mechanism
from drm.synthetic.released import Plan, armature_coil
from drm.synthetic.scenario import Motion, Scenario
from drm.synthetic.truth import CoilTruth, MotionTruth

__all__ = ["Motions", "move"]

FloatArray = NDArray[np.float64]

#: Nearer than this to its end position a mechanism is at rest.
REST_MM = 0.05


@dataclass(frozen=True, eq=False)
class Motions:
    """What one mechanism does over a record.

    Attributes
    ----------
    travel_mm : ndarray, shape (n,)
    parts : tuple of (int, int)
        First sample of each operation and the one after its last: an operation lasts until the next one moves.
    coils, coil_volts : dict of ndarray, shape (n,)
        Current and terminal voltage of the release for ``O`` and ``C``.
    switched_s : tuple of float
        When a coil is switched on or off.
    motions : tuple of MotionTruth
    releases : tuple of CoilTruth
    """

    travel_mm: FloatArray
    parts: tuple[tuple[int, int], ...]
    coils: dict[str, FloatArray]
    coil_volts: dict[str, FloatArray]
    switched_s: tuple[float, ...]
    motions: tuple[MotionTruth, ...]
    releases: tuple[CoilTruth, ...]


def move(s: Scenario, pole: str, fine: FloatArray, rng: np.random.Generator) -> Motions:
    """The travel of one mechanism, its coil currents, and which samples belong to which operation.

    Raises
    ------
    ScenarioError
        If an operation begins to move before the one before has come to rest.
    """
    m, c = s.motion, s.contact
    contact_mm = c.main_parting_mm + c.arcing_wipe_mm
    travel = np.full(fine.size, 0.0 if s.closed_first else m.stroke_mm)
    coils = {"O": np.zeros(fine.size), "C": np.zeros(fine.size)}
    volts = {"O": np.zeros(fine.size), "C": np.zeros(fine.size)}
    parts, switched, motions, releases = [], [], [], []
    plans = _plans(s, rng)
    begin = int(np.searchsorted(fine, plans[0].command_s)) if plans else 0
    for number, plan in enumerate(plans, 1):
        following = plans[number] if number < len(plans) else None
        kind, start = plan.kind, plan.command_s + plan.latch_s
        part, x = _operation(m, number, plan, following, begin, contact_mm, fine)
        begin = part.stop
        travel[part] = x
        travel[part.stop :] = x[-1] if x.size else travel[-1]
        if not m.by_screw(kind):
            cut = _cut_s(s, kind, fine[part], x)
            if s.coil.armature:
                amps, release = armature_coil(s.coil, m.coil_a, pole, number, kind, fine, plan, cut)
                releases.append(release)
            else:
                amps = mechanism.coil(fine, plan.command_s, plan.latch_s, cut, m.coil_a)
            coils[kind] = coils[kind] + amps
            volts[kind] += np.where((fine >= plan.command_s) & (fine < cut), s.coil.supply_v, 0.0)
            switched += [plan.command_s, cut]
        parts.append((part.start, part.stop))
        motions.append(
            MotionTruth(pole, number, "open" if kind == "O" else "close", plan.command_s, start, m.stroke_mm)
        )
    return Motions(travel, tuple(parts), coils, volts, tuple(switched), tuple(motions), tuple(releases))


def _operation(
    m: Motion, number: int, plan: Plan, following: Plan | None, begin: int, contact_mm: float, fine: FloatArray
) -> tuple[slice, FloatArray]:
    """The samples of one operation, from `begin` on, and the travel in them.

    It lasts until the next one is commanded, or where that comes too early for rest, until that moves.
    """
    end = following.command_s + following.latch_s if following else math.inf
    part = slice(begin, int(np.searchsorted(fine, end)))
    start = plan.command_s + plan.latch_s
    x = mechanism.travel(m, plan.kind == "O", contact_mm, plan.speed_m_s, start, fine[part])
    if not following:
        return part, x
    away = np.abs(x - (m.stroke_mm if plan.kind == "O" else 0.0))
    if not x.size or away[-1] >= REST_MM:
        raise ScenarioError(
            f"operation {number + 1} moves before operation {number} has come to rest",
            place=f"commands_ms[{number + 1}]",
            mend="command it later",
        )
    early = int(np.searchsorted(fine, following.command_s))
    if early > begin and np.all(away[early - 1 - begin :] < REST_MM):
        return slice(begin, early), x[: early - begin]
    return part, x


def _cut_s(s: Scenario, kind: str, fine: FloatArray, x: FloatArray) -> float:
    """When the auxiliary contact in series with the coil opens; infinite where the travel does not get there."""
    # A coil of fixed shape has contacts of its own beside those that are recorded.
    low, high = (s.auxiliary.a_share, s.auxiliary.b_share) if s.coil.armature else (0.45, 0.55)
    past = x > low * s.motion.stroke_mm if kind == "O" else x < high * s.motion.stroke_mm
    return float(fine[np.argmax(past)]) if bool(past.any()) else math.inf


def _plans(s: Scenario, rng: np.random.Generator) -> list[Plan]:
    """When each operation is commanded, how long it takes to move, and how fast it is."""
    m, plans = s.motion, []
    scatter = rng.standard_normal((2, 2)) * m.scatter_rel
    for kind, command_ms in zip(s.sequence, s.commands_ms, strict=True):
        opening = kind == "O"
        row = scatter[0 if opening else 1]
        latch = 1e-3 * (m.open_latch_ms if opening else m.close_latch_ms) * (1.0 + row[0])
        speed = (m.open_speed_m_s if opening else m.close_speed_m_s) * (1.0 + row[1])
        latch *= 0.0 if m.by_screw(kind) else 1.0
        latch *= 1.0 + 0.1 * m.scatter_rel * float(rng.standard_normal())
        plans.append(Plan(kind, 1e-3 * command_ms, float(latch), float(speed)))
    return plans
