"""Speed of the review page's server: traces of ten million samples in columns, and figures after a moved instant.

    python -P benchmarks/review.py [--samples 10000000] [--rounds 5]

Every row is a ratio, measured in one run: over a limit (below 1 is within it), or one way over another.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

import drm
from drm.edits import Edit
from drm.pipeline import conclude, see
from drm.review.columns import edges_along, extremes

#: What a hand that moves the range does not feel as a wait, s; five traces share it. Common practice, no source.
AT_ONCE_S, TRACES = 0.1, 5
COLUMNS = 1600
RECORD = Path(__file__).resolve().parents[1] / "tests" / "data" / "records" / "open-close-open"


def best(work: Callable[[], Any], rounds: int) -> float:
    """Least wall time of several rounds, s."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def columns(samples: int, rounds: int) -> None:
    """Five traces in columns, over all and close up, against the limit."""
    rng = np.random.default_rng(1)
    x, values = np.arange(samples) * 1e-3, rng.normal(size=samples)
    values[rng.integers(0, samples, samples // 100)] = np.nan
    for words, share in (("all of it", 1.0), ("a tenth", 0.1), ("a thousandth", 1e-3)):
        low = 0.5 * (1.0 - share) * x[-1]
        edges = edges_along(x, low, low + share * x[-1], COLUMNS)
        took = best(lambda edges=edges: extremes(values, edges), rounds)  # type: ignore[misc]
        print(f"{words:14} five traces over the limit {TRACES * took / AT_ONCE_S:6.3f}")


def figures(rounds: int) -> None:
    """One moved instant against the whole job, 36 readings."""
    record, breaker = drm.read(RECORD / "record.cfg"), drm.Breaker.load(RECORD / "breaker.toml")
    start = time.perf_counter()
    seen = see(record, breaker)
    first = conclude(seen)
    whole = time.perf_counter() - start
    at = next(r for r in first.readings if r.interrupter.name == "B2").zones.arcing_s.value
    turn = iter(range(1, 1000))

    def move() -> None:
        shift = 1e-5 * next(turn)
        conclude(seen, edits=[Edit(1, "move", 1, "B2", "p", "2026-01-01", "r", instant="arcing", at_s=at + shift)])

    print(f"{'moved instant':14} over the whole job {best(move, rounds) / whole:6.3f}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=10_000_000)
    parser.add_argument("--rounds", type=int, default=5)
    words = parser.parse_args()
    columns(words.samples, words.rounds)
    figures(words.rounds)
