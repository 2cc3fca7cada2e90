"""An ordinary test of an ordinary breaker, drawn at random about common practice."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from drm.breaker import Instrument
from drm.synthetic.scenario import Chain, Contact, Errors, Injection, Motion, Scenario

__all__ = ["ERRORS", "at_amps", "at_rate", "in_sequence", "one_of", "ordinary", "with_tables"]

Rng = np.random.Generator
#: A recorder's ranges of current, A.
RANGES_A = (50.0, 100.0, 250.0, 500.0, 1000.0, 2000.0)
#: From a command to rest and a little longer, ms.
LAST_MS = {"O": 160.0, "C": 220.0}
#: The instrument is as good as a breaker file assumes where it states nothing else.
ERRORS = Errors(**dataclasses.asdict(Instrument()))


def one_of(rng: Rng, *of: Any) -> Any:
    """One of several, each as likely."""
    return of[int(rng.integers(len(of)))]


def with_tables(s: Scenario, **tables: Any) -> Scenario:
    """`s` with some fields of some tables changed."""
    changed = {k: dataclasses.replace(getattr(s, k), **v) if isinstance(v, dict) else v for k, v in tables.items()}
    return dataclasses.replace(s, **changed)


def at_amps(s: Scenario, amps: float) -> Scenario:
    """The same at another current, on the recorder's range for it."""
    full = next(r for r in RANGES_A if r >= 1.2 * amps)
    return with_tables(
        s, injection={"current_a": amps}, chain={"current_range_a": full, "current_noise_a": 2e-4 * full}
    )


def at_rate(s: Scenario, khz: float) -> Scenario:
    """The same at another sampling rate, with the filter that goes with it."""
    fine = max(1, min(8, round(160.0 / khz)))
    return with_tables(s, chain={"sample_rate_hz": 1e3 * khz, "oversampling": fine, "filter_hz": 400.0 * khz})


def in_sequence(s: Scenario, sequence: str) -> Scenario:
    """The same with other operations, each left as long as it takes to come to rest."""
    begin, commands = 30.0, []
    for kind in sequence:
        commands.append(begin)
        begin += LAST_MS[kind]
    return dataclasses.replace(s, sequence=sequence, commands_ms=tuple(commands), length_ms=begin)


def ordinary(rng: Rng) -> Scenario:
    """A healthy breaker of three to six interrupters in one or two operations, tested as it should be."""
    poles = one_of(rng, "A", "A", "AB", "ABC")
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
    s = with_tables(s, errors=ERRORS, frequency_hz=one_of(rng, 50.0, 60.0))
    s = at_rate(at_amps(s, rng.uniform(100.0, 400.0)), one_of(rng, 10.0, 20.0, 20.0, 50.0))
    return in_sequence(s, one_of(rng, "O", "C", "OC"))
