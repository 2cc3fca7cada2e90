"""Section of benchmarks/instants.py that measures times. The machine may be shared: each is the best of several rounds,
processor time for one thread, wall time for two."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
from instants_ours import found_by, trace_of
from instants_peers import binseg, kernel, resistance
from instants_signals import Case, draw

from drm._move_kernels import ramp_search
from drm.resistance import Trace
from drm.threads import side_by_side
from drm.zones import segment

#: Limits: ms for a record of a million samples, for fifty of 20,000; gain of two threads; gain over an exact search;
#: slope of time over samples in logarithms.
MILLION_MS, FIFTY_MS, THREADS, EXACT, SLOPE = 20.0, 90.0, 1.8, 1000.0, 1.1
SIZES = (10_000, 30_000, 100_000, 300_000, 1_000_000, 3_000_000, 10_000_000)


def least(work: Callable[[], object], rounds: int) -> tuple[float, float]:
    """Least processor and least wall time of `rounds`, s."""
    costs, walls = [], []
    for _ in range(rounds):
        wall, cost = time.perf_counter(), time.process_time()
        work()
        costs.append(time.process_time() - cost)
        walls.append(time.perf_counter() - wall)
    return min(costs), min(walls)


def times(seed: int, *, quick: bool, full: bool) -> list[str]:
    """Section e; says what was missed."""
    print("\ne. Times of segment(), compiled and warm: best of several rounds, processor time of one thread")
    missed: list[str] = []

    def say(name: str, ratio: float, detail: str, *, least_wanted: bool = False) -> None:
        met = ratio >= 1.0 if least_wanted else ratio <= 1.0
        if not met:
            missed.append(f"{name}: {detail}")
        print(f"{name:58} {ratio:8.2f} of the limit   {detail:48} {'met' if met else 'MISSED'}", flush=True)

    segment(trace_of(draw(Case(fluctuation=0.1), np.random.default_rng(seed))))
    cost = {}
    for n in SIZES[:5] if quick else SIZES:
        trace = trace_of(draw(Case(rate_hz=float(n)), np.random.default_rng([seed, n])))
        cost[n] = least(lambda trace=trace: segment(trace), 12 if n <= 1_000_000 else 4)[0]
    for n, t in cost.items():
        print(f"   one record of {n:>10,} samples {1e3 * t:9.2f} ms {1e9 * t / n:8.1f} ns a sample")
    say("a million samples in one record", cost[1_000_000] * 1e3 / MILLION_MS, f"{1e3 * cost[1_000_000]:.1f} ms")
    for start in (SIZES[0], 100_000):
        part = {n: t for n, t in cost.items() if n >= start}
        slope = float(np.polyfit(np.log(list(part)), np.log(list(part.values())), 1)[0])
        say(f"slope of log time over log samples from {start:,}", slope / SLOPE, f"{slope:.2f} (1 is linear)")
    plain = _fifty(Case(), seed)
    one = least(lambda: [segment(t) for t in plain], 3 if quick else 8)
    say("50 records of 20,000 samples", 1e3 * one[0] / FIFTY_MS, f"{1e3 * one[0]:.0f} ms")
    unquiet = _fifty(Case(fluctuation=0.1), seed)
    rough = least(lambda: [segment(t) for t in unquiet], 3 if quick else 8)[0]
    say("50 records of 20,000 samples, 10 % fluctuation", 1e3 * rough / FIFTY_MS, f"{1e3 * rough:.0f} ms")
    # Short rounds, many of them: the least of each side is the machine left alone.
    rounds = 3 if quick else 40
    print(f"   two threads on a compiled kernel alone, the machine now: x {_control(rounds):.2f} in wall time")
    for name, many in (("50 records of 20,000", plain), ("8 records of a million", _long(seed))):
        gain = _threads(segment, many, rounds if many is plain else rounds // 3)
        say(f"two threads, {name}", gain / THREADS, f"x {gain:.2f} in wall time", least_wanted=True)
    exact = [100_000, 1_000_000] if full else ([20_000] if quick else [100_000])
    for n in exact:
        _exact(n, seed, say)
    return missed


def _fifty(case: Case, seed: int) -> list[Trace]:
    return [trace_of(draw(case, np.random.default_rng([seed, 7, k]))) for k in range(50)]


def _long(seed: int) -> list[Trace]:
    return [trace_of(draw(Case(rate_hz=1e6), np.random.default_rng([seed, 8, k]))) for k in range(8)]


def _threads(work: Callable[[Any], object], items: list[Any], rounds: int) -> float:
    """Least wall time of one thread by that of two, taken in turn."""
    ones, twos = [], []
    for _ in range(rounds):
        ones.append(least(lambda: [work(x) for x in items], 1)[1])
        twos.append(least(lambda: side_by_side(work, items, most=2), 1)[1])
    return min(ones) / min(twos)


def _control(rounds: int) -> float:
    """Gain of two threads on a search that holds no lock and little memory, and takes as long as a short record."""
    t = np.linspace(-1e-3, 1e-3, 2400)
    i = np.full(t.size, 200.0)
    grid = np.geomspace(0.1e-3, 1e-3, 24)

    def work(middle: float) -> object:
        return ramp_search(t, i * 40e-6, i, 40e-6, 300e-6, np.full(t.size, 1e-6), 9e-6, grid - middle, grid)

    work(0.0)
    return _threads(work, [1e-5 * k for k in range(40)], rounds)


def _exact(n: int, seed: int, say: Callable[..., None]) -> None:
    """Ours against the peers' exact searches on one record with `n` conducting samples; errors of all."""
    rate = float(n)
    signal = draw(Case(rate_hz=rate), np.random.default_rng([seed, 9, n]), length_s=1.1, middle_s=0.99)
    trace = trace_of(signal)
    own = least(lambda: segment(trace), 8)[0]
    error = found_by(segment(trace), 1.0 / rate).middle_s - signal.middle_s
    r, start = resistance(signal, cut=signal.last + 1)
    for name, peer in (("KernelCPD linear", kernel), ("Binseg, jump 1", binseg)):
        found: list[float] = []
        theirs = least(lambda peer=peer, found=found: found.append(peer(r, 2.5, rate)), 1)[0]
        off = (start + found[0]) / rate - signal.middle_s
        say(
            f"ruptures {name}, {r.size:,} samples, its time by ours",
            theirs / own / EXACT,
            f"x {theirs / own:,.0f} ({theirs:.1f} s); errors {1e6 * off:.1f}, ours {1e6 * error:.1f} us",
            least_wanted=True,
        )
