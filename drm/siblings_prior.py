"""How far healthy interrupters of one breaker scatter, as known from elsewhere."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

__all__ = ["ORIENTATION", "PRIORS", "Population", "ScatterPrior"]


@dataclass(frozen=True)
class ScatterPrior:
    """Healthy scatter of one feature between the interrupters of one breaker.

    Three or four siblings can be ranked, not judged: the scale of a judgement has to be borrowed.

    Attributes
    ----------
    sd : float
        Standard deviation, in the feature's unit, or as a ratio (0.08 = 8 %) where `log` is true.
    dof : float
        How well `sd` is known: as if estimated from so many degrees of freedom; 0 is not at all.
    log : bool
        Compare logarithms: resistances scatter in proportion, and a common factor must not matter.
    pole_share, position_share : float
        Parts of the variance that the interrupters of one pole, or of one place along the poles, have in common.
    instead_of : str
        The feature for which this one stands in where no interrupter has it (no travel recorded).
    weight : float
        Share of the false alarms that this feature may cause, against the other features' weights. Nobody can look
        everywhere with the same care: most is given to what wears and is hard to see from outside.
    of_pole : bool
        Read from what the interrupters of a pole have in common (its mechanism): only poles are compared in it.
    derived : bool
        Follows from other features, so that it adds nothing when all are taken together.
    """

    sd: float
    dof: float = 10.0
    log: bool = False
    pole_share: float = 0.25
    position_share: float = 0.05
    instead_of: str = ""
    weight: float = 1.0
    of_pole: bool = False
    derived: bool = False


# Orientation from common practice, no source: not limits. Replace them by what a fleet of the same type shows
# (see drm.siblings_population). The two that are measured most often and settle most are known a little better.
PRIORS: MappingProxyType[str, ScatterPrior] = MappingProxyType(
    {
        "main_resistance_uohm": ScatterPrior(0.045, dof=20.0, log=True, weight=14.0),
        "arcing_wipe_mm": ScatterPrior(0.3, dof=20.0, weight=14.0),
        "arcing_resistance_uohm": ScatterPrior(0.12, log=True, weight=2.0),
        "arcing_roughness_uohm": ScatterPrior(0.35, log=True),
        "arcing_resistance_peak_uohm": ScatterPrior(0.35, log=True),
        "arcing_area_uohm_mm": ScatterPrior(0.13, log=True, derived=True),
        "main_contact_mm": ScatterPrior(0.5),
        "arcing_contact_mm": ScatterPrior(0.55, derived=True),
        "commutation_ms": ScatterPrior(0.2, log=True),
        "arcing_wipe_ms": ScatterPrior(0.1, instead_of="arcing_wipe_mm", weight=14.0),
        "main_contact_ms": ScatterPrior(0.3, instead_of="main_contact_mm"),
        "arcing_contact_ms": ScatterPrior(0.3, instead_of="arcing_contact_mm", derived=True),
        "parting_speed_m_s": ScatterPrior(0.015, log=True, weight=2.0, of_pole=True),
    }
)


@dataclass(frozen=True)
class Population:
    """What is known from elsewhere of healthy breakers of one type.

    Attributes
    ----------
    name : str
        For the findings' basis: what the scale rests on.
    priors : mapping
        Feature -> healthy scatter. Only features named here are compared.
    correlations : mapping
        Pair of features -> correlation of their deviations in healthy interrupters; 0 where not named.
    curve_sd, curve_dof : float
        Healthy scatter (as a ratio) of the shape of resistance over travel, in one of its stretches.
    breakers : int
        How many breakers it was taken from; 0 where it is orientation only.
    """

    name: str
    priors: Mapping[str, ScatterPrior]
    correlations: Mapping[tuple[str, str], float] = field(default_factory=dict)
    curve_sd: float = 0.12
    curve_dof: float = 10.0
    breakers: int = 0

    def correlation(self, one: str, other: str) -> float:
        """Correlation of two features, whichever way round it was named."""
        if one == other:
            return 1.0
        return self.correlations.get((one, other), self.correlations.get((other, one), 0.0))


#: What the comparison borrows its scale from where no population is given.
ORIENTATION = Population(
    "healthy scatter known from common practice",
    PRIORS,
    MappingProxyType(
        {
            ("arcing_wipe_mm", "arcing_contact_mm"): 0.5,
            ("main_contact_mm", "arcing_contact_mm"): 0.85,
            ("arcing_resistance_uohm", "arcing_area_uohm_mm"): 0.9,
            ("arcing_resistance_uohm", "arcing_resistance_peak_uohm"): 0.3,
            ("arcing_roughness_uohm", "arcing_resistance_peak_uohm"): 0.5,
        }
    ),
)
