"""Keys of a scenario that describe the test: source and leads, measuring chain, wiring, errors of the instrument."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Chain", "Errors", "Injection", "Setup"]


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
    loose_breaks: int = 0  # times at which such a clamp's voltage is lost for a moment, in the record
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
