"""One interrupter as built: drawn from the healthy scatter, then its faults."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drm.synthetic.scenario import Contact, Fault

__all__ = ["Unit", "temperature_factor", "unit_of"]


@dataclass(frozen=True)
class Unit:
    """One interrupter as built, with its faults.

    Attributes
    ----------
    main_ohm, arcing_ohm : float
        Closed, and on the arcing contact alone.
    main_mm, wipe_mm : float
        Travel at the middle of the commutation, and from there to arcing parting; `wipe_mm` 0 without arcing contact.
    rough : float
        Relative fluctuation on the arcing contact.
    spikes : int
        Momentary part-separations in the arcing zone.
    faults : tuple of str
    resistor_ohm, resistor_mm : float
        Closing resistor, 0 for none, and the travel by which its contact is ahead of the arcing contact.
    early_mm : float
        Travel by which the arcing contact parts before the main one, where it does.
    """

    main_ohm: float
    arcing_ohm: float
    main_mm: float
    wipe_mm: float
    rough: float
    spikes: int
    faults: tuple[str, ...]
    resistor_ohm: float = 0.0
    resistor_mm: float = 0.0
    early_mm: float = 0.0

    @property
    def arcing_mm(self) -> float:
        """Travel at which the last metallic contact is lost."""
        return self.main_mm + self.wipe_mm


def temperature_factor(celsius: float) -> float:
    """Resistance of copper over that at 20 °C: (234.5 + t) / (234.5 + 20), constants of IEC 60028."""
    return (234.5 + celsius) / 254.5


def unit_of(contact: Contact, faults: Sequence[Fault], rng: np.random.Generator) -> Unit:
    """Draw one interrupter: healthy scatter first, so that a fault changes nothing else."""
    z = rng.standard_normal(4)
    main = contact.main_resistance_uohm * math.exp(contact.main_scatter_rel * z[0]) * 1e-6
    arcing = contact.arcing_resistance_uohm * math.exp(contact.arcing_scatter_rel * z[1]) * 1e-6
    at = contact.main_parting_mm + contact.main_parting_scatter_mm * float(z[2])
    wipe = contact.arcing_wipe_mm + contact.wipe_scatter_mm * float(z[3])
    rough, spikes, early = contact.arcing_roughness_rel, 0, 0.0
    for fault in faults:
        if fault.kind in ("worn", "short_wipe"):
            wipe = fault.amount
        if fault.kind == "worn":
            rough, spikes, arcing = 2.5 * rough, spikes + 4, 1.4 * arcing
        elif fault.kind == "misadjusted":
            at += fault.amount
        elif fault.kind == "high_main":
            main *= fault.amount
        elif fault.kind == "rough":
            rough *= fault.amount
        elif fault.kind == "spikes":
            spikes += round(fault.amount)
        elif fault.kind in ("missing_arcing", "arcing_first"):
            wipe = 0.0
            early = fault.amount if fault.kind == "arcing_first" else 0.0
    warm, resistor = temperature_factor(contact.temperature_c), 0.0
    if contact.resistor_ohm > 0.0:
        resistor = contact.resistor_ohm * math.exp(
            contact.resistor_scatter_rel * float(rng.spawn(1)[0].standard_normal())
        )
    return Unit(
        main * warm,
        arcing * warm,
        at,
        max(wipe, 0.0),
        rough,
        spikes,
        tuple(f.kind for f in faults),
        resistor,
        contact.resistor_mm,
        max(early, 0.0),
    )
