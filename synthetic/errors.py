"""Errors of one instrument: drawn once a record, in nothing that the record says."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drm.synthetic.scenario import Scenario

__all__ = ["Drawn", "draw_errors"]


@dataclass(frozen=True)
class Drawn:
    """What the instrument does wrong, by name of interrupter, current channel or pole.

    Attributes
    ----------
    voltage_gain, current_gain, travel_gain : dict
        Factors on what is recorded.
    offset_v, skew_s : dict
        Of the voltages: added, and sampled so much later than their currents.
    play_mm : dict
        By which the contact lags behind the sensor once it has left the closed position.
    """

    voltage_gain: dict[str, float]
    current_gain: dict[str, float]
    travel_gain: dict[str, float]
    offset_v: dict[str, float]
    skew_s: dict[str, float]
    play_mm: dict[str, float]


def draw_errors(s: Scenario, currents: tuple[str, ...], rng: np.random.Generator) -> Drawn:
    """One instrument: normal errors with the standard deviations of ``s.errors``."""

    def normal(names: tuple[str, ...], sd: float, middle: float = 0.0) -> dict[str, float]:
        return dict(zip(names, (middle + sd * rng.standard_normal(len(names))).tolist(), strict=True))

    e, units = s.errors, s.interrupters
    return Drawn(
        voltage_gain=normal(units, e.voltage_gain_rel, 1.0),
        current_gain=normal(currents, e.current_gain_rel, 1.0),
        travel_gain=normal(s.poles, e.travel_rel, 1.0),
        offset_v=normal(units, e.voltage_offset_v),
        skew_s=normal(units, e.skew_s),
        play_mm=normal(units, e.linkage_mm),
    )
