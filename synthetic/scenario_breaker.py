"""Keys of a scenario that describe the breaker: mechanism, releases, auxiliary contacts, motor, main contacts."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Auxiliary", "Coil", "Contact", "Motion", "Motor"]


@dataclass(frozen=True)
class Motion:
    """Operating mechanism, the same design for each; figures are of common practice, no source.

    Below 0.3 m/s a screw moves the contact: no coil is energised, and the command is the start of motion.
    """

    stroke_mm: float = 160.0
    open_speed_m_s: float = 6.5  # at arcing parting
    close_speed_m_s: float = 4.2  # at arcing touch
    open_latch_ms: float = 14.0  # coil onset to first motion
    close_latch_ms: float = 14.0
    scatter_rel: float = 0.01  # of speeds and latch times from one mechanism to another
    coil_a: float = 3.0

    def by_screw(self, kind: str) -> bool:
        """Whether the operation ``O`` or ``C`` is made by a screw."""
        return (self.open_speed_m_s if kind == "O" else self.close_speed_m_s) < 0.3


@dataclass(frozen=True)
class Coil:
    """Releases. Without a moving armature the current has a fixed shape; its steady value is ``motion.coil_a``."""

    armature: bool = False  # the current follows from the coil's circuit and its armature's motion
    supply_v: float = 110.0
    voltage_recorded: bool = False  # at the terminals, V


@dataclass(frozen=True)
class Auxiliary:
    """Auxiliary contacts, set at a share of the stroke: ``a`` closes with the breaker, ``b`` opens with it."""

    a_share: float = 0.4
    b_share: float = 0.55
    bounces: int = 0  # losses after a contact has made; parting is clean
    bounce_ms: float = 0.6  # the first of them


@dataclass(frozen=True)
class Motor:
    """Motor that charges the closing spring of each mechanism; figures are of common practice, no source."""

    recorded: bool = False
    voltage_recorded: bool = False  # at the terminals, V
    start_ms: float = 100.0
    charging_s: float = 1.5  # about; the end switch opens when the spring is charged
    supply_v: float = 110.0
    resistance_ohm: float = 3.0
    running_a: float = 5.0  # at half the charge
    constant_vs: float = 0.6  # back-EMF, V s/rad, and torque, N m/A
    electric_ms: float = 3.0  # L/R
    run_up_ms: float = 40.0


@dataclass(frozen=True)
class Contact:
    """Healthy interrupter and its scatter from one to another."""

    main_resistance_uohm: float = 40.0
    main_scatter_rel: float = 0.05
    main_roughness_rel: float = 0.02
    arcing_resistance_uohm: float = 250.0
    arcing_scatter_rel: float = 0.08
    arcing_roughness_rel: float = 0.10
    correlation_mm: float = 0.4
    main_parting_mm: float = 24.0
    main_parting_scatter_mm: float = 0.2
    arcing_wipe_mm: float = 18.0
    wipe_scatter_mm: float = 0.3
    commutation_mm: float = 2.2
    fingers: int = 12
    bounces: int = 1  # losses after the first touch on closing
    temperature_c: float = 20.0  # of the contacts; both resistances are those at 20
    resistor_ohm: float = 0.0  # closing resistor across the contacts; 0: none
    resistor_scatter_rel: float = 0.03
    resistor_mm: float = 40.0  # travel by which its contact touches ahead of the arcing contact
