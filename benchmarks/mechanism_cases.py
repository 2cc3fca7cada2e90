"""Cases of the benchmark of the mechanism's figures: records of one operation, and their truth by column.

The truth comes from the simulator's equations of motion, coil and motor. Every error that the breaker file states of
the instrument is drawn for each case at that size, besides noise, the steps of the encoder and the sampling.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from drm.breaker import Breaker, Conditions, Damping, Instrument, Interrupter, Mechanism, SpeedZone, TravelSensor
from drm.pickup import Attempt
from drm.quantity import Quantity
from drm.record import Channel, Record
from drm.synthetic import coil, mechanism, motor
from drm.synthetic.scenario import Motion, Motor

STROKE_MM = 160.0
#: Drawn for each case: sampling rate, standard deviation of a coil current's noise, step of the encoder.
RATES_HZ, NOISES_A, STEPS_MM = (10e3, 20e3), (0.002, 0.005, 0.02), (0.02, 0.05, 0.1)
ZONES = (SpeedZone("open", 30.0, 90.0), SpeedZone("close", 120.0, None, 8.0))
DAMPER_MM = 16.0


def first(x: np.ndarray, t: np.ndarray, level: float, up: bool) -> float:
    """First instant at which `x` passes `level`, between the samples of a fine grid."""
    over = np.flatnonzero(x >= level if up else x <= level)
    k = int(over[0])
    return float(t[k - 1] + (level - x[k - 1]) / (x[k] - x[k - 1]) * (t[k] - t[k - 1]))


def way_truth(t: np.ndarray, x: np.ndarray, v: np.ndarray, kind: str) -> dict[str, float]:
    """Figures of the motion from its exact way (mm) and speed (m/s) over a fine grid."""
    beyond = x - STROKE_MM
    peak = int(np.argmax(beyond))
    zone = next(z for z in ZONES if z.kind == kind)
    begin = zone.from_mm if kind == "open" else STROKE_MM - zone.from_mm
    t1 = first(x, t, begin, True)
    if zone.to_mm is not None:
        end = zone.to_mm if kind == "open" else STROKE_MM - zone.to_mm
        pace = (end - begin) / (first(x, t, end, True) - t1) * 1e-3
    else:
        pace = (float(np.interp(t1 + 1e-3 * zone.for_ms, t, x)) - begin) / zone.for_ms
    entry, end_at = first(x, t, STROKE_MM - DAMPER_MM, True), first(x, t, 0.99 * STROKE_MM, True)
    off = np.flatnonzero(np.abs(beyond) > 0.01 * STROKE_MM)
    return {
        "stroke_mm": STROKE_MM,
        "overtravel_mm": max(0.0, float(beyond[peak])),
        "rebound_mm": max(0.0, -float(beyond[peak:].min())),
        "speed_m_s": pace,
        "speed_max_m_s": float(v.max()),
        "damping_entry_m_s": 0.5 * float(np.interp(entry, t, x) - np.interp(entry - 2e-3, t, x)),
        "damping_end_m_s": 0.5 * float(np.interp(end_at, t, x) - np.interp(end_at - 2e-3, t, x)),
        "damping_time_ms": 1e3 * (float(t[off[-1]]) - entry),
    }


def case(kind: str, rng: np.random.Generator) -> tuple[Record, Breaker, dict[str, float], dict[str, float]]:
    """One operation of one mechanism with everything recorded; its truth by column of `mechanisms` and of `timing`."""
    inst = Instrument()
    opening = kind == "open"
    rate, noise, step = (float(rng.choice(v)) for v in (RATES_HZ, NOISES_A, STEPS_MM))
    t = np.arange(round(0.4 * rate)) / rate
    command = 0.05 + rng.uniform(0.0, 1.0) / rate
    # Coil.
    volts, amps, hit = 110.0 * rng.uniform(0.8, 1.05), rng.uniform(2.0, 6.0), rng.uniform(8e-3, 14e-3)
    release = coil.release_for(volts, amps, hit)
    run = coil.run(release, 0.1)
    fine = np.arange(run.current_a.size) * coil.STEP_S
    # Motion.
    motion = Motion(stroke_mm=STROKE_MM)
    pace = rng.uniform(4.0, 8.0) if opening else rng.uniform(3.0, 5.0)
    path = mechanism.stroke(mechanism.drive_for(motion, opening, 42.0, pace), 0.3)
    grid = np.arange(path.shape[0]) * mechanism.STEP_S
    begins = command + run.stop_s + 2e-3
    way = np.interp(t - begins, grid, 1e3 * path[:, 0], left=0.0)
    contact = 42.0 if opening else STROKE_MM - 42.0
    truth = way_truth(grid, 1e3 * path[:, 0], path[:, 1], kind)
    # A second contact, set a little off the first.
    others = contact + rng.uniform(-1.0, 1.0)
    contact_s, other_s = (begins + first(1e3 * path[:, 0], grid, w, True) for w in (contact, others))
    passed_s = begins + first(1e3 * path[:, 0], grid, 0.5 * (contact + others), True)
    cut_s = begins + first(1e3 * path[:, 0], grid, 0.55 * STROKE_MM, True)
    i = np.interp(t - command, fine, run.current_a, left=0.0)
    level = float(np.interp(cut_s - command, fine, run.current_a))
    peak = float(run.current_a[fine <= cut_s - command].max())
    decay = rng.choice([4e-4, 3e-3])
    i = np.where(t > cut_s, level * np.exp(-np.maximum(t - cut_s, 0.0) / decay), i)
    v = np.where((t >= command) & (t <= cut_s), volts, 0.0)
    # Motor.
    drive = Motor() if "charging_s" in Motor.__dataclass_fields__ else None
    charge = motor.charge(replace(drive, charging_s=0.15))
    m_from = 0.12 + rng.uniform(0.0, 1.0) / rate
    m_time = np.arange(charge.current_a.size) * motor.STEP_S
    m_on = (t >= m_from) & (t <= m_from + charge.duration_s)
    m_a = np.where(m_on, np.interp(t - m_from, m_time, charge.current_a, left=0.0, right=0.0), 0.0)
    # Instrument: gains, offsets, noise, steps.
    gain = lambda rel: 1.0 + rel * rng.standard_normal()  # noqa: E731
    g_i, g_v, g_m, g_mv, g_x = (
        gain(r) for r in (inst.current_gain_rel, inst.voltage_gain_rel) * 2 + (inst.travel_rel,)
    )
    sign = 1.0 if opening else -1.0
    mm = (0.0 if opening else STROKE_MM) + sign * way
    mm = step * np.round((g_x * mm + rng.uniform(-5, 5)) / step)
    aux_a = (way < 0.55 * STROKE_MM) if opening else (way > 0.55 * STROKE_MM)
    bounce = 2e-3 * rng.uniform(0.7, 1.3)
    if not opening:
        gone = (t > cut_s + 1e-3) & (t < cut_s + 1e-3 + bounce)
        aux_a = aux_a & ~gone
    state = t < contact_s if opening else t >= contact_s
    close_bounce = (t >= contact_s + 1.5e-3) & (t < contact_s + 1.5e-3 + bounce)
    if not opening:
        state = state & ~close_bounce
    insert_s = contact_s - rng.uniform(6e-3, 12e-3)
    channels = [
        Channel("TC", "A", g_i * (i if opening else 0.0 * i) + noise * rng.standard_normal(t.size)),
        Channel("CC", "A", g_i * (0.0 * i if opening else i) + noise * rng.standard_normal(t.size)),
        Channel("V", "V", g_v * v + 0.05 * rng.standard_normal(t.size)),
        Channel("X", "mm", mm),
        Channel("a", "", aux_a.astype(float), digital=True),
        Channel("M", "A", g_m * m_a + 0.02 * rng.standard_normal(t.size)),
        Channel("MV", "V", np.where(m_on, g_mv * drive.supply_v, 0.0)),
        Channel("S", "", state.astype(float), digital=True),
        Channel("S2", "", (t < other_s if opening else t >= other_s).astype(float), digital=True),
        Channel("RS", "", (t >= insert_s).astype(float), digital=True),
    ]
    b = Breaker(
        "bench",
        (
            Mechanism(
                "A",
                TravelSensor("X", 1.0),
                "TC",
                "CC",
                "M",
                {"a": "a"},
                "V",
                "V",
                "MV",
                ZONES,
                Damping(DAMPER_MM, DAMPER_MM),
            ),
        ),
        (
            Interrupter("A1", "A", 1, "A", state="S", resistor_state="RS"),
            Interrupter("A2", "A", 2, "A", state="S2"),
        ),
    )
    steady = charge.current_a[int(0.3 * charge.current_a.size) : int(0.9 * charge.current_a.size)]
    truth |= {
        "motion_start_ms": 1e3 * (begins - command),
        "coil_onset_s": command,
        "coil_peak_a": peak,
        "armature_start_ms": 1e3 * run.start_s,
        "armature_stop_ms": 1e3 * run.stop_s,
        "coil_plateau_a": level,
        "coil_voltage_v": volts,
        "coil_resistance_ohm": volts / amps,
        "coil_cut_ms": 1e3 * (cut_s - command),
        "auxiliary_a_ms": 1e3 * (cut_s - command),
        "coil_duration_ms": 1e3 * (cut_s + decay * math.log(2.0 * level / peak) - command),
        "auxiliary_a_after_contact_ms": 1e3 * (cut_s - max(contact_s, other_s)),
        "motor_peak_a": charge.inrush_a,
        "motor_running_a": float(steady.mean()),
        "motor_duration_s": charge.duration_s,
        "motor_energy_j": drive.supply_v * float(charge.current_a.sum()) * motor.STEP_S,
    }
    if not opening:
        truth["auxiliary_a_settled_ms"] = 1e3 * (cut_s + 1e-3 + bounce - command)
    timed = "opening_time_ms" if opening else "closing_time_ms"
    truth[timed] = 1e3 * (max(contact_s, other_s) - command)
    timing = {
        timed: 1e3 * (contact_s - command),
        "spread_ms": 1e3 * abs(contact_s - other_s),
        "latch_ms": 1e3 * (begins - command),
        "run_ms": 1e3 * (passed_s - begins),
        "offset_ms": 1e3 * (contact_s - passed_s),
    }
    if not opening:
        timing |= {
            "bounce_ms": 1.5 + 1e3 * bounce,
            "resistor_insertion_ms": 1e3 * (insert_s - command),
            "resistor_duration_ms": 1e3 * (contact_s - insert_s),
        }
    return Record("bench", "bench.cfg", t, tuple(channels)), b, truth, timing


def static_case(rng: np.random.Generator) -> tuple[Record, Breaker, dict[str, float]]:
    """A closed contact under direct current, with or without a part in which none flows; its truth by column."""
    inst, stated_c, idle = Instrument(), 31.0, rng.random() < 0.5
    t = np.arange(round(0.6 * 20e3)) / 20e3
    amps, ohm = 100.0 * rng.uniform(0.9, 1.1), rng.uniform(25e-6, 60e-6)
    on = (t > 0.25) if idle else np.ones(t.size, dtype=bool)
    offset = inst.voltage_offset_v * rng.standard_normal()
    hum = 1e-4 * np.sin(2.0 * np.pi * 50.0 * t + rng.uniform(0.0, 6.28))
    volts = (1.0 + inst.voltage_gain_rel * rng.standard_normal()) * ohm * amps * on + offset + hum
    gain = 1.0 + inst.current_gain_rel * rng.standard_normal()
    channels = (
        Channel("U", "V", volts + 2e-4 * rng.standard_normal(t.size)),
        Channel("I", "A", gain * amps * on + 0.1 * rng.standard_normal(t.size)),
    )
    conditions = Conditions(ambient_c=stated_c)
    actual_c = stated_c + conditions.ambient_u_c * rng.standard_normal()
    b = Breaker(
        "bench", (Mechanism("A"),), (Interrupter("A1", "A", 1, "A", voltage="U", current="I"),), conditions=conditions
    )
    truth = {
        "static_resistance_uohm": 1e6 * ohm,
        # Copper: IEC 60028.
        "static_resistance_20c_uohm": 1e6 * ohm * 254.5 / (234.5 + actual_c),
        "static_current_a": amps,
    }
    return Record("bench", "bench.cfg", t, channels), b, truth


def pick_up_case(rng: np.random.Generator) -> tuple[list[Attempt], dict[str, float]]:
    """Commands at a voltage that falls in equal steps until the release refuses; what it needs, and the last steps."""
    rel = Instrument().voltage_gain_rel
    gain, needed = 1.0 + rel * rng.standard_normal(), rng.uniform(60.0, 75.0)
    step = rng.uniform(0.5, 5.0)
    level, attempts, least = 110.0 - step * rng.uniform(0.0, 1.0), [], math.nan
    while level >= needed:
        attempts.append(Attempt("A", "open", Quantity(gain * level, rel * gain * level), True))
        least, level = level, level - step
    attempts.append(Attempt("A", "open", Quantity(gain * level, rel * gain * level), False))
    return attempts, {"pick_up_v": needed, "least_v": least, "refused_v": level}
