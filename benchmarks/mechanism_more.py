"""More cases of the benchmark of the mechanism's figures: sequences, envelopes, a resistor's value, alternating motors.

Truth and errors are drawn as in `mechanism_cases`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from mechanism_cases import NOISES_A, RATES_HZ, STEPS_MM, STROKE_MM, first

from drm.breaker import Breaker, Instrument, Interrupter, Mechanism, TravelSensor
from drm.envelope import Curve
from drm.mechanical import mechanical
from drm.motor import motor_runs
from drm.operations import find_operations
from drm.quantity import Quantity
from drm.record import Channel, Record
from drm.resistor import insertion
from drm.synthetic import mechanism, motor
from drm.synthetic.scenario import Motion, Motor
from drm.travel import travel_of

#: Told of each figure: its truth by column, the row in which it stands, and what it is called.
Note = Callable[[dict[str, float], Any, str], None]
#: Travel at which contacts part and touch, mm; two poles of two interrupters lie a little about it.
CONTACT_MM = 42.0
UNITS = (("A1", "A"), ("A2", "A"), ("B1", "B"), ("B2", "B"))


def path_of(opening: bool, pace: float) -> tuple[np.ndarray, np.ndarray]:
    """Time (s) and way (mm) of one motion on the simulator's grid."""
    path = mechanism.stroke(mechanism.drive_for(Motion(stroke_mm=STROKE_MM), opening, CONTACT_MM, pace), 0.2)
    return np.arange(path.shape[0]) * mechanism.STEP_S, 1e3 * path[:, 0]


def passed(grid: np.ndarray, way: np.ndarray, opening: bool, travel_mm: float) -> float:
    """When a motion passes a travel from the closed position, s from its start."""
    return first(way, grid, travel_mm if opening else STROKE_MM - travel_mm, True)


def sequence_case(rng: np.random.Generator, note: Note) -> None:
    """Opening and closing, or closing and opening, of two poles: with the coils, and without."""
    inst = Instrument()
    rate, noise, step = (float(rng.choice(v)) for v in (RATES_HZ, NOISES_A, STEPS_MM))
    t = np.arange(round(0.6 * rate)) / rate
    kinds = ("open", "close") if rng.random() < 0.5 else ("close", "open")
    mm = np.full(t.size, 0.0 if kinds[0] == "open" else STROKE_MM)
    states = {name: np.full(t.size, kinds[0] == "open") for name, _ in UNITS}
    aux = np.full(t.size, kinds[0] == "open")
    coils = {"open": np.zeros(t.size), "close": np.zeros(t.size)}
    ops, curves = [], {}
    for n, kind in enumerate(kinds):
        opening = kind == "open"
        command = 0.05 + 0.25 * n + rng.uniform(0.0, 1.0) / rate
        latch, pace = rng.uniform(0.01, 0.02), rng.uniform(4.0, 8.0) if opening else rng.uniform(3.0, 5.0)
        begins = command + latch
        grid, way = path_of(opening, pace)
        now = np.interp(t - begins, grid, way)
        mm = np.where(t >= begins, now if opening else STROKE_MM - now, mm)
        at = {name: begins + passed(grid, way, opening, CONTACT_MM + rng.uniform(-1.5, 1.5)) for name, _ in UNITS}
        for name, instant in at.items():
            states[name] = np.where(t >= instant, not opening, states[name])
        cut = begins + first(way, grid, 0.55 * STROKE_MM, True)
        aux = np.where(t >= cut, not opening, aux)
        coils[kind] = mechanism.coil(t, command, latch, cut, rng.uniform(2.0, 6.0))
        # An earlier test's curve, a little faster or slower and with another latch.
        rg, rw = path_of(opening, pace * rng.uniform(0.93, 1.07))
        latched = rng.uniform(0.01, 0.02)
        ms = np.arange(0.0, 150.0, 0.25)
        there = np.interp(1e-3 * ms - latched, rg, rw)
        known = rng.random() < 0.5
        ref = Curve(
            kind,
            ms,
            there if opening else STROKE_MM - there,
            1e3 * (latched + passed(rg, rw, opening, CONTACT_MM)) if known else math.nan,
        )
        curves["A", kind, "" if n == 0 else "O" if kinds[0] == "open" else "C"] = ref
        ops.append((kind, command, begins, at, cut, envelope_truth(ref, grid, way, command, begins, max(at.values()))))
    gain = 1.0 + inst.travel_rel * rng.standard_normal()
    channels = (
        Channel("TC", "A", coils["open"] + noise * rng.standard_normal(t.size)),
        Channel("CC", "A", coils["close"] + noise * rng.standard_normal(t.size)),
        Channel("X", "mm", step * np.round((gain * mm + rng.uniform(-5, 5)) / step)),
        Channel("a", "", aux.astype(float), digital=True),
        *(Channel(f"S_{name}", "", s.astype(float), digital=True) for name, s in states.items()),
    )
    record = Record("bench", "bench.cfg", t, channels)
    with_coil = Mechanism("A", TravelSensor("X", 1.0), "TC", "CC", None, {"a": "a"})
    units = tuple(Interrupter(n, p, k + 1, "A", state=f"S_{n}") for k, (n, p) in enumerate(UNITS))
    b = Breaker("bench", (with_coil,), units)
    sequence_notes(record, b, ops, curves, note)
    without_coil(record, replace(b, mechanisms=(replace(with_coil, trip_coil=None, close_coil=None),)), ops, note)


def envelope_truth(
    ref: Curve, grid: np.ndarray, way: np.ndarray, command: float, begins: float, contact: float
) -> dict[str, float]:
    """Greatest departures of the exact motion from its reference."""
    opening, known = ref.kind == "open", math.isfinite(ref.contact_ms)
    ms = ref.time_ms + (1e3 * (contact - command) - ref.contact_ms if known else 0.0)
    inside = ms >= 0.0
    if known:
        inside &= (ms >= 1e3 * (contact - command)) if opening else (ms <= 1e3 * (contact - command))
    now = np.interp(1e-3 * ms[inside] - (begins - command), grid, way)
    away = 100.0 / ref.total_mm * ((now if opening else STROKE_MM - now) - ref.travel_mm[inside])
    return {
        "envelope_above_percent": max(0.0, float(away.max())),
        "envelope_below_percent": max(0.0, -float(away.min())),
    }


def sequence_notes(record: Record, b: Breaker, ops: list[Any], curves: dict[Any, Curve], note: Note) -> None:
    """Times of breaker and poles, between the two operations, and envelopes."""
    found = find_operations(record, b)
    got = mechanical(
        record, b, found, {"A": travel_of(record, b.mechanisms[0], found, instrument=b.instrument)}, [], curves=curves
    )
    rows = got.timing.to_dict("records")
    poles: list[dict[str, float]] = []
    for n, (kind, command, _, at, _, envelope) in enumerate(ops):
        poles.append({p: max(at[name] for name, q in UNITS if q == p) for p in ("A", "B")})
        for scope, mine in (("breaker", poles[-1]), ("pole", {name: at[name] for name, p in UNITS if p == "A"})):
            row = next(r for r in rows if r["operation"] == n + 1 and r["scope"] == scope)
            low, high = min(mine.values()), max(mine.values())
            truth = {
                "opening_time_ms" if kind == "open" else "closing_time_ms": 1e3 * (high - command),
                "first_ms": 1e3 * (low - command),
                "last_ms": 1e3 * (high - command),
                "spread_ms": 1e3 * (high - low),
            }
            note(truth, row, f" ({scope}, {kind})")
            if n == 1 and scope == "breaker":
                before = poles[0].values()
                gap = (
                    {"open_close_time_ms": 1e3 * (low - max(before))}
                    if kind == "close"
                    else {"close_open_time_ms": 1e3 * (high - min(before))}
                )
                note(gap, row, f" ({kind})")
        laid = "at the contact" if math.isfinite(curves["A", kind, "OC"[ops[0][0] == "close"] * n].contact_ms) else ""
        note(envelope, got.mechanisms.iloc[n].to_dict(), f" ({laid or 'at the command'}, {kind})")


def without_coil(record: Record, b: Breaker, ops: list[Any], note: Note) -> None:
    """Times that count from the start of motion."""
    found = find_operations(record, b)
    got = mechanical(record, b, found, {"A": travel_of(record, b.mechanisms[0], found, instrument=b.instrument)}, [])
    for n, (kind, _, begins, at, cut, _) in enumerate(ops):
        truth = {
            "opening_time_ms" if kind == "open" else "closing_time_ms": 1e3 * (max(at.values()) - begins),
            "auxiliary_a_ms": 1e3 * (cut - begins),
        }
        note(truth, got.mechanisms.iloc[n].to_dict(), f" (from motion, {kind})")


def resistor_case(rng: np.random.Generator, note: Note) -> None:
    """A pre-insertion resistor that only voltage and current show: 24 V behind 50 ohm."""
    inst, rate = Instrument(), float(rng.choice(RATES_HZ))
    t = np.arange(round(0.1 * rate)) / rate
    ohm, at = rng.uniform(400.0, 1500.0), 0.04 + rng.uniform(0.0, 1.0) / rate
    touch = at + rng.uniform(6e-3, 12e-3)
    path = np.where(t < at, np.inf, np.where(t < touch, ohm, 50e-6))
    amps = 24.0 / (50.0 + path)
    volts = 24.0 - 50.0 * amps
    g_v, g_i = (1.0 + r * rng.standard_normal() for r in (inst.voltage_gain_rel, inst.current_gain_rel))
    noise = float(rng.choice([1e-4, 1e-3]))
    channels = (
        Channel("U", "V", g_v * volts + 0.01 * rng.standard_normal(t.size)),
        Channel("I", "A", g_i * amps + 1e-3 * rng.standard_normal() + noise * rng.standard_normal(t.size)),
    )
    unit = Interrupter("A1", "A", 1, "A", "U", "I")
    # The touch as a state channel would tell it.
    k = int(np.searchsorted(t, touch))
    told = Quantity(float(t[k]) - 0.5 / rate, 1.0 / rate / math.sqrt(12.0))
    rel = math.hypot(inst.voltage_gain_rel, inst.current_gain_rel)
    got = insertion(Record("bench", "bench.cfg", t, channels), unit, 0.0, told, gain_rel=rel)
    row = {
        "sample_ms": 1e3 / rate,
        "resistor_ohm": got.ohm.value,
        "resistor_ohm_u": got.ohm.u,
        "resistor_duration_ms": got.duration_ms.value,
        "resistor_duration_ms_u": got.duration_ms.u,
    }
    note({"resistor_ohm": ohm, "resistor_duration_ms": 1e3 * (touch - at)}, row, " (by voltage and current)")


def alternating_case(rng: np.random.Generator, note: Note) -> None:
    """A motor on alternating voltage: the direct one's current as the amplitude."""
    inst, rate, hertz = Instrument(), float(rng.choice(RATES_HZ)), float(rng.choice([50.0, 60.0]))
    t = np.arange(round(0.7 * rate)) / rate
    run = motor.charge(replace(Motor(), charging_s=rng.uniform(0.25, 0.35)))
    begin, phase, lag = 0.1 + rng.uniform(0.0, 20e-3), rng.uniform(0.0, 2.0 * np.pi), rng.uniform(0.2, 0.8)
    grid = np.arange(run.current_a.size) * motor.STEP_S

    def exact(s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        on = (s >= begin) & (s <= begin + run.duration_s)
        amplitude = math.sqrt(2.0) * np.interp(s - begin, grid, run.current_a)
        turn = 2.0 * np.pi * hertz * s + phase
        return np.where(on, amplitude * np.sin(turn - lag), 0.0), np.where(on, 325.0 * np.sin(turn), 0.0)

    amps, volts = exact(t)
    g_i, g_v = (1.0 + r * rng.standard_normal() for r in (inst.current_gain_rel, inst.voltage_gain_rel))
    channels = (
        Channel("M", "A", g_i * amps + 0.02 * rng.standard_normal(t.size)),
        Channel("MV", "V", g_v * volts + 0.1 * rng.standard_normal(t.size)),
    )
    runs = motor_runs(Record("bench", "bench.cfg", t, channels), "M", voltage="MV")
    fine = np.arange(begin, begin + run.duration_s, 1e-6)
    i, v = exact(fine)
    steady = i[int(0.3 * fine.size) : int(0.9 * fine.size)]
    truth = {
        "motor_peak_a": float(np.abs(i).max()),
        "motor_running_a": float(np.sqrt(np.mean(steady**2))),
        "motor_duration_s": run.duration_s,
        "motor_energy_j": abs(float(np.sum(i * v))) * 1e-6,
    }
    got = runs[0] if len(runs) == 1 else None
    row: dict[str, float] = {"sample_ms": 1e3 / rate}
    for column in truth:
        q = getattr(got, column.removeprefix("motor_")) if got is not None else Quantity()
        row |= {column: q.value, f"{column}_u": q.u}
    note(truth, row, " (alternating)")
