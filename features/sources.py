"""Independent sources of error behind one row of features, and what each adds to an instant or a position.

Every feature's uncertainty is made of parts under these names (:attr:`drm.quantity.Quantity.parts`), so that the
covariance of two features follows from the sources that they share (:func:`drm.uncertainty.covariance`).

==================  ====================================================================================
``main_s``          instant of the main contact, its own part
``arcing_s``        instant of the arcing contact, its own part
``commutation_s``   duration of the commutation
``timing``          what the two instants have in common (delay of filter and sampling)
``reference_s``     instant from which times are counted
``skew``            clock of voltage and current against that of travel and coil
``main_reading``    fit of the travel at the main contact's instant
``arcing_reading``  the same at the arcing contact's
``speed_fit``       fit of the speed at the arcing contact's instant
``zero``            reading of the closed rest position
``scale``           of the travel, relative
``linkage``         between travel sensor and contact
``gain``            of V/I, relative
``offset``          of the voltage, over the current
``hum``             of the hum carried on to the arcing zone, over the current
``main_fit``        scatter of the closed resistance's fit, its quantisation
``noise``           of the resistance from sample to sample
``sampling``        what the contact does between two samples
``missing``         parts of the arcing zone that could not be read
``inductance``      what is left of the sense loop's voltage
``earth_loop``      conductance of the earth loop in parallel
==================  ====================================================================================
"""

from __future__ import annotations

import math
from typing import Literal

from drm.features.observation import Observation
from drm.quantity import Quantity

__all__ = ["Which", "minus", "of_instant", "of_position", "own_u"]

Which = Literal["main", "arcing"]


def own_u(o: Observation, instant: Quantity) -> float:
    """What an instant's standard uncertainty, s, has beside the part that both instants share."""
    return math.sqrt(max(instant.u**2 - o.common_s**2, 0.0))


def of_instant(o: Observation, which: Which) -> dict[str, float]:
    """Parts of an instant in ms on the record's clock."""
    instant = o.main_s if which == "main" else o.arcing_s
    return {f"{which}_s": 1e3 * own_u(o, instant), "timing": 1e3 * min(o.common_s, instant.u)}


def of_position(o: Observation, which: Which) -> dict[str, float]:
    """Parts of the travel at an instant, mm."""
    instant = o.main_s if which == "main" else o.arcing_s
    mm, reading = (o.main_mm, o.main_u_mm) if which == "main" else (o.arcing_mm, o.arcing_u_mm)
    # mm per ms is m/s: travel grows while the contact opens.
    pace = o.speed_at(instant) * (1.0 if o.kind == "open" else -1.0)
    return {
        **{name: pace * part for name, part in of_instant(o, which).items()},
        "skew": 1e3 * pace * o.skew_s,
        f"{which}_reading": o.travel_u_mm if math.isnan(reading) else reading,
        "zero": o.zero_u_mm,
        "scale": o.travel_rel * mm,
        "linkage": o.linkage_mm,
    }


def minus(a: dict[str, float], b: dict[str, float]) -> dict[str, float]:
    """Parts of a difference: what both share is subtracted with its sign, and cancels where it is the same."""
    return {name: a.get(name, 0.0) - b.get(name, 0.0) for name in {**a, **b}}
