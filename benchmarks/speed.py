"""Speed and memory of the whole job on a big record: 12 interrupters, 3 mechanisms, 1 s at 100 kHz.

    python -P benchmarks/speed.py [--sequence O] [--rounds 5]

Every row is a ratio first: measured over its limit (below 1 is within it), or one way over another measured in the same
run. Wall time is what a user waits, the best of several rounds; processor time is what the work costs on a machine that
others use as well.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

import drm
from drm import pipeline, threads
from drm.denoise import robust_lstsq
from drm.hum import fit_hum
from drm.kept import Kept
from drm.operations import find_operations
from drm.readers import read
from drm.synthetic import named, simulate, write_simulation
from drm.traces import trace_of
from drm.travel import speed, travel_of
from drm.zones import segment

#: Limits: seconds in process, from the shell, of the help; memory over the record in float64, and beside it.
IN_PROCESS, SHELL, HELP, TIMES_RECORD, BESIDE_MB = 0.5, 2.0, 0.3, 4.0, 250.0


def best(work: Callable[[], Any], rounds: int) -> tuple[float, float]:
    """Least wall and least processor time of `rounds`, s."""
    walls, costs = [], []
    for _ in range(rounds):
        wall, cost = time.perf_counter(), time.process_time()
        work()
        walls.append(time.perf_counter() - wall)
        costs.append(time.process_time() - cost)
    return min(walls), min(costs)


def shell(words: list[str], rounds: int) -> tuple[float, float]:
    """Least wall time and least processor time, s, of a command; its first run warms the cache."""
    walls, costs = [], []
    for k in range(rounds + 1):
        start = time.perf_counter()
        child = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        _, status, usage = os.wait4(child.pid, 0)
        if status:
            raise SystemExit(f"{' '.join(words)} failed: {child.stderr.read().decode() if child.stderr else ''}")
        if k:
            walls.append(time.perf_counter() - start)
            costs.append(usage.ru_utime + usage.ru_stime)
    return min(walls), min(costs)


def peak_mb(words: list[str]) -> float:
    """Peak memory of ``drm`` with these words, MB: told by its own process, since a child inherits its parent's."""
    # A diagnosis ends its process at once, with no way out of `main`.
    code = (
        "import os, sys; from drm.cli import main\n"
        "def told(status, leave=os._exit):\n"
        "    peak = next(x for x in open('/proc/self/status') if x.startswith('VmHWM')).split()[1]\n"
        "    os.write(2, peak.encode())\n"
        "    leave(status)\n"
        "os._exit = told\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "told(0)"
    )
    done = subprocess.run([sys.executable, "-c", code, *words], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    return int(done.stderr) / 1024.0


def fresh(record: drm.Record) -> drm.Record:
    """The same record as another object: nothing that was kept for it helps."""
    return replace(record)


def scan(t: np.ndarray, v: np.ndarray, i: np.ndarray) -> None:
    """The hum's fit in plain NumPy: every sample, five frequencies, twelve rounds each."""
    for f in 50.0 * np.array([0.99, 0.995, 1.0, 1.005, 1.01]):
        angles = 2.0 * np.pi * f * np.outer(t, np.arange(1, 6))
        robust_lstsq(np.column_stack([i, np.cos(angles), np.sin(angles)]), v)


def row(ratio: float, what: str, words: str) -> None:
    print(f"{ratio:8.2f}  {what:<58}{words}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sequence", default="O", choices=["O", "OC", "OCO"], help="operations in the record")
    parser.add_argument("--rounds", type=int, default=5)
    words = parser.parse_args()
    commands = (200.0, 500.0, 800.0)[: len(words.sequence)]
    plan = named("demo")
    plan = replace(plan, name="big", sequence=words.sequence, commands_ms=commands, length_ms=1000.0)
    plan = replace(plan, chain=replace(plan.chain, sample_rate_hz=100e3, oversampling=4, hum_mv=1.0))
    with tempfile.TemporaryDirectory() as folder:
        made = simulate(plan, rng=np.random.default_rng(5))
        path = write_simulation(made, folder, data_format="BINARY")
        judge(path, Path(folder), words.rounds)


def judge(path: Path, folder: Path, rounds: int) -> None:
    record, breaker = read(path), drm.Breaker.load(folder / "breaker.toml")
    size = sum(8.0 * c.samples.size for c in record.channels) / 2**20
    drm.diagnose(record, breaker)
    print(f"{len(breaker.interrupters)} interrupters, {len(record.channels)} channels of {record.time_s.size} samples")
    print(f"({size:.0f} MB in float64); load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors\n")
    print("   ratio  against the limit")
    wall, cost = best(lambda: drm.diagnose(fresh(record), breaker), rounds)
    row(wall / IN_PROCESS, "diagnose in process", f"{wall:.3f} s (processor {cost:.3f}), limit {IN_PROCESS} s")
    program = [sys.executable, "-m", "drm"]
    job = [*program, "diagnose", str(path), "--breaker", str(folder / "breaker.toml"), "--out", str(folder / "out")]
    wall, cost = shell(job, rounds)
    row(wall / SHELL, "drm diagnose from the shell, kernels cached", f"{wall:.2f} s (processor {cost:.2f}), {SHELL} s")
    limit = TIMES_RECORD * size + BESIDE_MB
    peak = peak_mb(job[3:])
    row(peak / limit, "its peak memory", f"{peak:.0f} MB, limit {limit:.0f} MB = 4 x record + 250")
    wall, cost = shell([*program, "--help"], rounds)
    row(wall / HELP, "drm --help", f"{wall:.2f} s (processor {cost:.2f}), limit {HELP} s")
    print("\n   ratio  of the whole in-process job (processor time)")
    stages(record, breaker, rounds)
    print("\n   ratio  of one way over another")
    ways(record, breaker, rounds)


def stages(record: drm.Record, breaker: drm.Breaker, rounds: int) -> None:
    """Each stage alone, in the calling thread."""
    operations = find_operations(record, breaker)
    travels = [travel_of(record, m, operations, instrument=breaker.instrument) for m in breaker.mechanisms]

    def traces() -> list[Any]:
        return [trace_of(record, i, o, frequency_hz=50.0) for o in operations for i in breaker.interrupters]

    got = [x[0] for x in traces()]
    seen = pipeline.see(record, breaker)
    parts: list[tuple[str, Callable[[], Any]]] = [
        ("operations", lambda: find_operations(fresh(record), breaker)),
        ("travel and its speed", lambda: [speed(t, record.time_s) for t in travels if t is not None]),
        ("clean traces: masks, hum, offset", traces),
        ("zones", lambda: [segment(t) for t in got]),
        ("features, mechanisms, siblings, findings", lambda: pipeline.conclude(replace(seen, kept=Kept()))),
    ]
    whole = best(lambda: drm.diagnose(fresh(record), breaker), rounds)[1]
    for name, work in parts:
        cost = best(work, rounds)[1]
        row(cost / whole, name, f"{1e3 * cost:.0f} ms of {1e3 * whole:.0f}")


def ways(record: drm.Record, breaker: drm.Breaker, rounds: int) -> None:
    operation = find_operations(record, breaker)[0]

    def work(interrupter: drm.breaker.Interrupter) -> Any:
        got = trace_of(record, interrupter, operation, frequency_hz=50.0)
        return segment(got[0])

    one = best(lambda: threads.side_by_side(work, breaker.interrupters, most=1), rounds)[0]
    two = best(lambda: threads.side_by_side(work, breaker.interrupters, most=2), rounds)[0]
    row(one / two, "signal work on two threads against one (wall)", f"{1e3 * one:.0f} and {1e3 * two:.0f} ms")
    rng = np.random.default_rng(1)
    t = np.arange(10_000) / 100e3
    i = np.full(t.size, 200.0)
    v = 40e-6 * i + 5e-3 * np.sin(2 * np.pi * 50.2 * t) + rng.normal(scale=2e-4, size=t.size)
    slow = best(lambda: scan(t, v, i), rounds)[1]
    fast = best(lambda: fit_hum(t, v, i, frequency_hz=50.0), rounds)[1]
    row(
        slow / fast,
        "hum: plain scan of five frequencies against the kernel",
        f"{1e3 * slow:.1f} and {1e3 * fast:.2f} ms",
    )


if __name__ == "__main__":
    main()
