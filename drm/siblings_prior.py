"""How far healthy interrupters of one breaker scatter, as known from elsewhere."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

__all__ = ["PRIORS", "ScatterPrior"]


@dataclass(frozen=True)
class ScatterPrior:
    """Healthy scatter of one feature between the interrupters of one breaker.

    Three or four siblings can be ranked, not judged: the scale of a judgement has to be borrowed.

    Attributes
    ----------
    sd : float
        Standard deviation, in the feature's unit, or as a ratio (0.08 = 8 %) where `log` is true.
    dof : float
        How well `sd` is known: as if estimated from so many degrees of freedom.
    log : bool
        Compare logarithms: resistances scatter in proportion, and a common factor must not matter.
    pole_share : float
        Part of the variance that the interrupters of one pole have in common, 0 to 1.
    instead_of : str
        The feature for which this one stands in where no interrupter has it (no travel recorded).
    """

    sd: float
    dof: float = 10.0
    log: bool = False
    pole_share: float = 0.25
    instead_of: str = ""


# Orientation from common practice, no source: not limits. Replace them by what a fleet of the same type shows.
# wipe is the difference of the two positions, so 0.5, 0.5 and 0.4 mm go together (correlation 0.68).
PRIORS: MappingProxyType[str, ScatterPrior] = MappingProxyType(
    {
        "main_resistance_uohm": ScatterPrior(0.08, log=True),
        "arcing_resistance_uohm": ScatterPrior(0.12, log=True),
        "arcing_roughness_uohm": ScatterPrior(0.35, log=True),
        "arcing_wipe_mm": ScatterPrior(0.4),
        "main_contact_mm": ScatterPrior(0.5),
        "arcing_contact_mm": ScatterPrior(0.5),
        "arcing_wipe_ms": ScatterPrior(0.1, instead_of="arcing_wipe_mm"),
        "main_contact_ms": ScatterPrior(0.3, instead_of="main_contact_mm"),
        "arcing_contact_ms": ScatterPrior(0.3, instead_of="arcing_contact_mm"),
    }
)
