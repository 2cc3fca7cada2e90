"""Every interrupter over a record: resistance, touch and what is true of each passage."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.synthetic.contacts import Way, way_through
from drm.synthetic.errors import Drawn
from drm.synthetic.moving import Motions
from drm.synthetic.scenario import Scenario
from drm.synthetic.truth import Truth
from drm.synthetic.unit import Unit, unit_of

__all__ = ["Passages", "passages"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def _truth(s: Scenario, name: str, unit: Unit, number: int, way: Way) -> Truth:
    kind, command = s.sequence[number], 1e-3 * s.commands_ms[number]
    at = unit.arcing_mm
    return Truth(
        interrupter=name,
        pole=name.rstrip("0123456789"),
        operation=number + 1,
        kind="open" if kind == "O" else "close",
        command_s=command,
        main_s=way.main_s,
        arcing_s=way.arcing_s,
        main_ms=1e3 * (way.main_s - command),
        arcing_ms=1e3 * (way.arcing_s - command),
        main_travel_mm=unit.main_mm,
        arcing_travel_mm=at,
        arcing_wipe_mm=at - unit.main_mm,
        arcing_resistance_uohm=1e6 * way.arcing_ohm,
        main_resistance_uohm=1e6 * unit.main_ohm,
        commutation_ms=1e3 * way.commutation_s,
        faults=unit.faults,
        resistor_s=way.resistor_s,
        resistor_ms=1e3 * (way.arcing_s - way.resistor_s) if math.isfinite(way.resistor_s) else math.nan,
        resistor_ohm=unit.resistor_ohm if math.isfinite(way.resistor_s) else math.nan,
    )


@dataclass(frozen=True, eq=False)
class Passages:
    """Every interrupter over a record, by name.

    Attributes
    ----------
    ohm : dict of ndarray, shape (n,)
        Resistance while metal touches, or while a closing resistor conducts alone.
    metal, inserted : dict of ndarray, shape (n,)
        Whether metal touches; whether the closing resistor conducts alone.
    units : dict of Unit
    truth : tuple of Truth
        In order of operation.
    """

    ohm: dict[str, FloatArray]
    metal: dict[str, BoolArray]
    inserted: dict[str, BoolArray]
    units: dict[str, Unit]
    truth: tuple[Truth, ...]


def passages(
    s: Scenario, fine: FloatArray, motions: dict[str, Motions], drawn: Drawn, rng: np.random.Generator
) -> Passages:
    """Pass every interrupter through every operation of its mechanism."""
    ohms, metals, inserts, units, truths = {}, {}, {}, {}, []
    for name, own in zip(s.interrupters, rng.spawn(len(s.interrupters)), strict=True):
        unit = unit_of(s.contact, [f for f in s.faults if f.interrupter == name], own)
        motion = motions[name.rstrip("0123456789")]
        ohm = np.full(fine.size, unit.main_ohm)
        metal = np.full(fine.size, s.closed_first)
        inserted = np.zeros(fine.size, dtype=np.bool_)
        for number, (a, b) in enumerate(motion.parts):
            opening = s.sequence[number] == "O"
            x = motion.travel_mm[a:b]
            # Play in the linkage: the contact lags behind the sensor as soon as it has left the closed position.
            x = x - drawn.play_mm[name] * -np.expm1(-np.maximum(x, 0.0))
            way = way_through(unit, s.contact, fine[a:b], x, opening, s.injection.current_a, own)
            ohm[a:b], metal[a:b], inserted[a:b] = way.ohm, way.metal, way.inserted
            truths.append(_truth(s, name, unit, number, way))
        ohms[name], metals[name], inserts[name], units[name] = ohm, metal, inserted, unit
    return Passages(ohms, metals, inserts, units, tuple(sorted(truths, key=lambda t: t.operation)))
