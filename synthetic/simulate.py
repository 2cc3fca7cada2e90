"""From a scenario to a record, the breaker file's content, and the truth."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Breaker, Conditions, Interrupter, Mechanism, TravelSensor
from drm.record import Channel, Record
from drm.synthetic import chain, mechanism
from drm.synthetic.circuit import solve
from drm.synthetic.contacts import Unit, Way, unit_of, way_through
from drm.synthetic.scenario import Scenario

__all__ = ["Simulation", "Truth", "simulate"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Truth:
    """What is true of one interrupter in one operation, before any delay of the chain.

    `main_s`, `arcing_s` on the record's clock; `main_ms`, `arcing_ms` from the coil's onset
    (moved by a screw: from the start of motion).
    NaN where there is none.
    """

    interrupter: str
    pole: str
    operation: int
    kind: str
    command_s: float
    main_s: float
    arcing_s: float
    main_ms: float
    arcing_ms: float
    main_travel_mm: float
    arcing_travel_mm: float
    arcing_wipe_mm: float
    arcing_resistance_uohm: float
    main_resistance_uohm: float
    commutation_ms: float
    faults: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Simulation:
    """A record, the breaker that it is of, and its truth."""

    record: Record
    breaker: Breaker
    truth: tuple[Truth, ...]


@dataclass(frozen=True, eq=False)
class _Motion:
    """Travel of one mechanism over the record, and the operations' parts of it."""

    travel_mm: FloatArray
    parts: tuple[tuple[int, int], ...]
    coils: dict[str, FloatArray]


def _move(s: Scenario, fine: FloatArray, rng: np.random.Generator) -> _Motion:
    m, c = s.motion, s.contact
    contact_mm = c.main_parting_mm + c.arcing_wipe_mm
    bounds = [*(1e-3 * t for t in s.commands_ms), math.inf]
    travel = np.full(fine.size, 0.0 if s.sequence[0] == "O" else m.stroke_mm)
    coils = {"O": np.zeros(fine.size), "C": np.zeros(fine.size)}
    parts = []
    scatter = rng.standard_normal((2, 2)) * m.scatter_rel
    for kind, command, following in zip(s.sequence, bounds[:-1], bounds[1:], strict=True):
        opening = kind == "O"
        row = scatter[0 if opening else 1]
        latch = 1e-3 * (m.open_latch_ms if opening else m.close_latch_ms) * (1.0 + row[0])
        speed = (m.open_speed_m_s if opening else m.close_speed_m_s) * (1.0 + row[1])
        latch *= 0.0 if m.by_screw(kind) else 1.0
        latch *= 1.0 + 0.1 * m.scatter_rel * float(rng.standard_normal())
        a, b = int(np.searchsorted(fine, command)), int(np.searchsorted(fine, following))
        part = slice(a, b)
        x = mechanism.travel(m, opening, contact_mm, speed, command + latch, fine[part])
        travel[part] = x
        if b < fine.size:
            travel[b:] = x[-1]
        past = x > 0.45 * m.stroke_mm if opening else x < 0.55 * m.stroke_mm
        cut = float(fine[part][np.argmax(past)]) if bool(past.any()) else math.inf
        if not m.by_screw(kind):
            coils[kind] = coils[kind] + mechanism.coil(fine, command, latch, cut, m.coil_a)
        parts.append((a, b))
    return _Motion(travel, tuple(parts), coils)


def _truth(s: Scenario, name: str, unit: Unit, number: int, way: Way) -> Truth:
    kind, command = s.sequence[number], 1e-3 * s.commands_ms[number]
    at = unit.arcing_mm
    return Truth(
        interrupter=name,
        pole=name.rstrip("0123456789"),
        operation=number + 1,
        kind="open" if kind == "O" else "close",
        command_s=command,
        main_s=way.main_s,
        arcing_s=way.arcing_s,
        main_ms=1e3 * (way.main_s - command),
        arcing_ms=1e3 * (way.arcing_s - command),
        main_travel_mm=unit.main_mm,
        arcing_travel_mm=at,
        arcing_wipe_mm=at - unit.main_mm,
        arcing_resistance_uohm=1e6 * way.arcing_ohm,
        main_resistance_uohm=1e6 * unit.main_ohm,
        commutation_ms=1e3 * way.commutation_s,
        faults=unit.faults,
    )


def _contacts(
    s: Scenario, fine: FloatArray, motions: dict[str, _Motion], rng: np.random.Generator
) -> tuple[dict[str, FloatArray], dict[str, BoolArray], list[Truth]]:
    """Resistance and touch of each interrupter over the record, and the truth."""
    ohms, metals, truths = {}, {}, []
    for name, own in zip(s.interrupters, rng.spawn(len(s.interrupters)), strict=True):
        unit = unit_of(s.contact, [f for f in s.faults if f.interrupter == name], own)
        motion = motions[name.rstrip("0123456789")]
        ohm = np.full(fine.size, unit.main_ohm)
        metal = np.full(fine.size, s.sequence[0] == "O")
        for number, (a, b) in enumerate(motion.parts):
            opening = s.sequence[number] == "O"
            way = way_through(unit, s.contact, fine[a:b], motion.travel_mm[a:b], opening, s.injection.current_a, own)
            ohm[a:b], metal[a:b] = way.ohm, way.metal
            truths.append(_truth(s, name, unit, number, way))
        ohms[name], metals[name] = ohm, metal
    return ohms, metals, sorted(truths, key=lambda t: t.operation)


def simulate(scenario: Scenario, *, rng: np.random.Generator) -> Simulation:
    """Simulate one record.

    Parameters
    ----------
    scenario : Scenario
    rng : numpy.random.Generator
        The only source of chance: the same state gives the same record.

    Returns
    -------
    Simulation
        One :class:`Truth` for each interrupter and operation, in order of operation.
    """
    s, c = scenario, scenario.chain
    rate = c.sample_rate_hz * c.oversampling
    fine = np.arange(round(1e-3 * s.length_ms * rate)) / rate
    at = fine[:: c.oversampling]
    moving, touching, measuring = rng.spawn(3)
    motions = {p: _move(s, fine, r) for p, r in zip(s.poles, moving.spawn(len(s.poles)), strict=True)}
    ohms, metals, truths = _contacts(s, fine, motions, touching)
    voltages, currents = _inject(s, ohms, metals, 1.0 / rate)
    channels = [*_electrical(s, fine, at, voltages, currents, measuring), *_mechanical(s, fine, at, motions, measuring)]
    record = Record(name=s.name, path="", time_s=at, channels=tuple(channels), frequency_hz=s.frequency_hz)
    return Simulation(record, _breaker(s), tuple(truths))


def _inject(
    s: Scenario, ohms: dict[str, FloatArray], metals: dict[str, BoolArray], step_s: float
) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
    voltages, currents = {}, {}
    for group in _groups(s).values():
        got = solve(np.array([ohms[n] for n in group]), np.array([metals[n] for n in group]), step_s, s.injection)
        induced = s.injection.sense_uh * 1e-6 * np.gradient(got.contact_a, step_s)
        for name, across in zip(group, got.voltage_v, strict=True):
            voltages[name] = across + induced
            currents[_current_channel(s, name)] = got.current_a
    return voltages, currents


def _groups(s: Scenario) -> dict[str, list[str]]:
    groups: dict[str, list[str]] = {}
    for name in s.interrupters:
        groups.setdefault(_current_channel(s, name), []).append(name)
    return groups


def _current_channel(s: Scenario, name: str) -> str:
    return f"I_{name.rstrip('0123456789')}" if s.injection.series else f"I_{name}"


def _electrical(
    s: Scenario,
    fine: FloatArray,
    at: FloatArray,
    voltages: dict[str, FloatArray],
    currents: dict[str, FloatArray],
    rng: np.random.Generator,
) -> list[Channel]:
    c, rate = s.chain, s.chain.sample_rate_hz * s.chain.oversampling
    source = {name: name for name in voltages}
    if s.setup.leads_exchanged:
        a, b = s.setup.leads_exchanged
        source[a], source[b] = b, a
    out, skew = [], 1e-6 * c.skew_us
    for name in s.interrupters:
        x = chain.sampled(chain.filtered(voltages[source[name]], c.filter_hz, rate), fine, at + skew)
        x = -x if name in s.setup.reversed else x
        x = np.zeros_like(x) if name in s.setup.lead_off else x
        x = x + chain.hum(at + skew, 1e-3 * c.hum_mv, s.frequency_hz, rng)
        x = chain.impulses(x, c.impulses, 0.2 * c.voltage_range_v, rng)
        x = x + 1e-3 * c.voltage_noise_mv * rng.standard_normal(at.size)
        out.append(_channel(f"U_{name}", "V", x, c.voltage_range_v, c.bits, skew))
    for name, amps in currents.items():
        x = chain.sampled(chain.filtered(amps, c.filter_hz, rate), fine, at)
        x = x + c.current_noise_a * rng.standard_normal(at.size)
        out.append(_channel(name, "A", x, c.current_range_a, c.bits))
    return out


def _channel(name: str, unit: str, x: FloatArray, full: float, bits: int, skew_s: float = 0.0) -> Channel:
    step = 2.0 * full / 2**bits
    return Channel(
        name, unit, chain.quantised(x, full, bits), skew_s=skew_s, resolution=step, limits=(-full, full - step)
    )


def _angle(share: FloatArray, sign: int) -> FloatArray:
    """Shaft angle of a rotary sensor, degrees, at a share of the stroke: a crank, bent at both ends."""
    return np.asarray(sign * 0.7 * np.degrees(np.arcsin((2.0 * share - 1.0) / 1.5)), dtype=np.float64)


def _curve(s: Scenario) -> tuple[tuple[float, float], ...]:
    """The sensor's table, every 4 % of the stroke and past both ends, where overtravel goes."""
    share = np.linspace(-0.12, 1.12, 32)
    angle = _angle(share, s.chain.travel_sign).tolist()
    return tuple(sorted(zip(angle, (s.motion.stroke_mm * share).tolist(), strict=True)))


def _mechanical(
    s: Scenario, fine: FloatArray, at: FloatArray, motions: dict[str, _Motion], rng: np.random.Generator
) -> list[Channel]:
    out, c, m = [], s.chain, s.motion
    for pole, motion in motions.items():
        x = chain.sampled(motion.travel_mm, fine, at)
        if c.travel == "linear":
            step = c.encoder_mm
            x = step * np.round((c.travel_sign * x + rng.uniform(-5.0, 5.0)) / step) if step > 0 else c.travel_sign * x
            out.append(Channel(f"TRV_{pole}", "mm", x, resolution=step))
        elif c.travel == "rotary":
            angle = _angle(x / m.stroke_mm, c.travel_sign)
            step = c.encoder_mm * 60.0 / m.stroke_mm  # the shaft turns some 60 degrees
            angle = step * np.round(angle / step) if step > 0 else angle
            out.append(Channel(f"TRV_{pole}", "deg", angle, resolution=step))
        for prefix, kind in (("TC", "O"), ("CC", "C")):
            if _has_coil(s, kind):
                amps = chain.sampled(motion.coils[kind], fine, at) + 0.005 * rng.standard_normal(at.size)
                out.append(_channel(f"{prefix}_{pole}", "A", amps, 20.0, 16))
    for pole, motion in motions.items():
        x = motion.travel_mm[:: c.oversampling]
        for letter, state in (("a", x < 0.4 * m.stroke_mm), ("b", x > 0.55 * m.stroke_mm)):
            out.append(Channel(f"AUX_{pole}_{letter}", "", state.astype(np.float64), digital=True))
    return out


def _has_coil(s: Scenario, kind: str) -> bool:
    return kind in s.sequence and not s.motion.by_screw(kind)


def _breaker(s: Scenario) -> Breaker:
    kinds: dict[str, tuple[float | None, tuple[tuple[float, float], ...]]] = {
        "linear": (1.0, ()),
        "rotary": (None, _curve(s)),
    }
    sensors: dict[str, TravelSensor | None] = dict.fromkeys(s.poles)
    if s.chain.travel in kinds:
        scale, curve = kinds[s.chain.travel]
        sensors = {p: TravelSensor(f"TRV_{p}", scale, curve) for p in s.poles}
    mechanisms = tuple(
        Mechanism(
            p,
            sensors[p],
            f"TC_{p}" if _has_coil(s, "O") else None,
            f"CC_{p}" if _has_coil(s, "C") else None,
            None,
            {"a": f"AUX_{p}_a", "b": f"AUX_{p}_b"},
        )
        for p in s.poles
    )
    units = tuple(
        Interrupter(f"{p}{i}", p, i, p, f"U_{p}{i}", _current_channel(s, f"{p}{i}"))
        for p in s.poles
        for i in range(1, s.interrupters_per_pole + 1)
    )
    earthed = s.injection.earth_loop_mohm > 0.0
    return Breaker(s.name, mechanisms, units, s.frequency_hz, conditions=Conditions(None, earthed))
