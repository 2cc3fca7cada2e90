"""Scenarios: what is simulated, as frozen dataclasses; the keys of a scenario file are their fields."""

from __future__ import annotations

from dataclasses import dataclass, field

from drm.synthetic.scenario_breaker import Auxiliary, Coil, Contact, Motion, Motor
from drm.synthetic.scenario_measuring import Chain, Errors, Injection, Setup

__all__ = [
    "FAULTS",
    "Auxiliary",
    "Chain",
    "Coil",
    "Contact",
    "Errors",
    "Fault",
    "Injection",
    "Motion",
    "Motor",
    "Scenario",
    "Setup",
]

#: Kinds of fault and the meaning of their amount.
FAULTS = {
    "worn": "arcing wipe left, mm; rough, with momentary part-separations",
    "short_wipe": "arcing wipe left, mm",
    "misadjusted": "shift of every instant in travel, mm; positive parts later",
    "high_main": "factor on the main contact's resistance",
    "rough": "factor on the arcing contact's fluctuation",
    "spikes": "number of momentary part-separations in the arcing zone",
    "missing_arcing": "no arcing contact; the amount is not used",
    "arcing_first": "arcing contact parts first, so much travel before the middle of the main contact's move, mm",
}


@dataclass(frozen=True)
class Fault:
    """Fault of one interrupter; see :data:`FAULTS`."""

    interrupter: str
    kind: str
    amount: float = 0.0


@dataclass(frozen=True)
class Scenario:
    """One record to be simulated: `sequence` of ``O`` and ``C`` with their commands at `commands_ms`."""

    name: str = "simulated"
    poles: tuple[str, ...] = ("A",)
    interrupters_per_pole: int = 1
    sequence: str = "O"
    commands_ms: tuple[float, ...] = (50.0,)
    length_ms: float = 250.0
    frequency_hz: float = 50.0
    motion: Motion = field(default=Motion())
    coil: Coil = field(default=Coil())
    auxiliary: Auxiliary = field(default=Auxiliary())
    motor: Motor = field(default=Motor())
    contact: Contact = field(default=Contact())
    injection: Injection = field(default=Injection())
    chain: Chain = field(default=Chain())
    setup: Setup = field(default=Setup())
    errors: Errors = field(default=Errors())
    faults: tuple[Fault, ...] = ()

    @property
    def interrupters(self) -> tuple[str, ...]:
        """Names, such as ``A1``, pole by pole."""
        return tuple(f"{p}{i}" for p in self.poles for i in range(1, self.interrupters_per_pole + 1))

    @property
    def closed_first(self) -> bool:
        """Whether the breaker is closed when the record begins; a record without operations is of a closed one."""
        return not self.sequence.startswith("C")

    def has_coil(self, kind: str) -> bool:
        """Whether a coil is recorded that releases the operation ``O`` or ``C``."""
        return kind in self.sequence and not self.motion.by_screw(kind)
