"""Share of simulated cases in which each figure of mechanism, coil, motor and contact lies within its uncertainty.

Run by hand: ``nice python -P benchmarks/mechanism_figures.py [CASES]``. The truth comes from the simulator's equations
of motion, coil and motor; the instrument's errors are drawn for each case from what the breaker file states.
"""

from __future__ import annotations

import math
import sys
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from drm.breaker import Breaker, Damping, Instrument, Interrupter, Mechanism, SpeedZone, TravelSensor
from drm.breaker_times import contact_of, frame, timing_rows
from drm.mechanisms import mechanism_table
from drm.operations import find_operations
from drm.quantity import NOTHING
from drm.record import Channel, Record
from drm.synthetic import coil, mechanism, motor
from drm.synthetic.scenario import Motion, Motor
from drm.travel import travel_of

RATE_HZ, STROKE_MM = 20e3, 160.0
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
    t = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
    command = 0.05 + rng.uniform(0.0, 1.0) / RATE_HZ
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
    contact_s = begins + first(1e3 * path[:, 0], grid, contact, True)
    cut_s = begins + first(1e3 * path[:, 0], grid, 0.55 * STROKE_MM, True)
    i = np.interp(t - command, fine, run.current_a, left=0.0)
    level = float(np.interp(cut_s - command, fine, run.current_a))
    decay = rng.choice([4e-4, 3e-3])
    i = np.where(t > cut_s, level * np.exp(-np.maximum(t - cut_s, 0.0) / decay), i)
    v = np.where((t >= command) & (t <= cut_s), volts, 0.0)
    # Motor.
    drive = Motor() if "charging_s" in Motor.__dataclass_fields__ else None
    charge = motor.charge(replace(drive, charging_s=0.15))
    m_from = 0.12 + rng.uniform(0.0, 1.0) / RATE_HZ
    m_time = np.arange(charge.current_a.size) * motor.STEP_S
    m_on = (t >= m_from) & (t <= m_from + charge.duration_s)
    m_a = np.where(m_on, np.interp(t - m_from, m_time, charge.current_a, left=0.0, right=0.0), 0.0)
    # Instrument: gains, offsets, noise, steps.
    gain = lambda rel: 1.0 + rel * rng.standard_normal()  # noqa: E731
    g_i, g_v, g_m, g_mv, g_x = (
        gain(r) for r in (inst.current_gain_rel, inst.voltage_gain_rel) * 2 + (inst.travel_rel,)
    )
    step = 0.05
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
        Channel("TC", "A", g_i * (i if opening else 0.0 * i) + 0.005 * rng.standard_normal(t.size)),
        Channel("CC", "A", g_i * (0.0 * i if opening else i) + 0.005 * rng.standard_normal(t.size)),
        Channel("V", "V", g_v * v + 0.05 * rng.standard_normal(t.size)),
        Channel("X", "mm", mm),
        Channel("a", "", aux_a.astype(float), digital=True),
        Channel("M", "A", g_m * m_a + 0.02 * rng.standard_normal(t.size)),
        Channel("MV", "V", np.where(m_on, g_mv * drive.supply_v, 0.0)),
        Channel("S", "", state.astype(float), digital=True),
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
        (Interrupter("A1", "A", 1, "A", state="S", resistor_state="RS"),),
    )
    steady = charge.current_a[int(0.3 * charge.current_a.size) : int(0.9 * charge.current_a.size)]
    truth |= {
        "motion_start_ms": 1e3 * (begins - command),
        "coil_onset_s": command,
        "coil_peak_a": float(run.current_a[fine <= cut_s - command].max()),
        "armature_start_ms": 1e3 * run.start_s,
        "armature_stop_ms": 1e3 * run.stop_s,
        "coil_plateau_a": level,
        "coil_voltage_v": volts,
        "coil_resistance_ohm": volts / amps,
        "coil_cut_ms": 1e3 * (cut_s - command),
        "auxiliary_a_ms": 1e3 * (cut_s - command),
        "auxiliary_a_after_contact_ms": 1e3 * (cut_s - contact_s),
        "motor_peak_a": charge.inrush_a,
        "motor_running_a": float(steady.mean()),
        "motor_duration_s": charge.duration_s,
        "motor_energy_j": drive.supply_v * float(charge.current_a.sum()) * motor.STEP_S,
    }
    if not opening:
        truth["auxiliary_a_settled_ms"] = 1e3 * (cut_s + 1e-3 + bounce - command)
    timing = {("opening_time_ms" if opening else "closing_time_ms"): 1e3 * (contact_s - command)}
    if not opening:
        timing |= {
            "bounce_ms": 1.5 + 1e3 * bounce,
            "resistor_insertion_ms": 1e3 * (insert_s - command),
            "resistor_duration_ms": 1e3 * (contact_s - insert_s),
        }
    return Record("bench", "bench.cfg", t, tuple(channels)), b, truth, timing


def errors_of(seeds: Iterable[int], empty: dict[str, int] | None = None) -> dict[str, list[tuple[float, float]]]:
    """Column -> (error, standard uncertainty) of every case in which the figure was measured."""
    inside: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for n in seeds:
        rng = np.random.default_rng(n)
        for kind in ("open", "close"):
            record, b, truth, timing = case(kind, rng)
            ops = find_operations(record, b)
            travels = {"A": travel_of(record, b.mechanisms[0], ops, instrument=b.instrument)}
            contacts = {o.number: [contact_of(record, b.interrupters[0], o, NOTHING, gain_rel=0.005)] for o in ops}
            o = ops[0]
            known = contacts[1][0].at_s
            instants = {(1, "A"): [replace(known, value=1e3 * (known.value - o.reference_s["A"]), u=1e3 * known.u)]}
            row = mechanism_table(record, b, ops, travels, instants).iloc[0]
            unit = frame(timing_rows(record, b, ops, contacts, coil_u_s=20e-6)).query("scope == 'interrupter'").iloc[0]
            for source, where in ((truth, row), (timing, unit)):
                for column, value in source.items():
                    if math.isfinite(where[column]):
                        inside[f"{column} ({kind})"].append((where[column] - value, where[f"{column}_u"]))
                    elif empty is not None:
                        empty[f"{column} ({kind})"] += 1
    return inside


def main(cases: int) -> None:
    empty: dict[str, int] = defaultdict(int)
    inside = errors_of(range(cases), empty)
    print(
        f"{'figure':42s} {'n':>4s} {'empty':>5s} {'inside U':>8s} "
        f"{'mean error':>11s} {'rms error':>10s} {'median u':>10s}"
    )
    for column in sorted(inside):
        d, u = np.array(inside[column]).T
        share = float(np.mean(np.abs(d) <= 2.0 * u + 1e-12))
        print(
            f"{column:42s} {d.size:4d} {empty[column]:5d} {100 * share:7.1f}% {d.mean():11.4g} "
            f"{np.sqrt(np.mean(d**2)):10.3g} {np.median(u):10.3g}"
        )
    for column in sorted(set(empty) - set(inside)):
        print(f"{column:42s}    0 {empty[column]:5d}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
