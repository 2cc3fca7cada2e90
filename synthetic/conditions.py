"""Random records for judging a diagnosis: a condition drawn by name, everything else varied about common practice."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np

from drm.breaker import Instrument
from drm.synthetic.scenario import Chain, Contact, Errors, Fault, Injection, Motion, Scenario

__all__ = ["CONDITIONS", "MISLED", "draw", "ordinary"]

Rng = np.random.Generator
#: A recorder's ranges of current, A.
RANGES_A = (50.0, 100.0, 250.0, 500.0, 1000.0, 2000.0)
#: The instrument is as good as a breaker file assumes where it states nothing else.
ERRORS = Errors(**dataclasses.asdict(Instrument()))


def _one(rng: Rng, *of: Any) -> Any:
    return of[int(rng.integers(len(of)))]


def _with(s: Scenario, **tables: Any) -> Scenario:
    """`s` with some fields of some tables changed."""
    changed = {k: dataclasses.replace(getattr(s, k), **v) if isinstance(v, dict) else v for k, v in tables.items()}
    return dataclasses.replace(s, **changed)


def _amps(s: Scenario, amps: float) -> Scenario:
    full = next(r for r in RANGES_A if r >= 1.2 * amps)
    return _with(s, injection={"current_a": amps}, chain={"current_range_a": full, "current_noise_a": 2e-4 * full})


def _rate(s: Scenario, khz: float) -> Scenario:
    fine = max(1, min(8, round(160.0 / khz)))
    return _with(s, chain={"sample_rate_hz": 1e3 * khz, "oversampling": fine, "filter_hz": 400.0 * khz})


def _sequence(s: Scenario, sequence: str) -> Scenario:
    begin = 30.0 + 170.0 * np.arange(len(sequence))
    return dataclasses.replace(
        s, sequence=sequence, commands_ms=tuple(begin.tolist()), length_ms=float(begin[-1]) + 150.0
    )


def ordinary(rng: Rng) -> Scenario:
    """A healthy breaker of three to six interrupters in one or two operations, tested as it should be."""
    poles = _one(rng, "A", "A", "AB", "ABC")
    each = {1: int(rng.integers(3, 7)), 2: int(rng.integers(2, 4)), 3: int(rng.integers(1, 3))}[len(poles)]
    contact = Contact(
        main_resistance_uohm=rng.uniform(25.0, 60.0),
        arcing_resistance_uohm=rng.uniform(150.0, 450.0),
        arcing_roughness_rel=rng.uniform(0.03, 0.15),
        main_roughness_rel=rng.uniform(0.01, 0.03),
        correlation_mm=rng.uniform(0.2, 0.8),
        main_parting_mm=rng.uniform(20.0, 32.0),
        arcing_wipe_mm=rng.uniform(12.0, 26.0),
        commutation_mm=rng.uniform(1.2, 3.5),
        fingers=int(rng.integers(3, 25)),
        bounces=int(rng.integers(0, 3)),
    )
    motion = Motion(
        stroke_mm=rng.uniform(140.0, 180.0),
        open_speed_m_s=rng.uniform(4.0, 8.0),
        close_speed_m_s=rng.uniform(3.0, 5.0),
        open_latch_ms=rng.uniform(10.0, 18.0),
        close_latch_ms=rng.uniform(12.0, 25.0),
    )
    injection = Injection(
        lead_uh=rng.uniform(4.0, 20.0), sense_uh=rng.uniform(0.0, 0.3), limit_v=rng.uniform(8.0, 16.0)
    )
    chain = Chain(voltage_noise_mv=rng.uniform(0.05, 0.5))
    s = Scenario("drawn", tuple(poles), each, motion=motion, contact=contact, injection=injection, chain=chain)
    s = _with(s, errors=ERRORS, frequency_hz=_one(rng, 50.0, 60.0))
    s = _rate(_amps(s, rng.uniform(100.0, 400.0)), _one(rng, 10.0, 20.0, 20.0, 50.0))
    return _sequence(s, _one(rng, "O", "C", "OC"))


def _bits(bits: int, dither: bool) -> Callable[[Scenario, Rng], Scenario]:
    # Without dither the converter's step hides what noise there is.
    noise = {} if dither else {"voltage_noise_mv": 0.02}
    chain = {"bits": bits, "voltage_range_v": 10.0, "dither_lsb": 1.0 if dither else 0.0, **noise}
    return lambda s, rng: _with(s, chain=chain)


def _fault(kind: str, low: float = 0.0, high: float = 0.0) -> Callable[[Scenario, Rng], Scenario]:
    return lambda s, rng: _with(s, faults=(Fault(_one(rng, *s.interrupters), kind, rng.uniform(low, high)),))


def _setup(key: str, **more: Any) -> Callable[[Scenario, Rng], Scenario]:
    return lambda s, rng: _with(s, setup={key: (_one(rng, *s.interrupters),), **more})


def _pair(key: str) -> Callable[[Scenario, Rng], Scenario]:
    def make(s: Scenario, rng: Rng) -> Scenario:
        a, b = rng.choice(len(s.interrupters), 2, replace=False)
        return _with(s, setup={key: (s.interrupters[a], s.interrupters[b])})

    return make


def _of(**tables: Any) -> Callable[[Scenario, Rng], Scenario]:
    return lambda s, rng: _with(s, **tables)


def _sampled(khz: int) -> Callable[[Scenario, Rng], Scenario]:
    return lambda s, rng: _rate(s, float(khz))


def _slow(s: Scenario, rng: Rng) -> Scenario:
    s = _rate(_with(s, motion={"open_speed_m_s": 0.02, "stroke_mm": 80.0}), 5.0)
    return _with(s, poles=("A",), interrupters_per_pole=3, sequence="O", commands_ms=(200.0,), length_ms=4600.0)


def _limited(s: Scenario, rng: Rng) -> Scenario:
    # Leads that take the whole limit at 0.8 of the current that is asked for: the source never regulates.
    amps, limit = s.injection.current_a, rng.uniform(2.0, 4.0)
    return _with(s, injection={"limit_v": limit, "lead_mohm": 1e3 * limit / (0.8 * amps), "droop_rel": 0.3})


def _sensors(s: Scenario, rng: Rng) -> Scenario:
    # Two poles that move alike would not show it: one is slower to release.
    return _with(s, poles=("A", "B", "C"), interrupters_per_pole=1, setup={"sensors_exchanged": ("A", "B")})


#: Name of a condition -> what it makes of an ordinary scenario.
CONDITIONS: dict[str, Callable[[Scenario, Rng], Scenario]] = {
    "ordinary": lambda s, rng: s,
    "both_ends_earthed": lambda s, rng: _with(s, injection={"earth_loop_mohm": rng.uniform(3.0, 8.0)}),
    "series_injection": _of(injection={"series": True, "limit_v": 20.0}),
    "clipped": lambda s, rng: _with(s, chain={"voltage_range_v": rng.uniform(0.3, 1.0)}),
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
    "rotary": lambda s, rng: _with(s, chain={"travel": "rotary", "travel_sign": _one(rng, -1, 1)}),
    "linear_reversed": _of(chain={"travel_sign": -1}),
    "no_travel": _of(chain={"travel": "none"}),
    "20_to_100_a": lambda s, rng: _amps(s, float(np.exp(rng.uniform(np.log(20.0), np.log(100.0))))),
    "400_to_1000_a": lambda s, rng: _amps(s, rng.uniform(400.0, 1000.0)),
    "slow": _slow,
    "bouncing": lambda s, rng: _with(_sequence(s, "C"), contact={"bounces": 3}),
    "missing_arcing": _fault("missing_arcing"),
    "arcing_first": _fault("arcing_first"),
    "short_wipe": _fault("short_wipe", 2.0, 10.0),
    "worn_wipe": _fault("worn", 6.0, 14.0),
    "misadjusted": _fault("misadjusted", -4.0, 4.0),
    "high_main": _fault("high_main", 1.5, 3.0),
    "part_separations": _fault("spikes", 3.0, 8.0),
    "worn_40_uohm": lambda s, rng: _with(
        s,
        contact={"arcing_resistance_uohm": s.contact.main_resistance_uohm + 40.0, "arcing_roughness_rel": 0.10},
    ),
    "fluctuation_15": _of(contact={"arcing_roughness_rel": 0.15}),
    "voltage_leads_exchanged": _pair("leads_exchanged"),
    "currents_exchanged": _pair("currents_exchanged"),
    "lead_off": _setup("lead_off"),
    "reversed": _setup("reversed"),
    "coil_transient": lambda s, rng: _with(s, chain={"coil_coupling_mv": rng.uniform(10.0, 100.0)}),
    "loose_clamp": lambda s, rng: _with(_setup("loose_clamp")(s, rng), setup={"loose_uohm": rng.uniform(20.0, 200.0)}),
    "current_a_tenth": _setup("scaled", scale_factor=0.1),
    "current_tenfold": lambda s, rng: _with(_setup("scaled")(s, rng), chain={"current_range_a": 5e3}),
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
    return name, CONDITIONS[name](ordinary(rng), rng)
