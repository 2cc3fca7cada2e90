"""How well and how fast the instants are found: against what is possible at best, and beside others' tools.

    python -P benchmarks/instants.py [--quick] [--full] [--seed 0] [--only a b d e f]

Sections: a) errors by their Cramer-Rao bounds where the model fits; b) errors where it does not, c) coverage of the
stated intervals, d) peers on the same records, e) times, f) the stated intervals of every feature over a thousand
records of all conditions (intervals.py). The first figure of a row is a ratio. `--full` adds the exact
searches on a million samples, which take hours. A row that misses its limit says so, and all are listed at the end.
The records have no filter, so the allowance for one (drm.parting.DELAY) is given back; see instants_ours.py.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

# With -P the folder of the command is not looked in.
sys.path.append(str(Path(__file__).resolve().parent))

import instants_accuracy
import instants_beside
import instants_off
import instants_times
import intervals

#: Records a row of section a and b, of the peers, of the slow peers.
COUNTS, QUICK_COUNTS = (200, 200, 20, 10), (40, 40, 6, 3)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--quick", action="store_true", help="few records, no long ones")
    words.add_argument("--full", action="store_true", help="exact searches on a million samples as well (hours)")
    words.add_argument("--seed", type=int, default=0)
    words.add_argument("--only", nargs="+", choices=list("abdef"), default=list("abdef"), help="these sections only")
    asked = words.parse_args()
    first, second, others, slow = QUICK_COUNTS if asked.quick else COUNTS
    missed: list[str] = []
    if "a" in asked.only:
        missed += instants_accuracy.matched(first, asked.seed)
    if "b" in asked.only:
        missed += instants_off.off_model(second, others, asked.seed)
    if "d" in asked.only:
        instants_beside.beside_peers(others, slow, asked.seed)
    if "e" in asked.only:
        missed += instants_times.times(asked.seed, quick=asked.quick, full=asked.full)
    if "f" in asked.only:
        print("\nf. Stated 95 % intervals over all conditions, limits 92 to 97 %, no unflagged wipe wrong by 1.5 mm")
        many = "100" if asked.quick else "1000"
        missed += intervals.main(["--records", many, "--seed", str(asked.seed), "--jobs", "2"])
    print("\nmissed: " + ("\n        ".join(missed) if missed else "nothing"))


if __name__ == "__main__":
    main()
