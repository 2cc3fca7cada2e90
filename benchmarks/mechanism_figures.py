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
from mechanism_more import alternating_case, resistor_case, sequence_case

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
        for other in (sequence_case, resistor_case, alternating_case):
            other(rng, note)
    return out


def share(rows: np.ndarray) -> str:
    """Share of the rows whose interval holds the truth; nothing for a few."""
    return f"{100 * np.mean(np.abs(rows[:, 0]) <= rows[:, 2] + 1e-12):7.1f}" if len(rows) >= 20 else "      -"


def split(name: str) -> tuple[str, str]:
    """What a figure is called without its operation's kind, and the kind ('' where it has none)."""
    column, _, rest = name.partition(" (")
    what = [w for w in rest.rstrip(")").split(", ") if w]
    kind = what.pop() if what and what[-1] in ("open", "close") else ""
    return " ".join([column, *what]), kind


def main(cases: int, start: int) -> None:
    empty: dict[str, int] = defaultdict(int)
    rows = {c: np.array(r) for c, r in errors_of(range(start, start + cases), empty).items()}
    print(
        f"{'figure':46s} {'n':>5s} {'empty':>5s} {'inside':>7s} {'open':>7s} {'close':>7s} {'rms':>6s} {'mean':>6s} u"
    )
    for name in sorted({split(c)[0] for c in rows | empty}):
        mine = {split(c)[1]: r for c, r in rows.items() if split(c)[0] == name}
        none = sum(n for c, n in empty.items() if split(c)[0] == name)
        if not mine:
            print(f"{name:46s}     0 {none:5d}")
            continue
        d = np.concatenate(list(mine.values()))
        opened, closed = (share(mine.get(kind, np.empty((0, 3)))) for kind in ("open", "close"))
        stated = float(np.sqrt(np.mean(d[:, 1] ** 2)))
        print(
            f"{name:46s} {len(d):5d} {none:5d} {share(d)} {opened} {closed} "
            f"{np.sqrt(np.mean(d[:, 0] ** 2)) / stated:6.2f} {d[:, 0].mean() / stated:6.2f} {np.median(d[:, 1]):.3g}"
        )
    print("contact, pole, breaker: in `timing`; empty: not measured")


if __name__ == "__main__":
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("cases", type=int, nargs="?", default=400)
    words.add_argument("--first", type=int, default=0, help="seed of the first case")
    asked = words.parse_args()
    main(asked.cases, asked.first)
