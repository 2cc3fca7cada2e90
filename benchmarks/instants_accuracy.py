"""Section a of benchmarks/instants.py: errors by their Cramer-Rao bounds where the model fits."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from instants_bound import Bound, bound
from instants_ours import fitted, segmented
from instants_signals import Case, Signal, draw
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Limits of the ratios to the bound and of the parting (samples).
BOUNDS = {"middle": 1.25, "onset": 1.3, "arcing R": 1.2, "main R": 1.1}
PARTING = 0.35

TYPICAL = Case()
HARD = Case(amps=100.0, noise_v=2e-3)


def rms(x: FloatArray) -> FloatArray:
    """Root mean square over the first axis, what is missing left out."""
    return np.sqrt(np.nanmean(np.square(x), axis=0))


def judged(value: float, limit: float) -> str:
    return "met" if value <= limit else "MISSED"


def seeded(seed: int, row: int, k: int) -> np.random.Generator:
    return np.random.default_rng([seed, row, k])


def bound_of(signal: Signal) -> Bound:
    metal, case = slice(0, signal.last + 1), signal.case
    return bound(
        signal.time_s[metal],
        signal.current_a[metal],
        closed_ohm=case.closed_ohm,
        arcing_ohm=case.arcing_ohm,
        middle_s=signal.middle_s,
        duration_s=case.move_s,
        sigma_v=case.noise_v,
        rate_a_s=signal.rate_a_s[metal] if case.henry else None,
    )


def _errors(signal: Signal) -> tuple[list[float], list[float], list[float]]:
    """Of one record: the bound, the errors of the fit with the shape told, those of the segmentation."""
    case = signal.case
    limit, fit, all_of_it = bound_of(signal), fitted(signal, (0,)), segmented(signal)
    least = [limit.middle_s, limit.onset_s, limit.arcing_ohm, limit.closed_ohm]
    ours = [math.nan] * 4
    if fit is not None:
        onset = fit.onset_s - (signal.middle_s - 0.5 * case.move_s)
        ours = [
            fit.middle_s.value - signal.middle_s,
            onset,
            fit.arcing_ohm.value - case.arcing_ohm,
            fit.closed_ohm.value - case.closed_ohm,
        ]
    whole = [
        all_of_it.middle_s - signal.middle_s,
        all_of_it.closed_ohm - case.closed_ohm,
        (all_of_it.parting_s - signal.parting_s) * case.rate_hz,
    ]
    return least, ours, whole


def matched(count: int, seed: int) -> list[str]:
    """Section a: straight moves, the shape told; errors by their Cramer-Rao bounds. Says what was missed."""
    print(f"\na. Straight move, shape told to the fit: rms error / Cramer-Rao bound, {count} records a row", end="")
    print(f" (a ratio is known to {100 / math.sqrt(2 * count):.0f} %)")
    print("   segment(): shape unknown, closed level from 4,000 samples' median, chain's DELAY given back")
    print("   limits " + ", ".join(f"{k} {v}" for k, v in BOUNDS.items()) + f", parting {PARTING} sample (floor 0.29)")
    print(f"{'':28}  fit:  middle onset  arcR  mainR | segment(): middle  mainR  parting | bounds us, uohm")
    missed, row = [], 0
    cases = [(f"{c.rate_hz / 1e3:.0f} kHz {n}", c) for r in (10e3, 20e3, 50e3, 100e3) for n, c in both(r)]
    cases += [(f"{r / 1e3:.0f} kHz typical, 1 uH", replace(TYPICAL, rate_hz=r, henry=1e-6)) for r in (20e3, 100e3)]
    for row, (name, case) in enumerate(cases):
        rows = [_errors(draw(case, seeded(seed, row, k))) for k in range(count)]
        least, ours, whole = (np.array([r[j] for r in rows]) for j in range(3))
        lost = int(np.sum(~np.isfinite(ours).all(axis=1) | ~np.isfinite(whole).all(axis=1)))
        limits = rms(least)
        ratio, main = rms(ours) / limits, rms(whole) / np.array([limits[0], limits[3], 1.0])
        found = dict(zip(BOUNDS, ratio, strict=True))
        over = [f"{k} {found[k]:.2f}" for k in BOUNDS if judged(float(found[k]), BOUNDS[k]) != "met"]
        over += [f"parting {main[2]:.2f}"] if main[2] > PARTING else []
        missed += [f"{name}: {x}" for x in over]
        print(
            f"{name:28}        {ratio[0]:6.2f} {ratio[1]:5.2f} {ratio[2]:5.2f} {ratio[3]:6.2f} |"
            f"            {main[0]:6.2f} {main[1]:6.2f} {main[2]:8.2f} | "
            f"{1e6 * limits[0]:.2f} {1e6 * limits[1]:.2f} {1e6 * limits[2]:.2f} {1e6 * limits[3]:.3f}"
            + (f"  LOST {lost}" if lost else "")
            + ("  MISSED " + ", ".join(over) if over else "  met"),
            flush=True,
        )
    return missed


def both(rate_hz: float) -> list[tuple[str, Case]]:
    return [("typical", replace(TYPICAL, rate_hz=rate_hz)), ("hard", replace(HARD, rate_hz=rate_hz))]
