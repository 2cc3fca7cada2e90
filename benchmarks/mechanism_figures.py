"""Share of simulated cases in which each figure of mechanism, coil, motor and contact lies within its stated interval.

    python -P benchmarks/mechanism_figures.py [CASES] [--first SEED]

The interval is the one that the report shows and the limits are judged by (drm.coverage). A right one holds the truth
in 95 % of the cases; of 1000 cases 93.7 to 96.3 % are chance. `rms` is the error by the stated standard uncertainty,
both as root mean squares: 1 where the uncertainty is neither too wide nor too narrow.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pandas as pd

# With -P the folder of the command is not looked in.
sys.path.append(str(Path(__file__).resolve().parent))

from mechanism_cases import case, pick_up_case, static_case

from drm.coverage import expanded, factor
from drm.mechanical import mechanical
from drm.operations import find_operations
from drm.pickup import pick_up_table
from drm.static import static_table
from drm.travel import travel_of

#: A row: error, standard uncertainty, stated half width of the interval.
Rows = dict[str, list[tuple[float, float, float]]]


def errors_of(seeds: Iterable[int], empty: dict[str, int] | None = None) -> Rows:
    """Column -> (error, standard uncertainty, expanded) of every case in which the figure was measured."""
    out: Rows = defaultdict(list)
    missing: dict[str, int] = defaultdict(int) if empty is None else empty

    def note(truth, row, what):
        for column, value in truth.items():
            if math.isfinite(row[column]):
                out[f"{column}{what}"].append((row[column] - value, row[f"{column}_u"], expanded(row, column)))
            else:
                missing[f"{column}{what}"] += 1

    for n in seeds:
        rng = np.random.default_rng(n)
        for kind in ("open", "close"):
            record, b, truth, timing = case(kind, rng)
            ops = find_operations(record, b)
            got = mechanical(
                record, b, ops, {"A": travel_of(record, b.mechanisms[0], ops, instrument=b.instrument)}, []
            )
            note(truth, got.mechanisms.iloc[0].to_dict(), f" ({kind})")
            rows = got.timing.to_dict("records")
            unit = next(r for r in rows if r["name"] == "A1")
            pole = next(r for r in rows if r["scope"] == "pole")
            note({"spread_ms": timing.pop("spread_ms")}, pole, f" ({kind})")
            note({f"{c}": v for c, v in timing.items()}, unit, f" (contact, {kind})")
        record, b, truth = static_case(rng)
        note(truth, static_table([record], b).iloc[0].to_dict(), "")
        attempts, truth = pick_up_case(rng)
        row = pick_up_table(pd.DataFrame(), attempts, b).iloc[0].to_dict()
        note(truth, row, "")
        value, u, _ = out["pick_up_v"].pop()
        out["pick_up_v"].append((value, u, u * factor(u, row["least_v"] - row["refused_v"])))
    return out


def main(cases: int, start: int) -> None:
    empty: dict[str, int] = defaultdict(int)
    rows = errors_of(range(start, start + cases), empty)
    print(f"{'figure':42s} {'n':>5s} {'empty':>5s} {'inside':>7s} {'rms':>6s} {'mean':>6s} {'median u':>10s}")
    for column in sorted(rows):
        d, u, wide = np.array(rows[column]).T
        share, stated = float(np.mean(np.abs(d) <= wide + 1e-12)), float(np.sqrt(np.mean(u**2)))
        print(
            f"{column:42s} {d.size:5d} {empty[column]:5d} {100 * share:6.1f}% {np.sqrt(np.mean(d**2)) / stated:6.2f} "
            f"{d.mean() / stated:6.2f} {np.median(u):10.3g}"
        )
    for column in sorted(set(empty) - set(rows)):
        print(f"{column:42s}     0 {empty[column]:5d}")


if __name__ == "__main__":
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("cases", type=int, nargs="?", default=400)
    words.add_argument("--first", type=int, default=0, help="seed of the first case")
    asked = words.parse_args()
    main(asked.cases, asked.first)
