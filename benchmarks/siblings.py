"""False alarms and power of the comparison of siblings, on simulated feature tables.

Run: ``python benchmarks/siblings.py [TRIALS]``; prints a table.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd

from drm.siblings import PRIORS, compare

LAYOUTS = {3: (3, 1), 4: (2, 2), 6: (3, 2), 12: (3, 4), 24: (6, 4)}


def table(
    n: int, kinds: tuple[str, ...], rng: np.random.Generator, *, known: bool = True, wipe_sd: float = 0.4
) -> pd.DataFrame:
    """Healthy features of one breaker.

    Parameters
    ----------
    n : int
        Interrupters: 3, 4, 6, 12 or 24.
    kinds : tuple of str
        One operation each.
    rng : Generator
    known : bool
        True: scatter exactly at the priors. False: scatter itself drawn as the priors' degrees of freedom say.
    wipe_sd : float
        Scatter of the arcing wipe in mm.
    """
    poles, each = LAYOUTS[n]

    def draw(feature: str, sd: float) -> np.ndarray:
        prior = PRIORS[feature]
        if not known:
            sd *= np.sqrt(prior.dof / rng.chisquare(prior.dof))
        together = np.repeat(rng.normal(size=poles), each) * np.sqrt(prior.pole_share)
        return sd * (together + np.sqrt(1 - prior.pole_share) * rng.normal(size=n))

    ratios = ("main_resistance_uohm", "arcing_resistance_uohm", "arcing_roughness_uohm")
    own = {f: draw(f, PRIORS[f].sd) for f in ratios}
    wipe = 15 + draw("arcing_wipe_mm", wipe_sd)
    # main and wipe share what makes their difference, the arcing contact's position, scatter by 0.5 mm
    main = 30 + draw("main_contact_mm", np.sqrt(0.5**2 - 0.2**2)) - 0.5 * (wipe - 15)
    rows = []
    for number, kind in enumerate(kinds, 1):
        step = rng.normal(size=(n, 2)) * 0.05
        rows.append(
            pd.DataFrame(
                {
                    "operation": number,
                    "kind": kind,
                    "pole": [chr(65 + i // each) for i in range(n)],
                    "interrupter": [f"{chr(65 + i // each)}{i % each + 1}" for i in range(n)],
                    "position": [i % each + 1 for i in range(n)],
                    "quality": "",
                    "main_resistance_uohm": 40 * np.exp(own["main_resistance_uohm"] + rng.normal(size=n) * 0.005),
                    "arcing_resistance_uohm": 250 * np.exp(own["arcing_resistance_uohm"] + rng.normal(size=n) * 0.02),
                    "arcing_roughness_uohm": 20 * np.exp(own["arcing_roughness_uohm"] + rng.normal(size=n) * 0.05),
                    "arcing_wipe_mm": wipe + step[:, 0],
                    "main_contact_mm": main + step[:, 1],
                    "arcing_contact_mm": main + wipe + step.sum(axis=1),
                    "arcing_wipe_mm_u": 0.05,
                }
            )
        )
    return pd.concat(rows, ignore_index=True)


def main(trials: int = 100) -> None:
    """Print the table."""
    rng = np.random.default_rng(20240229)
    print("interrupters operations  false alarm (drawn / at the prior)  power wipe -3 mm  others named  ms each")
    for n in LAYOUTS:
        for kinds in (("open",), ("open", "close"), ("open", "close", "open")):
            began = time.perf_counter()
            drawn = np.mean([_least(table(n, kinds, rng, known=False)) < 0.05 for _ in range(trials)])
            spent = (time.perf_counter() - began) / trials * 1e3
            exact = np.mean([_least(table(n, kinds, rng)) < 0.05 for _ in range(trials)])
            hits = others = 0
            for _ in range(trials):
                t = table(n, kinds, rng, wipe_sd=0.3)
                bad = t["interrupter"] == "A1"
                t.loc[bad, ["arcing_wipe_mm", "arcing_contact_mm"]] -= 3.0
                p = compare(t).rows["sibling_p"]
                hits += bool(p[bad].min() < 0.05)
                others += bool((p[~bad] < 0.05).any())
            print(
                f"{n:12d} {len(kinds):10d} {drawn:18.3f} / {exact:5.3f} {hits / trials:30.3f} {others / trials:13.3f}"
                f" {spent:8.2f}"
            )


def _least(t: pd.DataFrame) -> float:
    return float(compare(t).rows["sibling_p"].min())


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
