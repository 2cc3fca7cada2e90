"""Every interrupter over a record: resistance, touch and what is true of each passage."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drm.synthetic.contacts import Unit, Way, unit_of, way_through
from drm.synthetic.errors import Drawn
from drm.synthetic.moving import Motions
from drm.synthetic.scenario import Scenario
from drm.synthetic.truth import Truth

__all__ = ["passages"]

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
    )


def passages(
    s: Scenario, fine: FloatArray, motions: dict[str, Motions], drawn: Drawn, rng: np.random.Generator
) -> tuple[dict[str, FloatArray], dict[str, BoolArray], list[Truth]]:
    """Resistance and touch of each interrupter over the record, and the truth."""
    ohms, metals, truths = {}, {}, []
    for name, own in zip(s.interrupters, rng.spawn(len(s.interrupters)), strict=True):
        unit = unit_of(s.contact, [f for f in s.faults if f.interrupter == name], own)
        motion = motions[name.rstrip("0123456789")]
        ohm = np.full(fine.size, unit.main_ohm)
        metal = np.full(fine.size, s.sequence[0] == "O")
        for number, (a, b) in enumerate(motion.parts):
            opening = s.sequence[number] == "O"
            x = motion.travel_mm[a:b]
            # Play in the linkage: the contact lags behind the sensor as soon as it has left the closed position.
            x = x - drawn.play_mm[name] * -np.expm1(-np.maximum(x, 0.0))
            way = way_through(unit, s.contact, fine[a:b], x, opening, s.injection.current_a, own)
            ohm[a:b], metal[a:b] = way.ohm, way.metal
            truths.append(_truth(s, name, unit, number, way))
        ohms[name], metals[name] = ohm, metal
    return ohms, metals, sorted(truths, key=lambda t: t.operation)
