"""Faults of the test on simulated records: how often each is named, and how often one becomes a verdict on a contact.

Run: ``python benchmarks/setup_faults.py [TRIALS [NAME...]]``; prints a table. Every trial draws another breaker, every
third with limits for wipe, main resistance, times, simultaneity and stroke in its breaker file. A row counts as named
when a finding with the code of its fault names all interrupters concerned. Verdicts are findings with another subject
than ``setup`` that say ``hold``, ``inspect`` or ``watch`` of one of them. They are counted twice: those at all, and
those that are not said of the same breaker, from the same seed, tested well: what the fault made. Those at all that
remain are of what the fault does not touch, such as a mechanism that is in truth the slowest, and name their codes.
Faults that leave no trace, such as exchanged leads of contacts that part within 75 µs of one another, are not counted.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

import drm
from drm.breaker import Breaker, Interrupter, Limit, Mechanism
from drm.record import Channel, Record
from drm.synthetic import Scenario, Simulation, named, simulate
from drm.synthetic.scenario import Fault

FloatArray = NDArray[np.float64]
#: Exchanged leads are told apart where the contacts' instants differ by this, ms: a sample and a half at 20 kHz.
TOLD_APART_MS = 0.075


@dataclass(frozen=True)
class Case:
    """One fault of the test: what it does, whom it concerns, and the codes that name it."""

    do: Callable[[Simulation, np.random.Generator], Record | tuple[Record, Breaker]]
    who: tuple[str, ...]
    codes: tuple[str, ...]
    scenario: Callable[[Scenario], Scenario] = lambda s: s
    #: Whether the truth lets it be seen at all.
    visible: Callable[[Simulation], bool] = lambda s: True


def changed(record: Record, **changes: Callable[[Channel], FloatArray]) -> Record:
    """`record` with the samples of the named channels replaced."""
    channels = tuple(replace(c, samples=changes[c.name](c)) if c.name in changes else c for c in record.channels)
    return replace(record, channels=channels)


def exchanged(record: Record, a: str, b: str) -> Record:
    """`record` with the samples of two channels exchanged."""
    x, y = record.channel(a), record.channel(b)
    return changed(record, **{a: lambda c: y.samples, b: lambda c: x.samples})


def times(factor: float, *names: str) -> Callable[[Simulation, np.random.Generator], Record]:
    """The named channels multiplied, with what is said of their range."""

    def one(c: Channel) -> Channel:
        low, high = sorted((factor * c.limits[0], factor * c.limits[1]))
        return replace(c, samples=factor * c.samples, limits=(low, high), resolution=abs(factor) * c.resolution)

    def do(s: Simulation, rng: np.random.Generator) -> Record:
        return replace(s.record, channels=tuple(one(c) if c.name in names else c for c in s.record.channels))

    return do


def later(seconds: float, *names: str) -> Callable[[Simulation, np.random.Generator], Record]:
    """The named channels moved in time by whole samples."""

    def do(s: Simulation, rng: np.random.Generator) -> Record:
        many = round(seconds * s.record.sample_rate_hz)

        def moved(c: Channel) -> FloatArray:
            out = np.roll(c.samples, many)
            out[:many] = c.samples[0] if many > 0 else out[:many]
            return out

        return changed(s.record, **dict.fromkeys(names, moved))

    return do


def intermittent(name: str) -> Callable[[Simulation, np.random.Generator], Record]:
    """A voltage clamp that lets go for some milliseconds now and then."""

    def do(s: Simulation, rng: np.random.Generator) -> Record:
        t = s.record.time_s
        off = np.zeros(t.size, dtype=np.bool_)
        # One of them before the first operation: a clamp that never fails while metal conducts leaves no trace.
        for begin in [rng.uniform(0.015, 0.035), *rng.uniform(0.0, t[-1], 6)]:
            off |= (t >= begin) & (t < begin + rng.uniform(3e-3, 8e-3))
        return changed(s.record, **{name: lambda c: np.where(off, 0.0, c.samples)})

    return do


def noisy(name: str) -> Callable[[Simulation, np.random.Generator], Record]:
    """A voltage clamp that crackles with the current through it."""

    def do(s: Simulation, rng: np.random.Generator) -> Record:
        crackle = 1.0 + 0.5 * rng.standard_normal(s.record.time_s.size)
        return changed(s.record, **{name: lambda c: np.where(np.abs(c.samples) < 1.0, crackle * c.samples, c.samples)})

    return do


def clip(name: str, most: float) -> Callable[[Simulation, np.random.Generator], Record]:
    """A channel whose range ends at `most`."""

    def do(s: Simulation, rng: np.random.Generator) -> Record:
        channels = tuple(
            replace(c, samples=np.clip(c.samples, -most, most), limits=(-most, most)) if c.name == name else c
            for c in s.record.channels
        )
        return replace(s.record, channels=channels)

    return do


def plain(s: Simulation, rng: np.random.Generator) -> Record:
    """Nothing done to the record: the scenario has it."""
    return s.record


def _apart(a: str, b: str) -> Callable[[Simulation], bool]:
    def told(s: Simulation) -> bool:
        at = {(t.interrupter, t.operation): 1e3 * t.arcing_s for t in s.truth}
        return max(abs(at[a, k] - at[b, k]) for n, k in at if n == a) > TOLD_APART_MS

    return told


def _motions_apart(a: str, b: str) -> Callable[[Simulation], bool]:
    """The two travels differ where the contacts part by more than their places scatter."""

    def told(s: Simulation) -> bool:
        x, y = (np.abs(s.record.channel(f"TRV_{m}").samples - s.record.channel(f"TRV_{m}").samples[0]) for m in (a, b))
        at = [t.arcing_s for t in s.truth if t.pole in (a, b)]
        return float(np.mean(np.abs(np.interp(at, s.record.time_s, x - y)))) > 1.5

    return told


def _setup(**words: object) -> Callable[[Scenario], Scenario]:
    return lambda s: replace(s, setup=replace(s.setup, **words))


def _late(us: float) -> Callable[[Scenario], Scenario]:
    return lambda s: replace(s, chain=replace(s.chain, skew_us=us))


def _undeclared(s: Simulation, rng: np.random.Generator) -> Record:
    return replace(s.record, channels=tuple(replace(c, skew_s=0.0) for c in s.record.channels))


def rewired(
    unit: Callable[[Interrupter], Interrupter] = lambda i: i, mechanism: Callable[[Mechanism], Mechanism] = lambda m: m
) -> Callable[[Simulation, np.random.Generator], tuple[Record, Breaker]]:
    """A breaker file that does not fit the record."""

    def do(s: Simulation, rng: np.random.Generator) -> tuple[Record, Breaker]:
        units, mechanisms = map(unit, s.breaker.interrupters), map(mechanism, s.breaker.mechanisms)
        return s.record, replace(s.breaker, interrupters=tuple(units), mechanisms=tuple(mechanisms))

    return do


def _next(name: str) -> str:
    return f"I_{ALL[(ALL.index(name) + 1) % len(ALL)]}"


ALL = ("A1", "A2", "B1", "B2", "C1", "C2")
CASES: dict[str, Case] = {
    "leads exchanged, two poles": Case(
        lambda s, rng: exchanged(s.record, "U_A1", "U_B1"),
        ("A1", "B1"),
        ("setup.leads-exchanged",),
        visible=_apart("A1", "B1"),
    ),
    "leads exchanged, one pole": Case(
        lambda s, rng: exchanged(s.record, "U_A1", "U_A2"),
        ("A1", "A2"),
        ("setup.leads-exchanged",),
        visible=_apart("A1", "A2"),
    ),
    "currents exchanged": Case(
        lambda s, rng: exchanged(s.record, "I_B2", "I_C1"),
        ("B2", "C1"),
        ("setup.leads-exchanged",),
        visible=_apart("B2", "C1"),
    ),
    "voltage lead off": Case(
        lambda s, rng: changed(s.record, U_B1=lambda c: 2e-4 * rng.standard_normal(c.samples.size)),
        ("B1",),
        ("setup.lead-off",),
    ),
    "voltage lead off, at the ceiling": Case(
        lambda s, rng: changed(s.record, U_B1=lambda c: np.full(c.samples.size, c.limits[1])),
        ("B1",),
        ("setup.lead-off",),
    ),
    "current lead off": Case(
        lambda s, rng: changed(s.record, I_B1=lambda c: 0.1 * rng.standard_normal(c.samples.size)),
        ("B1",),
        ("setup.no-current",),
    ),
    "polarity reversed": Case(times(-1.0, "U_A2"), ("A2",), ("setup.polarity",)),
    "clamp intermittent": Case(intermittent("U_C2"), ("C2",), ("setup.loose-clamp",)),
    "clamp noisy": Case(noisy("U_C2"), ("C2",), ("setup.loose-clamp",)),
    "loose current clamp within the voltage leads": Case(
        plain, ("B1",), ("setup.loose-clamp",), _setup(loose_clamp=("B1",))
    ),
    "current x0.1": Case(times(0.1, "I_A1"), ("A1",), ("setup.scale",)),
    "current x10": Case(times(10.0, "I_A1"), ("A1",), ("setup.scale",)),
    "current x1000": Case(times(1000.0, "I_A1"), ("A1",), ("setup.scale",)),
    "voltage x0.1": Case(times(0.1, "U_A1"), ("A1",), ("setup.scale",)),
    "voltage x10": Case(times(10.0, "U_A1"), ("A1",), ("setup.scale",)),
    "voltage x1000": Case(times(1000.0, "U_A1"), ("A1",), ("setup.scale",)),
    "all voltages x0.1": Case(times(0.1, *(f"U_{n}" for n in ALL)), ALL, ("setup.scale",)),
    "all voltages x10": Case(times(10.0, *(f"U_{n}" for n in ALL)), ALL, ("setup.scale",)),
    "all currents x0.1": Case(times(0.1, *(f"I_{n}" for n in ALL)), ALL, ("setup.scale",)),
    "all currents x10": Case(times(10.0, *(f"I_{n}" for n in ALL)), ALL, ("setup.scale",)),
    "voltage clipped": Case(clip("U_B2", 0.03), ("B2",), ("setup.clipped",)),
    "current clipped": Case(clip("I_B2", 150.0), ("B2",), ("setup.clipped",)),
    "travel sensors exchanged": Case(
        lambda s, rng: exchanged(s.record, "TRV_A", "TRV_B"),
        ("A1", "A2", "B1", "B2"),
        ("setup.travel-wrong-pole",),
        visible=_motions_apart("A", "B"),
    ),
    "travel x0.1": Case(times(0.1, "TRV_B"), ("B1", "B2"), ("setup.travel-scale",)),
    "travel x10": Case(times(10.0, "TRV_B"), ("B1", "B2"), ("setup.travel-scale",)),
    "all travels x0.1": Case(times(0.1, "TRV_A", "TRV_B", "TRV_C"), ALL, ("setup.travel-scale",)),
    "all travels x10": Case(times(10.0, "TRV_A", "TRV_B", "TRV_C"), ALL, ("setup.travel-scale",)),
    "travel 5 ms late": Case(later(5e-3, "TRV_C"), ("C1", "C2"), ("setup.travel-wrong-time",)),
    "travel 30 ms late": Case(later(30e-3, "TRV_C"), ("C1", "C2"), ("setup.travel-wrong-time",)),
    "all voltages 0.1 ms late": Case(_undeclared, ALL, ("setup.skew",), _late(-100.0)),
    "all voltages 0.5 ms late": Case(_undeclared, ALL, ("setup.skew",), _late(-500.0)),
    "all voltages 0.2 ms early": Case(_undeclared, ALL, ("setup.skew",), _late(200.0)),
    "one voltage 0.2 ms late": Case(later(2e-4, "U_C1"), ("C1",), ("setup.skew",)),
    "one voltage 5 ms late": Case(later(5e-3, "U_C1"), ("C1",), ("setup.pairing", "setup.skew")),
    "one current 0.5 ms late": Case(later(5e-4, "I_C1"), ("C1",), ("setup.skew",)),
    "all currents 0.3 ms late": Case(later(3e-4, *(f"I_{n}" for n in ALL)), ALL, ("setup.skew",)),
    "file: one voltage named twice": Case(
        rewired(lambda i: replace(i, voltage="U_A1") if i.name == "A2" else i),
        ("A1", "A2"),
        ("setup.file-channel-twice",),
    ),
    "file: currents of three poles one pole on": Case(
        rewired(lambda i: replace(i, current={"A1": "I_B1", "B1": "I_C1", "C1": "I_A1"}.get(i.name, i.current))),
        ("A1", "B1", "C1"),
        ("setup.leads-exchanged", "setup.pairing"),
        visible=lambda s: all(_apart(a, b)(s) for a, b in (("A1", "B1"), ("B1", "C1"), ("C1", "A1"))),
    ),
    "file: every current the next one's": Case(
        # Within a pole the wrong current may fit; from pole to pole it does not.
        rewired(lambda i: replace(i, current=_next(i.name))),
        ("A2", "B2", "C2"),
        ("setup.leads-exchanged", "setup.pairing"),
        visible=lambda s: all(_apart(a, b)(s) for a, b in (("A2", "B1"), ("B2", "C1"), ("C2", "A1"))),
    ),
    "file: mechanisms of two poles exchanged": Case(
        rewired(lambda i: replace(i, mechanism={"A": "B", "B": "A"}.get(i.mechanism, i.mechanism))),
        ("A1", "A2", "B1", "B2"),
        ("setup.leads-exchanged", "setup.travel-wrong-pole"),
        visible=_motions_apart("A", "B"),
    ),
    "file: trip and close coils exchanged": Case(
        rewired(mechanism=lambda m: replace(m, trip_coil=m.close_coil, close_coil=m.trip_coil)),
        (),
        ("setup.coils-exchanged",),
    ),
}

HEALTHY: dict[str, tuple[Fault, ...]] = {
    "healthy": (),
    "worn": (Fault("B2", "worn", 7.0),),
    "high main, rough": (Fault("A1", "high_main", 4.0), Fault("C2", "rough", 4.0)),
    "misadjusted": (Fault("C1", "misadjusted", 5.0), Fault("A2", "spikes", 8.0)),
    "reversed order": (Fault("B1", "arcing_first", 0.0), Fault("C2", "missing_arcing", 0.0)),
}


def base(operations: str = "OC") -> Scenario:
    """Three poles of two interrupters, opened and closed."""
    open_ = named("open")
    motion = replace(open_.motion, scatter_rel=0.03)
    return replace(
        open_,
        poles=("A", "B", "C"),
        interrupters_per_pole=2,
        sequence=operations,
        commands_ms=tuple(50.0 + 250.0 * k for k in range(len(operations))),
        length_ms=50.0 + 250.0 * len(operations),
        motion=motion,
    )


#: What a maker might state of such a breaker; healthy ones lie within by several times their scatter.
LIMITS = {
    "arcing_wipe_mm": Limit(min=14.0, max=22.0),
    "main_resistance_uohm": Limit(max=60.0),
    "opening_time_ms": Limit(min=15.0, max=32.0),
    "closing_time_ms": Limit(min=50.0, max=75.0),
    "spread_ms": Limit(max=5.0),
    "stroke_mm": Limit(min=150.0, max=170.0),
}


def drawn(case: Case | None, seed: int) -> tuple[Simulation, Breaker, str, np.random.Generator]:
    """Breaker `seed` in the scenario of a case, its breaker file (every third with limits) and its operations."""
    operations = "OC" if seed % 2 else "O"
    scenario = base(operations) if case is None else case.scenario(base(operations))
    s, state = _simulated(scenario, seed)
    rng = np.random.default_rng()
    rng.bit_generator.state = state
    return s, replace(s.breaker, limits=LIMITS) if seed % 3 == 0 else s.breaker, operations, rng


@cache
def _simulated(scenario: Scenario, seed: int) -> tuple[Simulation, dict[str, Any]]:
    """A breaker, most cases of which differ in what is done to the record only, and the state of chance after it."""
    rng = np.random.default_rng(seed)
    return simulate(scenario, rng=rng), dict(rng.bit_generator.state)


@cache
def _as_it_is(seed: int) -> frozenset[str]:
    """Verdicts on the same breaker with nothing wrong in the test: those are the breaker's own."""
    s, breaker, _, _ = drawn(None, seed)
    return frozenset(_verdict(drm.diagnose(s.record, breaker), ALL))


def _verdict(result: drm.Result, who: tuple[str, ...]) -> list[str]:
    return [
        # By pole: which of two interrupters that part together is named first is chance.
        f"{f.code} {' '.join(sorted({n[0] for n in f.interrupters}))}"
        for f in result.findings
        if f.subject != "setup" and f.level != "note" and (set(f.interrupters) & set(who) or not f.interrupters)
    ]


@dataclass(frozen=True)
class Run:
    """One trial: whether the fault can be seen, whether it was named, and what else was said."""

    visible: bool
    named: bool
    #: Verdicts on those concerned: all, and those that the same breaker does not have when it is tested well.
    verdicts: tuple[str, ...]
    made: tuple[str, ...]
    #: Other faults of the test.
    others: tuple[str, ...]


def run_case(case: Case, seed: int) -> Run:
    """One trial of a case."""
    s, breaker, _, rng = drawn(case, seed)
    done = case.do(s, rng)
    record, breaker = done if isinstance(done, tuple) else (done, breaker)
    if seed % 3 == 0:
        breaker = replace(breaker, limits=LIMITS)
    result = drm.diagnose(record, breaker)
    mine = [f for f in result.findings if f.code in case.codes]
    names = {n for f in mine for n in f.interrupters}
    others = [f.code for f in result.findings if f.subject == "setup" and f.level != "note" and f not in mine]
    said = _verdict(result, case.who)
    made = [v for v in said if v not in _as_it_is(seed)]
    named_ = bool(mine) and set(case.who) <= names
    return Run(case.visible(s), named_, tuple(said), tuple(made), tuple(others))


def main(trials: int, only: list[str]) -> int:
    """Print the table; 1 where a fault is named in under 95 %, a verdict is made of one, or a sound test is named."""
    failed = 0
    for name, case in CASES.items():
        if only and not any(o in name for o in only):
            continue
        runs = [run_case(case, 1000 + k) for k in range(trials)]
        seen = [r for r in runs if r.visible]
        named_ = sum(r.named for r in seen)
        made, said = [r.made for r in runs if r.made], [r.verdicts for r in runs if r.verdicts]
        failed += named_ < 0.95 * len(seen) or bool(made)
        codes = sorted({v.split()[0] for r in runs for v in r.verdicts})
        print(
            f"{name:46s} {named_:3d}/{len(seen):<3d} named   verdicts made {len(made):2d}, at all {len(said):2d}   "
            f"{made[:1] or ''} {codes} {sorted({c for r in runs for c in r.others})}",
            flush=True,
        )
    for name, faults in HEALTHY.items():
        if only and not any(o in name for o in only):
            continue
        said: list[str] = []
        for k in range(trials):
            s = simulate(replace(base("OC" if k % 2 else "O"), faults=faults), rng=np.random.default_rng(5000 + k))
            result = drm.diagnose(s.record, s.breaker)
            said += [
                f"{f.code} {f.interrupters}" for f in result.findings if f.subject == "setup" and f.level != "note"
            ]
        failed += len(said) > 0.01 * trials
        print(f"{name:46s} {len(said):3d} faults of the test named in {trials} records {said[:2]}", flush=True)
    return int(failed > 0)


if __name__ == "__main__":
    raise SystemExit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 40, sys.argv[2:]))
