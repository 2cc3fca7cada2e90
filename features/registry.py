"""The features in a plain table: name, unit and meaning beside the function that computes each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from drm.features import contact_resistance as ohm
from drm.features import timing, wipe
from drm.features.observation import Observation
from drm.quantity import Quantity

__all__ = ["FEATURES", "Feature", "measure"]


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


def measure(observation: Observation) -> dict[str, float]:
    """All features of one observation: ``{name: value, name_u: standard uncertainty}``, NaN where not measured."""
    row: dict[str, float] = {}
    for feature in FEATURES:
        quantity = feature.compute(observation)
        row[feature.name], row[f"{feature.name}_u"] = quantity.value, quantity.u
    return row
