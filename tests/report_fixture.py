"""An invented result for the tests of the report: three poles of four interrupters, one worn, one with a film."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from drm.breaker import Breaker, Interrupter, Mechanism, TravelSensor
from drm.findings import Finding
from drm.operations import Operation
from drm.pipeline import Reading, Result
from drm.quantity import Quantity
from drm.record import Record
from drm.zones import Zones

RATE_HZ = 20_000.0
STROKE_MM = 150.0


def breaker(*, poles: str = "ABC", units: int = 4, name: str = "Hollow bay Q7") -> Breaker:
    """A breaker with one mechanism per pole."""
    mechanisms = tuple(Mechanism(p, travel=TravelSensor(f"S_{p}", scale=1.0)) for p in poles)
    interrupters = tuple(
        Interrupter(f"{p}{k}", p, k, p, f"V_{p}{k}", f"I_{p}{k}") for p in poles for k in range(1, units + 1)
    )
    return Breaker(name, mechanisms, interrupters, serial="00-417", station="Training yard")


def reading(unit: Interrupter, operation: Operation, rng: np.random.Generator, *, travel: bool = True) -> Reading:
    """One trace with the zones that made it; C3 is worn, A2 has a film on its main contact."""
    t = np.arange(-5.0, 70.0, 1e3 / RATE_HZ)
    forth = STROKE_MM / (1 + np.exp(-(t - 32.0) / 3.6))
    s = forth if operation.kind == "open" else STROKE_MM - forth
    main_mm, wipe = 26.0 + rng.normal(0, 0.4), (9.0 if unit.name == "C3" else 19.0) + rng.normal(0, 0.5)
    main_r = (74.0 if unit.name == "A2" else 38.0) + rng.normal(0, 1.5)
    arc_r = (620.0 if unit.name == "C3" else 210.0) * np.exp(rng.normal(0, 0.06))
    r = main_r + (arc_r - main_r) / (1 + np.exp(-(s - main_mm) / 0.5))
    lively = np.convolve(rng.normal(0, 1, t.size), np.ones(12) / 12, mode="same")
    r = r * (1 + np.where(s > main_mm, 0.28, 0.02) * lively)
    r = np.where(s < main_mm + wipe, r, np.nan)
    order = np.argsort(s)
    at = [float(np.interp(v, s[order], t[order])) for v in (main_mm, main_mm + wipe)]
    zones = Zones(
        main_s=Quantity(0.1 + at[0] * 1e-3, 2e-5),
        commutation_s=Quantity(4e-4, 3e-5),
        arcing_s=Quantity(0.1 + at[1] * 1e-3, 4e-5),
        main_ohm=Quantity(main_r * 1e-6, 4e-7),
    )
    current = np.full(t.size, 200.0)
    return Reading(unit, operation, t, r * 200e-6, current, r, r, s if travel else None, zones)


def row(r: Reading) -> dict[str, Any]:
    """The features of a reading, as the pipeline would give them."""
    at = [(q.value - 0.1) * 1e3 for q in (r.zones.main_s, r.zones.arcing_s)]
    mm = [np.nan, np.nan] if r.travel_mm is None else [float(np.interp(v, r.time_ms, r.travel_mm)) for v in at]
    alone = r.resistance_uohm[(r.time_ms > min(at)) & (r.time_ms < max(at))]
    worn = r.interrupter.name == "C3"
    values = {
        "main_resistance_uohm": (r.zones.main_ohm.value * 1e6, 0.4),
        "main_contact_ms": (at[0], 0.02),
        "main_contact_mm": (mm[0], 0.25),
        "commutation_ms": (0.4, 0.03),
        "arcing_contact_ms": (at[1], 0.04),
        "arcing_contact_mm": (mm[1], 0.3),
        "arcing_wipe_mm": (abs(mm[1] - mm[0]), 0.33),
        "arcing_wipe_ms": (abs(at[1] - at[0]), 0.045),
        "arcing_resistance_uohm": (float(np.nanmedian(alone)), 6.0),
        "arcing_resistance_peak_uohm": (float(np.nanmax(alone)), 25.0),
        "arcing_area_uohm_mm": (float(np.nanmedian(alone)) * abs(mm[1] - mm[0]), 120.0),
        "parting_speed_m_s": (5.4, 0.08),
    }
    out: dict[str, Any] = {
        "record": "rec", "breaker": "b", "operation": r.operation.number, "kind": r.operation.kind,
        "pole": r.interrupter.pole, "interrupter": r.interrupter.name, "position": r.interrupter.position,
        "mechanism": r.interrupter.mechanism, "reference": "coil",
    }  # fmt: skip
    for key, (value, u) in values.items():
        out |= {key: value, f"{key}_u": u}
    why = "the current was unsteady in the arcing zone; arcing resistance is weak" if r.interrupter.name == "B4" else ""
    return out | {"quality": why, "sibling_score": 9.3 if worn else 0.8, "sibling_p": 2e-5 if worn else 0.9}


def mechanisms(b: Breaker, operations: tuple[Operation, ...]) -> pd.DataFrame:
    """One row per operation and mechanism."""
    rows = []
    for o in operations:
        for m in b.mechanisms:
            times = (
                {"opening_time_ms": 31.2, "opening_time_ms_u": 0.04} if o.kind == "open" else {"closing_time_ms": 32.9}
            )
            rows.append(
                {"record": "rec", "breaker": "b", "operation": o.number, "kind": o.kind, "mechanism": m.name}
                | {
                    "reference": "coil",
                    "stroke_mm": STROKE_MM,
                    "stroke_mm_u": 0.4,
                    "speed_m_s": 5.4,
                    "speed_m_s_u": 0.08,
                }
                | {"rebound_mm": 1.9, "coil_peak_a": 4.2, "auxiliary_a_ms": np.nan}
                | times
            )
    return pd.DataFrame(rows)


def findings() -> tuple[Finding, ...]:
    """One of each level that the scenario gives rise to."""
    return (
        Finding(
            code="short-arcing-wipe", level="inspect", subject="contact",
            message="C3 has an arcing wipe of 9.2 ± 0.7 mm where its siblings have 19.0 mm: shorter by half.",
            basis="its siblings in the same record; no limit in the breaker file",
            advice="Compare with the maker's least wipe; open the interrupter for inspection when that is not met.",
            interrupters=("C3",), operations=(1, 3),
            evidence={"arcing_wipe_mm": 9.2, "arcing_wipe_mm_u": 0.33, "siblings_median_mm": 19.0, "score": 9.3},
        ),
        Finding(
            code="main-resistance-high", level="watch", subject="contact",
            message="A2 has a main-contact resistance of 74 µΩ, 94 % above the lowest of its siblings.",
            basis="ANSI/NETA MTS: investigate a pole more than 50 % above the lowest",
            advice="Repeat after a few operations and with the clamps moved.",
            interrupters=("A2",), operations=(1,), evidence={"main_resistance_uohm": 74.0, "lowest_uohm": 37.1},
        ),
        Finding(
            code="unsteady-current", level="note", subject="setup", message="The current of B4 was unsteady.",
            basis="the record itself", advice="Check the injection leads.", interrupters=("B4",), operations=(1,),
        ),
    )  # fmt: skip


def result(
    *, travel: bool = True, kinds: tuple[str, ...] = ("open", "close", "open"), poles: str = "ABC", units: int = 4
) -> Result:
    """The whole invented result."""
    rng = np.random.default_rng(7)
    b = breaker(poles=poles, units=units)
    where, how = {m.name: 0.1 for m in b.mechanisms}, {m.name: "coil" for m in b.mechanisms}
    operations = tuple(
        Operation(i, "open" if k == "open" else "close", 0.0, 0.2, where, how) for i, k in enumerate(kinds, start=1)
    )
    readings = tuple(reading(u, o, rng, travel=travel) for o in operations for u in b.interrupters)
    record = Record(
        "yard-07",
        "yard-07.cfg",
        np.arange(10) / RATE_HZ,
        (),
        flags=("read as UTF-8",),
        sha256={"yard-07.cfg": "0" * 64},
    )
    names = {u.name for u in b.interrupters}
    kept = tuple(f for f in findings() if set(f.interrupters) <= names)
    frame = pd.DataFrame([row(r) for r in readings])
    provenance = {"version": "0.1.0", "settings": {"wavelet": "haar"}, "steps": ["read", "zones"]}
    return Result(record, b, operations, readings, frame, mechanisms(b, operations), kept, provenance)


def renamed(made: Result, hostile: str) -> Result:
    """The same result with every name replaced by `hostile` (a number keeps the interrupters apart)."""
    new = {u.name: f"{hostile}{i}" for i, u in enumerate(made.breaker.interrupters)}
    units = {u.name: replace(u, name=new[u.name], pole=hostile + u.pole) for u in made.breaker.interrupters}
    b = replace(made.breaker, name=hostile, serial=hostile, station=hostile, interrupters=tuple(units.values()))
    readings = tuple(replace(r, interrupter=units[r.interrupter.name]) for r in made.readings)
    frame = made.features.assign(interrupter=made.features["interrupter"].map(new), quality=hostile)
    found = tuple(
        replace(f, message=hostile, basis=hostile, advice=hostile, code=hostile, evidence={hostile: hostile})
        for f in made.findings
    )
    record = replace(made.record, name=hostile, flags=(hostile,), sha256={hostile: hostile})
    return replace(
        made, breaker=b, readings=readings, features=frame, findings=found, record=record,
        mechanisms=made.mechanisms.assign(mechanism=hostile), provenance={hostile: hostile},
    )  # fmt: skip
