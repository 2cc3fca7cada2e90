"""The features in a plain table: name, unit and meaning beside the function that computes each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.features import contact_resistance as ohm
from drm.features import timing, wipe
from drm.features.observation import Observation
from drm.quantity import Quantity
from drm.uncertainty import covariance_matrix

__all__ = ["FEATURES", "Feature", "covariances", "measure", "quantities"]


@dataclass(frozen=True)
class Feature:
    """One column of the feature table."""

    name: str
    unit: str
    meaning: str
    compute: Callable[[Observation], Quantity]


FEATURES: tuple[Feature, ...] = (
    Feature("main_resistance_uohm", "uOhm", "closed contact at rest", ohm.main_resistance_uohm),
    Feature("main_contact_ms", "ms", "middle of the commutation", timing.main_contact_ms),
    Feature("main_contact_mm", "mm", "travel at the middle of the commutation", wipe.main_contact_mm),
    Feature("commutation_ms", "ms", "duration of the commutation", timing.commutation_ms),
    Feature("arcing_contact_ms", "ms", "last loss or first gain of metallic contact", timing.arcing_contact_ms),
    Feature("arcing_contact_mm", "mm", "travel at the arcing contact's instant", wipe.arcing_contact_mm),
    Feature("arcing_wipe_mm", "mm", "travel between main and arcing contact's instants", wipe.arcing_wipe_mm),
    Feature("arcing_wipe_ms", "ms", "time between main and arcing contact's instants", timing.arcing_wipe_ms),
    Feature("arcing_resistance_uohm", "uOhm", "median over the arcing zone", ohm.arcing_resistance_uohm),
    Feature("arcing_resistance_peak_uohm", "uOhm", "greatest in the arcing zone", ohm.arcing_resistance_peak_uohm),
    Feature("arcing_roughness_uohm", "uOhm", "robust standard deviation in the arcing zone", ohm.arcing_roughness_uohm),
    Feature("arcing_area_uohm_mm", "uOhm mm", "resistance over travel in the arcing zone", ohm.arcing_area_uohm_mm),
    Feature("parting_speed_m_s", "m/s", "speed at the arcing contact's instant", wipe.parting_speed_m_s),
)


def quantities(observation: Observation) -> dict[str, Quantity]:
    """All features of one observation, each with the parts of its uncertainty."""
    return {feature.name: feature.compute(observation) for feature in FEATURES}


def measure(observation: Observation) -> dict[str, float]:
    """All features of one observation: ``{name: value, name_u: standard uncertainty}``, NaN where not measured."""
    row: dict[str, float] = {}
    for name, quantity in quantities(observation).items():
        row[name], row[f"{name}_u"] = quantity.value, quantity.u
    return row


def covariances(observation: Observation) -> tuple[tuple[str, ...], NDArray[np.float64]]:
    """Which features were measured, and the covariance matrix of their errors.

    Returns
    -------
    names : tuple of str
        The m features that have a value.
    covariance : ndarray, shape (m, m)
        In the product of their units. Positions of one interrupter share zero, linkage, scale and skew; resistances
        share gain and offset; what they share is in :mod:`drm.features.sources`.
    """
    measured = {name: q for name, q in quantities(observation).items() if q}
    return tuple(measured), covariance_matrix(list(measured.values()))
