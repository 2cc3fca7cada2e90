"""Random records for judging a diagnosis: a condition drawn by name, everything else varied about common practice."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from drm.synthetic.ordinary import at_amps, at_rate, in_sequence, one_of, ordinary, with_tables
from drm.synthetic.scenario import Fault, Scenario
from drm.synthetic.scenario_measuring import Chain

__all__ = ["CONDITIONS", "MISLED", "draw"]

Rng = np.random.Generator


def _bits(bits: int, dither: bool) -> Callable[[Scenario, Rng], Scenario]:
    # Without dither the converter's step hides what noise there is.
    noise = {} if dither else {"voltage_noise_mv": 0.02}
    chain = {"bits": bits, "voltage_range_v": 10.0, "dither_lsb": 1.0 if dither else 0.0, **noise}
    return lambda s, rng: with_tables(s, chain=chain)


def _fault(kind: str, low: float = 0.0, high: float = 0.0) -> Callable[[Scenario, Rng], Scenario]:
    return lambda s, rng: with_tables(s, faults=(Fault(one_of(rng, *s.interrupters), kind, rng.uniform(low, high)),))


def _setup(key: str, **more: Any) -> Callable[[Scenario, Rng], Scenario]:
    return lambda s, rng: with_tables(s, setup={key: (one_of(rng, *s.interrupters),), **more})


def _pair(key: str) -> Callable[[Scenario, Rng], Scenario]:
    def make(s: Scenario, rng: Rng) -> Scenario:
        a, b = rng.choice(len(s.interrupters), 2, replace=False)
        return with_tables(s, setup={key: (s.interrupters[a], s.interrupters[b])})

    return make


def _of(**tables: Any) -> Callable[[Scenario, Rng], Scenario]:
    return lambda s, rng: with_tables(s, **tables)


def _sampled(khz: int) -> Callable[[Scenario, Rng], Scenario]:
    return lambda s, rng: at_rate(s, float(khz))


def _slow(s: Scenario, rng: Rng) -> Scenario:
    s = at_rate(with_tables(s, motion={"open_speed_m_s": 0.02, "stroke_mm": 80.0}), 5.0)
    return with_tables(s, poles=("A",), interrupters_per_pole=3, sequence="O", commands_ms=(200.0,), length_ms=4600.0)


def _resistor(s: Scenario, rng: Rng) -> Scenario:
    contact = {"resistor_ohm": rng.uniform(400.0, 1500.0), "resistor_mm": rng.uniform(30.0, 45.0)}
    return with_tables(in_sequence(s, "C"), contact=contact, injection={"limit_v": rng.uniform(12.0, 48.0)})


def _armature(s: Scenario, rng: Rng) -> Scenario:
    s = with_tables(s, coil={"armature": True, "voltage_recorded": bool(rng.integers(2))})
    return with_tables(s, motion={"coil_a": rng.uniform(1.5, 5.0)})


def _motor(s: Scenario, rng: Rng) -> Scenario:
    s, charging = in_sequence(s, "C"), rng.uniform(0.4, 0.8)
    s = with_tables(s, motor={"recorded": True, "voltage_recorded": True, "start_ms": 150.0, "charging_s": charging})
    return with_tables(s, length_ms=250.0 + 1300.0 * charging)


def _limited(s: Scenario, rng: Rng) -> Scenario:
    # Leads that take the whole limit at 0.8 of the current that is asked for: the source never regulates.
    amps, limit = s.injection.current_a, rng.uniform(2.0, 4.0)
    return with_tables(s, injection={"limit_v": limit, "lead_mohm": 1e3 * limit / (0.8 * amps), "droop_rel": 0.3})


def _sensors(s: Scenario, rng: Rng) -> Scenario:
    # Two poles that move alike would not show it: one is slower to release.
    return with_tables(s, poles=("A", "B", "C"), interrupters_per_pole=1, setup={"sensors_exchanged": ("A", "B")})


#: Name of a condition -> what it makes of an ordinary scenario.
CONDITIONS: dict[str, Callable[[Scenario, Rng], Scenario]] = {
    "ordinary": lambda s, rng: s,
    "both_ends_earthed": lambda s, rng: with_tables(s, injection={"earth_loop_mohm": rng.uniform(3.0, 8.0)}),
    "series_injection": _of(injection={"series": True, "limit_v": 20.0}),
    "clipped": lambda s, rng: with_tables(s, chain={"voltage_range_v": rng.uniform(0.3, 1.0)}),
    "limited_source": _limited,
    "skew_declared": _of(chain={"skew_us": 200.0}),
    "skew_one_voltage": _setup("late"),
    "skew_two_devices": _of(setup={"currents_late_us": 200.0}),
    "hum": _of(chain={"hum_mv": 5.0}),
    "impulses": _of(chain={"impulses_per_s": 200.0}),
    "bits_12": _bits(12, False),
    "bits_12_dither": _bits(12, True),
    "bits_16": _bits(16, False),
    "bits_16_dither": _bits(16, True),
    **{f"{khz}_khz": _sampled(khz) for khz in (5, 10, 20, 50, 100, 200)},
    "encoder_half_mm": _of(chain={"encoder_mm": 0.5}),
    "rotary": lambda s, rng: with_tables(s, chain={"travel": "rotary", "travel_sign": one_of(rng, -1, 1)}),
    "linear_reversed": _of(chain={"travel_sign": -1}),
    "no_travel": _of(chain={"travel": "none"}),
    "20_to_100_a": lambda s, rng: at_amps(s, float(np.exp(rng.uniform(np.log(20.0), np.log(100.0))))),
    "400_to_1000_a": lambda s, rng: at_amps(s, rng.uniform(400.0, 1000.0)),
    "slow": _slow,
    "bouncing": lambda s, rng: with_tables(in_sequence(s, "C"), contact={"bounces": 3}),
    "missing_arcing": _fault("missing_arcing"),
    "arcing_first": _fault("arcing_first", 0.5, 6.0),
    "short_wipe": _fault("short_wipe", 2.0, 10.0),
    "worn_wipe": _fault("worn", 6.0, 14.0),
    "misadjusted": _fault("misadjusted", -4.0, 4.0),
    "high_main": _fault("high_main", 1.5, 3.0),
    "part_separations": _fault("spikes", 3.0, 8.0),
    "worn_40_uohm": lambda s, rng: with_tables(
        s,
        contact={"arcing_resistance_uohm": s.contact.main_resistance_uohm + 40.0, "arcing_roughness_rel": 0.10},
    ),
    "fluctuation_15": _of(contact={"arcing_roughness_rel": 0.15}),
    "voltage_leads_exchanged": _pair("leads_exchanged"),
    "currents_exchanged": _pair("currents_exchanged"),
    "lead_off": _setup("lead_off"),
    "reversed": _setup("reversed"),
    "loose_lead": lambda s, rng: with_tables(
        _setup("loose_lead")(s, rng), setup={"loose_lead_mohm": rng.uniform(5.0, 40.0)}, injection={"limit_v": 8.0}
    ),
    "pre_insertion": _resistor,
    "close_open": lambda s, rng: in_sequence(s, "CO"),
    "armature": _armature,
    "auxiliary_bounce": _of(auxiliary={"bounces": 3}),
    "switched_source": _of(injection={"on_ms": 2.0, "ramp_ms": 8.0}),
    "motor": _motor,
    "motor_transient": lambda s, rng: with_tables(
        s,
        motor={"recorded": True, "start_ms": 20.0, "charging_s": 0.4},
        chain={"motor_coupling_mv": rng.uniform(1.0, 8.0)},
    ),
    "coil_transient": lambda s, rng: with_tables(s, chain={"coil_coupling_mv": rng.uniform(10.0, 100.0)}),
    "loose_clamp": lambda s, rng: with_tables(
        _setup("loose_clamp")(s, rng),
        setup={"loose_uohm": rng.uniform(20.0, 200.0), "loose_breaks": int(rng.integers(0, 5))},
    ),
    "current_a_tenth": _setup("scaled", scale_factor=0.1),
    "current_tenfold": lambda s, rng: with_tables(_setup("scaled")(s, rng), chain={"current_range_a": 5e3}),
    "sensors_exchanged": _sensors,
}

#: Conditions in which an instrument or its wiring gives a false trace: a diagnosis can only notice, not measure.
MISLED = frozenset(
    {
        "skew_one_voltage",
        "skew_two_devices",
        "voltage_leads_exchanged",
        "currents_exchanged",
        "lead_off",
        "loose_clamp",
        "current_a_tenth",
        "current_tenfold",
        "sensors_exchanged",
    }
)


def draw(rng: Rng, *, condition: str = "") -> tuple[str, Scenario]:
    """A condition and a scenario of it.

    Parameters
    ----------
    rng : numpy.random.Generator
    condition : str
        One of :data:`CONDITIONS`; drawn where empty.

    Returns
    -------
    str
        The condition's name.
    Scenario
        Small: a record of a few interrupters and short windows about the operations.
    """
    name = condition or str(rng.choice(list(CONDITIONS)))
    made = CONDITIONS[name](ordinary(rng), rng)
    # Recorders differ in how far below half the sampling rate their anti-alias filter begins: its delay is not known.
    return name, with_tables(made, chain={"filter_hz": _filter_hz(made.chain, rng)})


def _filter_hz(chain: Chain, rng: Rng) -> float:
    """Cut-off of a filter that delays by anything up to a sample: as little as is known of a strange chain's delay.

    A Butterworth filter of second order delays slow signals by sqrt(2) / (2 pi f).
    """
    samples = max(rng.uniform(0.0, 1.0), 1e-3)
    return chain.sample_rate_hz * math.sqrt(2.0) / (2.0 * math.pi * samples)
