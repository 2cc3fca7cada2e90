"""A study's speed and memory from 10 to 2,000 breakers: one process, all processors, and a cluster of two workers.

Run: ``python benchmarks/study.py [--most 2000] [--interrupters 2] [--only one,all,cluster] [--again]``

Eight breakers are simulated with short records; the fleets are made of copies of their records, each with a breaker
file of its own, so that every one of them is worked on. Each size and way of working runs in a process of its own.
Reported: breakers per second over the whole run (start of the workers, reading, diagnosis, tables, page), the same
without the ten breakers' run, which is mostly start, processor time for each breaker beyond those ten, and the peak
memory of this process, of the greatest one and of all together. With --again each study is started a second time, with
nothing left to do. The cluster is started here, with two workers of one thread. Beside other work the seconds are those
of a busy machine; processor time is not.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import psutil

from drm.study import study
from drm.synthetic import Scenario, simulate, write_simulation
from drm.synthetic.scenario import Chain

SIZES = (10, 100, 500, 2000)
WAYS = ("one", "all", "cluster")
MODELS = 8


def models(home: Path, interrupters: int) -> list[Path]:
    """Folders of simulated breakers with one opening each."""
    made = []
    for n in range(MODELS):
        scenario = Scenario(
            name="test",
            poles=tuple("ABCDEF"[:interrupters]),
            length_ms=90.0,
            chain=Chain(sample_rate_hz=10_000.0, oversampling=2),
        )
        made.append(home / f"model{n}")
        s = simulate(scenario, rng=np.random.default_rng([3, n]))
        write_simulation(replace(s, breaker=replace(s.breaker, type="simulated")), made[-1])
    return made


def fleet(root: Path, size: int, patterns: list[Path]) -> None:
    """A tree of `size` breakers."""
    for n in range(size):
        model, home = patterns[n % len(patterns)], root / f"station {n // 50:03d}" / f"b{n:05d}"
        home.mkdir(parents=True)
        for name in ("test.cfg", "test.dat"):
            shutil.copy(model / name, home / name)
        text = (model / "breaker.toml").read_text(encoding="utf-8")
        (home / "breaker.toml").write_text(
            text.replace("[breaker]\n", f'[breaker]\nserial = "S{n:05d}"\n'), encoding="utf-8"
        )


class Watch(threading.Thread):
    """Peak resident memory of this process and its descendants, MB: the greatest of them, and all together."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.greatest = self.together = self.own = 0.0
        self.stop = threading.Event()

    def run(self) -> None:
        me = psutil.Process()
        while not self.stop.wait(0.25):
            sizes = []
            for p in [me, *me.children(recursive=True)]:
                try:
                    sizes.append(p.memory_info().rss / 1e6)
                except psutil.Error:
                    continue
            self.own = max(self.own, sizes[0])
            self.greatest, self.together = max(self.greatest, *sizes), max(self.together, sum(sizes))


def measured(root: Path, out: Path, way: str, again: bool) -> dict[str, float]:
    """One study, in this process."""
    watch = Watch()
    watch.start()
    begun = time.perf_counter()
    if way == "cluster":
        from distributed import LocalCluster

        with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
            begun = time.perf_counter()
            study(root, out=out, scheduler=cluster.scheduler_address)
            seconds = time.perf_counter() - begun
    else:
        study(root, out=out, jobs=1 if way == "one" else None)
        seconds = time.perf_counter() - begun
    watch.stop.set()
    watch.join()
    # After the cluster or the processes have ended: children count once they were waited for.
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    cpu = sum(u.ru_utime + u.ru_stime for u in used)
    told = {"cpu": cpu, "own": watch.own, "greatest": watch.greatest, "together": watch.together}
    begun = time.perf_counter()
    if again:
        study(root, out=out, jobs=1 if way == "one" else None)
    second = time.perf_counter() - begun
    size = sum(p.stat().st_size for p in out.rglob("*.parquet"))
    return told | {"seconds": seconds, "again": second if again else float("nan"), "table_kb": size / 1e3}


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--most", type=int, default=500, help="breakers of the largest fleet; 2000 for the whole range")
    words.add_argument("--interrupters", type=int, default=2)
    words.add_argument("--only", default=",".join(WAYS), help="ways of working, joined by commas")
    words.add_argument("--again", action="store_true", help="start each study a second time")
    words.add_argument("--run", nargs=3, help=argparse.SUPPRESS)
    given = words.parse_args()
    if given.run:
        print(json.dumps(measured(Path(given.run[0]), Path(given.run[1]), given.run[2], given.again)))
        return
    print(f"{os.cpu_count()} processors, {given.interrupters} interrupters a breaker, one opening each")
    head = "breakers  way      s        breakers/s  beyond 10  cpu s each  again s"
    print(f"{head}  driver MB  greatest MB  together MB  tables kB")
    with tempfile.TemporaryDirectory(prefix="drm-bench-") as folder:
        home = Path(folder)
        patterns = models(home, given.interrupters)
        first: dict[str, dict[str, float]] = {}
        for size in [s for s in SIZES if s <= given.most]:
            fleet(home / "fleet", size, patterns)
            for way in given.only.split(","):
                call = [sys.executable, "-P", __file__, "--run", str(home / "fleet"), str(home / "out"), way]
                call += ["--again"] if given.again else []
                done = subprocess.run(call, stdout=subprocess.PIPE, check=True)
                r = json.loads(done.stdout.splitlines()[-1])
                start = first.setdefault(way, r)
                beyond = size - SIZES[0] or float("nan")
                more, cpu = beyond / (r["seconds"] - start["seconds"] or 1.0), (r["cpu"] - start["cpu"]) / beyond
                print(
                    f"{size:8d}  {way:7s}  {r['seconds']:7.1f}  {size / r['seconds']:10.1f}  {more:9.1f}  {cpu:10.3f}"
                    f"  {r['again']:7.1f}  {r['own']:9.0f}  {r['greatest']:11.0f}  {r['together']:11.0f}"
                    f"  {r['table_kb']:9.0f}",
                    flush=True,
                )
                shutil.rmtree(home / "out")
            shutil.rmtree(home / "fleet")


if __name__ == "__main__":
    main()
