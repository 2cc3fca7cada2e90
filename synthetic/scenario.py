"""Scenarios: what is simulated, as frozen dataclasses; the keys of a scenario file are their fields."""

from __future__ import annotations

from dataclasses import dataclass

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


@dataclass(frozen=True)
class Injection:
    """Test current: a regulated source with a voltage limit and an output resistance, behind leads."""

    current_a: float = 200.0
    limit_v: float = 12.0
    output_ohm: float = 20.0
    lead_mohm: float = 15.0
    lead_uh: float = 10.0
    arc_v: float = 13.0  # Holm, least arc voltage of copper (from memory)
    arc_rise_v_ms: float = 10.0  # as the gap grows; common practice, no source
    least_arc_a: float = 0.4  # Holm, least arc current (from memory)
    earth_loop_mohm: float = 0.0  # 0: no loop; else both ends are earthed through so much
    sense_uh: float = 0.2
    series: bool = False  # interrupters of one pole carry one current
    droop_rel: float = 0.0  # share of its voltage limit that the source loses in every `droop_ms`
    droop_ms: float = 100.0
    on_ms: float = 0.0  # the source is switched on with a soft start; 0: it was on before the record begins
    off_ms: float = 0.0  # and off; 0: not within the record
    ramp_ms: float = 20.0  # either takes so long


@dataclass(frozen=True)
class Chain:
    """Measuring chain."""

    sample_rate_hz: float = 20_000.0
    oversampling: int = 8
    bits: int = 16
    voltage_range_v: float = 2.0
    current_range_a: float = 500.0
    voltage_noise_mv: float = 0.2
    current_noise_a: float = 0.1
    hum_mv: float = 0.0
    impulses: int = 0  # single-sample disturbances in each voltage
    impulses_per_s: float = 0.0  # the same, by the length of the record
    dither_lsb: float = 0.0  # triangular dither of this half width before each voltage is rounded, in steps
    offset_uv: float = 0.0  # of each voltage: the instrument's and thermal EMF
    coil_coupling_mv: float = 0.0  # peak of the ringing that the switching of a coil induces in each voltage
    filter_hz: float = 8_000.0
    skew_us: float = 0.0  # voltages are sampled so much later, and the record says so
    motor_coupling_mv: float = 0.0  # peak of what the running motor induces
    encoder_mm: float = 0.05
    travel: str = "linear"  # linear, rotary, none
    travel_sign: int = 1
    contact_states: bool = False  # a digital channel of each interrupter, and of its closing resistor's contact


@dataclass(frozen=True)
class Setup:
    """How the test was connected, by name of interrupter."""

    leads_exchanged: tuple[str, ...] = ()  # two names: their voltage leads are exchanged
    currents_exchanged: tuple[str, ...] = ()  # two names: their current channels are exchanged
    sensors_exchanged: tuple[str, ...] = ()  # two poles: their travel sensors are exchanged
    reversed: tuple[str, ...] = ()
    lead_off: tuple[str, ...] = ()
    loose_lead: tuple[str, ...] = ()  # a loose clamp in the current's way, outside the voltage leads
    loose_lead_mohm: float = 20.0  # its resistance at 100 A
    loose_clamp: tuple[str, ...] = ()  # voltage taken across a loose current clamp: its resistance adds
    loose_uohm: float = 60.0  # of such a clamp at 100 A, falling as current softens its spots
    scaled: tuple[str, ...] = ()  # current recorded with a wrong ratio
    scale_factor: float = 10.0
    late: tuple[str, ...] = ()  # voltage sampled later than its current, and the record does not say so
    late_us: float = 200.0
    currents_late_us: float = 0.0  # every injected current is recorded by a device so much late; not said either


@dataclass(frozen=True)
class Errors:
    """Standard uncertainties at which the instrument's errors are drawn, anew for each record; 0: a perfect instrument.

    Gains, offset and skew are drawn for each channel, the travel's scale for each sensor, the linkage's play for each
    interrupter. The record says nothing of them.
    """

    voltage_gain_rel: float = 0.0
    current_gain_rel: float = 0.0
    voltage_offset_v: float = 0.0
    skew_s: float = 0.0
    travel_rel: float = 0.0
    linkage_mm: float = 0.0


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
    motion: Motion = Motion()
    coil: Coil = Coil()
    auxiliary: Auxiliary = Auxiliary()
    motor: Motor = Motor()
    contact: Contact = Contact()
    injection: Injection = Injection()
    chain: Chain = Chain()
    setup: Setup = Setup()
    errors: Errors = Errors()
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
