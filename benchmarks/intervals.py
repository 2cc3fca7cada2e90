"""Whether the stated 95 % intervals hold the truth, and how large the errors are, over simulated records.

Run: ``python benchmarks/intervals.py [--records N] [--seed S] [--jobs J] [--only CONDITION ...]``; prints tables.

Each record is one condition of :mod:`drm.synthetic.conditions`, drawn with a seed of its own, with instrument errors
drawn at the standard uncertainties that a breaker file assumes. A row is one interrupter in one operation; a row whose
``quality`` says something is flagged and is not counted against the intervals.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
import time
import warnings
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from interval_tables import FEATURES, MECHANISM, Job, Row, by_condition, by_feature, by_mechanism

import drm
from drm.coverage import factor_of
from drm.synthetic import Simulation, simulate
from drm.synthetic.conditions import CONDITIONS, MISLED, draw
from drm.synthetic.metrics import COLUMNS
from drm.synthetic.metrics_mechanism import mechanism_truth


def one(task: tuple[int, int, str]) -> Job:
    """Draw, simulate and diagnose record `number`."""
    seed, number, wanted = task
    rng = np.random.default_rng([seed, number])
    condition, scenario = draw(rng, condition=wanted)
    made = simulate(scenario, rng=rng)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            result = drm.diagnose(made.record, made.breaker)
        except Exception as error:  # a crash is a finding of this benchmark, and the others must still be counted
            return Job(condition, crash=f"{condition}, record {number}: {type(error).__name__}: {error}")
    warned = tuple(f"{condition}: {w.message} ({Path(w.filename).name}, line {w.lineno})" for w in caught)
    table = {(r["interrupter"], int(r["operation"])): r for r in result.features.to_dict("records")}
    rows, lost = [], 0
    for t in made.truth:
        row = table.get((t.interrupter, t.operation))
        if row is None:
            lost += 1
            continue
        errors, missing = {}, []
        for name in FEATURES:
            got, right = float(row[name]), float(getattr(t, COLUMNS[name]))
            if math.isfinite(got) and math.isfinite(right):
                u = float(row[f"{name}_u"])
                errors[name] = (got - right, u, min(1.96, factor_of(row, name)) * u)
            elif math.isfinite(right):
                missing.append(name)
        rows.append(Row(condition, number, t.interrupter, t.kind, str(row["quality"]), errors, tuple(missing)))
    return Job(condition, tuple(rows), lost, warned=warned, mechanisms=_mechanisms(made, result))


def _mechanisms(made: Simulation, result: drm.Result) -> tuple[tuple[str, float, float], ...]:
    truth, out = mechanism_truth(made), []
    for row in result.mechanisms.to_dict("records"):
        true = truth.get((row["mechanism"], int(row["operation"])), {})
        for name in MECHANISM:
            if name in true:
                error = float(row.get(name, math.nan)) - true[name]
                out.append((name, error, float(row.get(f"{name}_u", math.nan))))
    return tuple(out)


def main(arguments: Sequence[str] | None = None) -> list[str]:
    """Print all tables; says what was missed, crashes among it."""
    asked = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    asked.add_argument("--records", type=int, default=1000)
    asked.add_argument("--seed", type=int, default=0)
    asked.add_argument("--jobs", type=int, default=1)
    asked.add_argument("--only", nargs="*", choices=list(CONDITIONS), default=[])
    asked.add_argument("--reasons", action="store_true", help="count the reasons for flags as well")
    a = asked.parse_args(arguments)
    only = a.only or [""]
    tasks = [(a.seed, k, only[k % len(only)]) for k in range(a.records)]
    begin = time.perf_counter()
    if a.jobs > 1:
        # One thread a worker: they would only wait for one another.
        os.environ.setdefault("OMP_NUM_THREADS", "1")
        with ProcessPoolExecutor(a.jobs) as pool:
            jobs = list(pool.map(one, tasks, chunksize=8))
    else:
        jobs = [one(t) for t in tasks]
    print(f"{len(jobs)} records, seed {a.seed}, {time.perf_counter() - begin:.0f} s")
    right = [r for j in jobs for r in j.rows if j.condition not in MISLED]
    misled = [r for j in jobs for r in j.rows if j.condition in MISLED]
    missed = by_feature(right, "traces that are what they seem")
    if misled:
        by_feature(misled, "false traces (*)", judged=False)
    by_condition(jobs)
    by_mechanism([j for j in jobs if j.condition not in {"slow", "sensors_exchanged", "no_travel"}])
    for text, n in Counter(w for j in jobs for w in j.warned).most_common(20):
        print(f"warned {n} times: {text}")
    crashes = [j.crash for j in jobs if j.crash]
    print(f"\ncrashes: {len(crashes)}")
    print("\n".join(crashes[:20]))
    if a.reasons:
        counts = Counter((j.condition, r.flagged) for j in jobs for r in j.rows if r.flagged)
        for (condition, reason), n in sorted(counts.items(), key=lambda x: -x[1])[:40]:
            print(f"{n:6d}  {condition:26} {reason}")
    return missed + crashes


if __name__ == "__main__":
    print("\nmissed: " + ("\n        ".join(left := main()) or "nothing"))
    sys.exit(bool(left))
