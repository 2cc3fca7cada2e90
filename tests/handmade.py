"""Hand-made records: coils, travel, auxiliary contacts and an interrupter for each mechanism."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Breaker, Interrupter, Mechanism, TravelSensor
from drm.record import Channel, Record

FloatArray = NDArray[np.float64]
STROKE_MM, OVERTRAVEL_MM, CONTACT_MM = 120.0, 2.0, 50.0
#: From command to start of motion, and how long the motion takes, s.
LATENCY_S = {"open": 18e-3, "close": 40e-3}
DURATION_S = 24e-3


def breaker(names: str = "AB", **changes: object) -> Breaker:
    """Breaker with one mechanism and one interrupter for each letter; `changes` go to every mechanism."""
    mechanisms = tuple(
        Mechanism(n, TravelSensor(f"TRV_{n}", 1.0), f"TC_{n}", f"CC_{n}", None, {"a": f"a_{n}", "b": f"b_{n}"})
        for n in names
    )
    mechanisms = tuple(replace(m, **changes) for m in mechanisms)  # type: ignore[arg-type]
    return Breaker("Handmade", mechanisms, tuple(Interrupter(f"{n}1", n, 1, n, f"U_{n}", f"I_{n}") for n in names))


def path(u: FloatArray, start: float, stop: float) -> FloatArray:
    """Travel from `start` to `stop` over u = 0 ... 1: constant acceleration, constant speed, overtravel, rest."""
    ramp = np.where(u < 0.2, u**2 / 0.4, u - 0.1) / 0.9
    share = np.clip(np.where(u < 0, 0.0, np.where(u < 1.0, ramp, 1.0)), 0.0, 1.0)
    bump = np.where((u > 1.0) & (u < 1.4), OVERTRAVEL_MM * np.sin(np.pi * (u - 1.0) / 0.4), 0.0)
    return start + (stop - start) * share + np.sign(stop - start) * bump


def record(
    commands: list[tuple[str, float]],
    *,
    names: str = "AB",
    stop_s: float = 0.3,
    rate_hz: float = 20e3,
    spread_s: float = 0.0,
    duration_s: float = DURATION_S,
    step_mm: float = 0.05,
    noise: float = 1.0,
    seed: int = 0,
) -> Record:
    """Record of `commands` (kind, s); each further mechanism is commanded `spread_s` later."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, stop_s, 1.0 / rate_hz)
    channels: list[Channel] = []
    for k, name in enumerate(names):
        coils = {"open": np.zeros_like(t), "close": np.zeros_like(t)}
        mm = np.full_like(t, 0.0 if commands[0][0] == "open" else STROKE_MM)
        for kind, at in commands:
            on = at + k * spread_s
            # An exponential rise (L/R 8 ms) until the auxiliary contact cuts it off.
            pulse = (t >= on) & (t < on + 35e-3)
            coils[kind] += np.where(pulse, 4.0 * -np.expm1(-np.maximum(t - on, 0.0) / 8e-3), 0.0)
            begin, end = (0.0, STROKE_MM) if kind == "open" else (STROKE_MM, 0.0)
            moving = on + LATENCY_S[kind]
            after = t >= moving
            mm[after] = path((t[after] - moving) / duration_s, begin, end)
        closed = mm < CONTACT_MM
        amps = np.where(closed, 200.0, 0.0) + rng.normal(0.0, 0.1 * noise, t.size)
        volts = np.where(closed, 200.0 * 40e-6, 8.0) + rng.normal(0.0, 5e-4 * noise, t.size)
        step = np.round(mm / step_mm) * step_mm if step_mm else mm
        for kind, letter in (("open", "TC"), ("close", "CC")):
            channels.append(Channel(f"{letter}_{name}", "A", coils[kind] + rng.normal(0.0, 0.01 * noise, t.size)))
        channels += [
            Channel(f"TRV_{name}", "mm", step),
            Channel(f"U_{name}", "V", volts),
            Channel(f"I_{name}", "A", amps),
            Channel(f"a_{name}", "", (mm < 45.0).astype(np.float64), digital=True),
            Channel(f"b_{name}", "", (mm > 90.0).astype(np.float64), digital=True),
        ]
    return Record("handmade", "handmade.cfg", t, tuple(channels))


def changed(one: Record, prefix: str, change: object) -> Record:
    """The record with `change(samples)` in every channel whose name begins with `prefix`."""
    assert callable(change)
    return replace(
        one,
        channels=tuple(replace(c, samples=change(c.samples)) if c.name.startswith(prefix) else c for c in one.channels),
    )
