"""False alarms and power of the comparison of siblings, beside other outlier tests, as one table.

Run: ``python benchmarks/siblings.py [HEALTHY] [FAULTY] [RECORDS]`` (2000, 400 and 20 where not said).

Healthy breakers are simulated as benchmarks/sibling_tables.py says, one opening and one closing each, the size of the
scatter drawn as the priors' degrees of freedom say. Faulty: one interrupter with wipe short by 3 or 1.5 mm at a healthy
scatter of 0.3 mm; one main resistance 25 % up, its healthy scatter at the prior's 4.5 %; one pole's mechanism slower by
12 %. `any` is any finding of the siblings at the nominal 5 %, `inspect` any finding at that level or above from all
rules. Other tests get the same features, averaged over the operations, in units of the healthy scatter; each is asked
at the bound at which 5 % of healthy breakers are named, and `as is` tells how many it names by its own bound. RECORDS
are whole simulated records of twelve interrupters, healthy and of each fault, through the whole program.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from outlier_peers import PEERS, SLOW
from sibling_tables import LAYOUTS, breaker_of, healthy, higher, shorter, slower

import drm
from drm.findings import findings
from drm.siblings import PRIORS, Comparison, compare
from drm.synthetic import named, simulate
from drm.synthetic.scenario import Fault, Scenario
from drm.threads import calm

ALARM = 0.05
_WIPE = ("arcing_wipe_mm", "arcing_contact_mm", "arcing_area_uohm_mm")
_URGENT = ("hold", "inspect")
_EVERY = 8


def worn_of(n: int) -> str:
    """The interrupter that gets the fault."""
    return "B1" if LAYOUTS[n][0] > 1 else "A1"


def faulty(n: int, rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    """One breaker of each fault."""
    who = worn_of(n)
    wipe = healthy(n, rng, fixed={"arcing_wipe_mm": 0.3})
    main = healthy(n, rng, fixed={"main_resistance_uohm": PRIORS["main_resistance_uohm"].sd})
    return {
        "wipe -3": shorter(wipe, 3.0, who),
        "wipe -1.5": shorter(wipe, 1.5, who),
        "main +25 %": higher(main, 0.25, who),
    }


def alarmed(c: Comparison) -> bool:
    """Any finding of the siblings."""
    return bool(c.rows["sibling_p"].min() < ALARM) or bool(c.shifts)


def leads(c: Comparison, who: str, fault: str) -> bool:
    """Whether the fault's own features stand first in the explanation."""
    return c.contributions[who][0].feature in (_WIPE if fault.startswith("wipe") else ("main_resistance_uohm",))


def ours(n: int, rng: np.random.Generator, trials: int, faults: int) -> str:
    """Row of the table."""
    breaker, nothing, who = breaker_of(n), pd.DataFrame(), worn_of(n)
    any_, urgent, spent = 0, 0.0, 0.0
    for k in range(trials):
        t = healthy(n, rng)
        began = time.perf_counter()
        c = compare(t)
        spent += time.perf_counter() - began
        alarm = alarmed(c)
        any_ += alarm
        # The rules take longer than the comparison: of breakers without an alarm every eighth speaks for eight.
        if alarm or k % _EVERY == 0:
            urgent += (1 if alarm else _EVERY) * any(f.level in _URGENT for f in findings(t, nothing, c, breaker))
    hit = dict.fromkeys(("wipe -3", "wipe -1.5", "main +25 %"), 0)
    first = named_ = slow = 0
    for _ in range(faults):
        for fault, t in faulty(n, rng).items():
            c = compare(t)
            seen = bool(c.rows.loc[t["interrupter"] == who, "sibling_p"].min() < ALARM)
            hit[fault] += seen
            named_ += seen
            first += seen and leads(c, who, fault)
        if LAYOUTS[n][0] > 1:
            t = slower(healthy(n, rng), 0.12)
            c = compare(t)
            blamed = {s.name for s in c.shifts if s.what == "pole"}
            slow += blamed == {"B"}
    return _line(
        n,
        "drm",
        any_ / trials,
        urgent / trials,
        [v / faults for v in hit.values()],
        f"{first / max(named_, 1):6.3f} {slow / faults if LAYOUTS[n][0] > 1 else float('nan'):6.3f}"
        f" {1e3 * spent / trials:6.1f}",
    )


def matrix(t: pd.DataFrame) -> np.ndarray:
    """Features as the other tests get them, shape (n, f)."""
    names = [f for f, p in PRIORS.items() if f in t and not p.instead_of and not p.of_pole and not p.derived]
    columns = [(np.log(t[f]) if PRIORS[f].log else t[f]) / PRIORS[f].sd for f in names]
    return np.asarray(pd.concat(columns, axis=1).groupby(t["interrupter"]).mean().to_numpy())


def peers(n: int, rng: np.random.Generator, trials: int, faults: int) -> list[str]:
    """Rows of the table, all tests on the same breakers."""
    well = [matrix(healthy(n, rng)) for _ in range(trials)]
    ill = [{k: matrix(t) for k, t in faulty(n, rng).items()} for _ in range(faults)]
    where = sorted(healthy(n, rng)["interrupter"].unique()).index(worn_of(n))
    lines = []
    for name, test in PEERS.items():
        if name == "elliptic envelope" and n <= well[0].shape[1] + 1:
            continue  # fewer interrupters than a covariance needs
        few = 10 if name in SLOW else 1
        said = [test(x) for x in well[:: few // 2 or 1]]
        bound = np.quantile([s.max() for s, _ in said], 1 - ALARM)
        part = ill[::few]
        power = [np.mean([test(b[k])[0][where] > bound for b in part]) for k in part[0]]
        lines.append(_line(n, name, float(np.mean([o.any() for _, o in said])), float("nan"), power, ""))
    return lines


def _line(n: int, name: str, any_: float, urgent: float, power: list[float], rest: str) -> str:
    return f"{n:3d} {name:20s} {any_:6.3f} {urgent:7.4f} " + " ".join(f"{v:9.3f}" for v in power) + "  " + rest


def whole(records: int) -> str:
    """Whole records of twelve interrupters, opening and closing: healthy, and with one fault of each kind."""
    still = replace(named("demo"), faults=(), sequence="OC", commands_ms=(50.0, 350.0), length_ms=600.0)
    # At the scatter that the comparison takes for healthy.
    still = replace(still, contact=replace(still.contact, main_scatter_rel=PRIORS["main_resistance_uohm"].sd))
    who, wipe_mm = "B2", still.contact.arcing_wipe_mm
    kinds = {
        "healthy": (),
        "wipe -3": (Fault(who, "short_wipe", wipe_mm - 3.0),),
        "wipe -1.5": (Fault(who, "short_wipe", wipe_mm - 1.5),),
        "main +25 %": (Fault(who, "high_main", 1.25),),
    }
    return "\n".join(_whole(name, replace(still, faults=faults), who, records) for name, faults in kinds.items())


def _whole(name: str, scenario: Scenario, who: str, records: int) -> str:
    said = own = urgent = 0
    for seed in range(records):
        s = simulate(scenario, rng=np.random.default_rng([9, seed]))
        found = drm.diagnose(s.record, s.breaker).findings
        siblings = [f for f in found if f.code.startswith("siblings.") and f.level != "note"]
        said += bool(siblings)
        own += any(who in f.interrupters for f in siblings)
        urgent += any(f.level in _URGENT for f in found)
    return f"{records} whole records of 12, {name}: siblings named in {said}, {who} in {own}, any inspect in {urgent}"


def main(trials: int = 2000, faults: int = 400, records: int = 20) -> None:
    """Print the table."""
    # numba looks for a library that is named like a file beside this one.
    here = Path(__file__).resolve().parent
    sys.path[:] = [p for p in sys.path if Path(p).resolve() != here]
    with calm():
        _rows(trials, faults)
        if records:
            print(whole(records))


def _rows(trials: int, faults: int) -> None:
    print("  n test                    any  inspect    wipe-3  wipe-1.5  main+25%   leads   pole  ms each")
    for n in LAYOUTS:
        print(ours(n, np.random.default_rng(20 + n), trials, faults), flush=True)
        for line in peers(n, np.random.default_rng(120 + n), max(trials // 2, 20), faults):
            print(line, flush=True)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
