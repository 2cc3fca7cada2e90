"""How often two healthy tests of one simulated breaker are called changed, and how often a real change is named.

Run by hand: ``nice python -P benchmarks/reference_pairs.py [BREAKERS] [FIRST]``. Every breaker is tested four times and
each test compared with every later one, six pairs; a fifth test with all of `CHANGES` is compared with the first. A
test is three records, an opening and closing, a closing with the motor charging and a static one, of three poles that
keep their own resistances, adjustments and design; from test to test the stated healthy scatter, temperature, supplies,
noise and the instrument's errors are drawn anew. All of it passes through the whole program, as ``--together`` does it.
"""

from __future__ import annotations

import math
import sys
from collections import Counter
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

import drm
from drm.breaker import Breaker, Conditions
from drm.reference import TABLES, Reference
from drm.reference_whole import compared
from drm.rules.context import Context
from drm.rules.reference import since_then
from drm.siblings import compare
from drm.synthetic import simulate
from drm.synthetic.scenario import Auxiliary, Chain, Coil, Contact, Errors, Fault, Injection, Motion, Motor, Scenario

POLES = ("A", "B", "C")
#: What is changed on purpose, and the code that must say so.
CHANGES = {
    "speed -10 %": "reference.mechanism",
    "coil resistance +5 %": "reference.coil",
    "motor current +15 %": "reference.motor",
    "static +25 %": "reference.static-resistance-higher",
}
INSTRUMENT = Errors(
    voltage_gain_rel=0.002, current_gain_rel=0.005, voltage_offset_v=20e-6, skew_s=5e-6, travel_rel=0.005,
    linkage_mm=0.1,
)  # fmt: skip


@dataclass(frozen=True)
class Built:
    """What one breaker keeps from test to test, by interrupter or for all."""

    main: dict[str, float]
    shift_mm: dict[str, float]
    wipe_mm: dict[str, float]
    open_speed: float
    close_speed: float
    latch_ms: float
    coil_a: float
    motor_a: float


def build(rng: np.random.Generator) -> Built:
    names = [f"{p}1" for p in POLES]
    return Built(
        {n: math.exp(0.05 * rng.standard_normal()) for n in names},
        {n: 0.3 * float(rng.standard_normal()) for n in names},
        {n: 18.0 + 0.3 * float(rng.standard_normal()) for n in names},
        rng.uniform(5.0, 8.0),
        rng.uniform(3.0, 5.0),
        rng.uniform(10.0, 16.0),
        rng.uniform(1.5, 5.0),
        rng.uniform(4.0, 7.0),
    )


def records(b: Built, rng: np.random.Generator, *, change: str = "", healthy: float = 1.0) -> tuple[list, Breaker]:
    """One test of the breaker; `healthy` scales what moves from test to test, `change` names some of `CHANGES`."""

    def z(sd: float) -> float:
        return 1.0 + healthy * sd * float(rng.standard_normal())

    at_c = 20.0 + healthy * 5.0 * float(rng.standard_normal())
    warm = (234.5 + at_c) / 254.5
    pace = 0.9 if "speed -10 %" in change else 1.0
    supply, motor_supply = 110.0 * z(0.012), 110.0 * z(0.012)
    ohm = 110.0 / b.coil_a * z(0.003) * warm * (1.05 if "coil resistance +5 %" in change else 1.0)
    faults = []
    for n, main in b.main.items():
        worse = 1.25 if "static +25 %" in change and n == "B1" else 1.0
        faults.append(Fault(n, "high_main", main * z(0.03) * worse))
        faults.append(Fault(n, "misadjusted", b.shift_mm[n] + healthy * 0.2 * float(rng.standard_normal())))
        faults.append(Fault(n, "short_wipe", b.wipe_mm[n] + healthy * 0.15 * float(rng.standard_normal())))
    base = Scenario(
        poles=POLES,
        motion=Motion(
            open_speed_m_s=b.open_speed * pace, close_speed_m_s=b.close_speed * pace, open_latch_ms=b.latch_ms,
            close_latch_ms=b.latch_ms, scatter_rel=0.015 * healthy, coil_a=supply / ohm,
        ),
        coil=Coil(armature=True, supply_v=supply, voltage_recorded=True),
        auxiliary=Auxiliary(),
        contact=Contact(
            main_scatter_rel=0.0, arcing_scatter_rel=0.02, main_parting_scatter_mm=0.0, wipe_scatter_mm=0.0,
            arcing_resistance_uohm=250.0 * z(0.05), temperature_c=at_c,
        ),
        chain=Chain(sample_rate_hz=10e3, oversampling=4, filter_hz=4e3),
        errors=INSTRUMENT,
        faults=tuple(faults),
    )  # fmt: skip
    motor = Motor(
        recorded=True, voltage_recorded=True, start_ms=150.0, charging_s=0.5 * z(0.02), supply_v=motor_supply,
        running_a=b.motor_a * z(0.02) * (1.15 if "motor current +15 %" in change else 1.0),
    )  # fmt: skip
    three = (
        replace(base, name="first", sequence="OC", commands_ms=(50.0, 300.0), length_ms=500.0),
        replace(base, name="charging", sequence="C", length_ms=900.0, motor=motor),
        replace(
            base, name="static", sequence="", commands_ms=(), length_ms=1000.0,
            injection=Injection(on_ms=150.0, off_ms=850.0),
            chain=Chain(sample_rate_hz=5e3, oversampling=2, filter_hz=2e3),
        ),
    )  # fmt: skip
    made = [simulate(s, rng=rng) for s in three]
    told = made[0].breaker
    mechanisms = tuple(replace(m, motor=f"M_{m.name}", motor_voltage=f"UM_{m.name}") for m in told.mechanisms)
    stated = Conditions(ambient_c=at_c + 0.7 * float(rng.standard_normal()))
    breaker = replace(told, name="one", mechanisms=mechanisms, conditions=stated)
    return [m.record for m in made], breaker


def as_reference(result: drm.Result) -> Reference:
    """What ``load_reference`` would read of it."""
    have = {"mechanisms": result.mechanisms, "timing": result.timing, "static": result.static}
    have |= {"pick_up": result.pick_up, "motors": result.motors, "travel": result.curves}
    tables = {k: v for k, v in have.items() if k in TABLES and v is not None}
    return Reference("then", result.features, result.provenance, "", tables)


def pair(seed: int, *, change: str = "") -> drm.Result:
    """The second of two tests, compared with the first."""
    rng = np.random.default_rng([2024, seed])
    b = build(rng)
    first = drm.diagnose(*records(b, rng))
    now, breaker = records(b, rng, change=change)
    return drm.diagnose(now, breaker, reference=as_reference(first))


def said(result: drm.Result) -> list[str]:
    return [f.code for f in result.findings if f.code.startswith("reference.") and f.level != "note"]


def between(now: drm.Result, then: drm.Result) -> list[str]:
    """Codes of what changed from one test to another."""
    tables = as_reference(now).tables
    earlier = as_reference(then)
    since = compared(now.features, tables, earlier, now.breaker)
    facts = {"reference": earlier, "since": since}
    context = Context(now.features, now.mechanisms, compare(now.features), now.breaker, (), facts)
    return [f.code for f in since_then(context) if f.level != "note"]


def main() -> None:
    breakers = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    pairs = named = 0
    codes: Counter[str] = Counter()
    seen: Counter[str] = Counter()
    for seed in range(first, first + breakers):
        rng = np.random.default_rng([2024, seed])
        b = build(rng)
        tests = [drm.diagnose(*records(b, rng)) for _ in range(4)]
        for then, now in combinations(tests, 2):
            found = between(now, then)
            pairs, named = pairs + 1, named + bool(found)
            codes.update(found)
        found = between(drm.diagnose(*records(b, rng, change=", ".join(CHANGES))), tests[0])
        seen.update(c for c, wanted in CHANGES.items() if wanted in found)
        done = seed - first + 1
        print(f"{done} breakers: {named} of {pairs} healthy pairs named, {dict(codes)}; of {done} changed {dict(seen)}")


if __name__ == "__main__":
    main()
