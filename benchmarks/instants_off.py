"""Sections b and c of benchmarks/instants.py: the whole segmentation where the fit's model does not hold.

The shapes from the cosine to the two fingers are none of the fit's (instants_signals.py): a fit must not be tuned to
them. The tanh, which once was such, is one of the fit's now.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from instants_accuracy import TYPICAL, bound_of, rms, seeded
from instants_ours import segmented, trace_of
from instants_peers import QUICK, resistance
from instants_signals import OTHERS, Case, Signal, draw

#: Limits of the middle's 95th percentile: samples where the contact is quiet, s where it fluctuates or is worn too.
SAMPLES, FLUCTUATING_S, WORN_S = 0.25, 0.1e-3, 0.2e-3
SHAPES = ("smoothstep", "tanh", "conductance", *OTHERS)


@dataclass(frozen=True)
class Off:
    """A row off the model: what it is drawn from and its limit for the middle's 95th percentile, s."""

    name: str
    case: Case
    limit_s: float


def off_rows(rate_hz: float) -> list[Off]:
    base = replace(TYPICAL, rate_hz=rate_hz)
    near = SAMPLES / rate_hz
    plain = [Off("straight, shape not told", base, near)]
    plain += [Off(shape if shape != "conductance" else "straight in conductance", replace(base, shape=shape), near)
              for shape in SHAPES]  # fmt: skip
    bits = 20.0 / 2**16
    plain += [
        Off("correlated noise, lag-one 0.5", replace(base, lag_one=0.5), near),
        Off("2 % impulses", replace(base, impulses=0.02), near),
        Off("16 bits over 20 V", replace(base, step_v=bits), near),
        Off("arcing level rising by 30 %", replace(base, slope=0.3), near),
        Off("all three, smoothstep", replace(base, lag_one=0.5, impulses=0.02, step_v=bits, shape="smoothstep"), near),
        Off("15 % fluctuation", replace(base, fluctuation=0.15), FLUCTUATING_S),
        Off("15 %, smoothstep", replace(base, fluctuation=0.15, shape="smoothstep"), FLUCTUATING_S),
        Off("15 %, 2 % impulses", replace(base, fluctuation=0.15, impulses=0.02), FLUCTUATING_S),
        Off("worn: jump 40 uohm, 10 %", replace(base, arcing_ohm=80e-6, fluctuation=0.1), WORN_S),
    ]
    return plain


def off_model(count: int, others: int, seed: int) -> list[str]:
    """Sections b and c: whole segmentation off the model, coverage of its intervals, peers on the same records."""
    print(f"\nb, c. Whole segmentation off the model: middle's 95th percentile / limit, {count} records a row")
    print(f"   coverage of the stated 95 % intervals without the delay's part (chance: 95 +- {_chance(count):.0f} %)")
    print("   least: 95th percentile of an ideal unbiased fit of a straight move in this noise alone / limit")
    print(f"   peers: their 95th percentile / ours on the first {others} records, raw and cleaned, R = V/I")
    print(f"{'':38} p95/limit     us samples least cover |  " + "  ".join(f"{_short(k):>15}" for k in QUICK))
    missed = []
    for rate in (20e3, 100e3):
        for row, off in enumerate(off_rows(rate)):
            signals = [draw(off.case, seeded(seed, 100 + row + int(rate), k)) for k in range(count)]
            found = [segmented(s) for s in signals]
            error = np.array([f.middle_s - s.middle_s for f, s in zip(found, signals, strict=True)])
            u = np.array([f.middle_u_s for f in found])
            lost = int(np.sum(~np.isfinite(error)))
            error = np.where(np.isfinite(error), error, 1.0)
            p95 = float(np.percentile(np.abs(error), 95))
            cover = float(np.mean(np.abs(error) <= 1.96 * u))
            rho = off.case.lag_one
            least = 1.96 * float(rms(np.array([bound_of(s).middle_s for s in signals[:20]])))
            # Noise shared by neighbours counts by its long-run variance, (1 + rho) / (1 - rho) for one of first order.
            least *= math.sqrt((1.0 + rho) / (1.0 - rho))
            beside = _peers(signals[:others], float(np.percentile(np.abs(error[:others]), 95)))
            name = f"{rate / 1e3:.0f} kHz {off.name}"
            over = [f"p95 {p95 / off.limit_s:.2f}"] if p95 > off.limit_s else []
            over += [f"coverage {100 * cover:.0f} %"] if cover < 0.95 - _chance(count) / 100 else []
            missed += [f"{name}: {x}" for x in over]
            print(
                f"{name:38} {p95 / off.limit_s:9.2f} {1e6 * p95:6.1f} {p95 * rate:7.2f} {least / off.limit_s:5.2f}"
                f" {100 * cover:4.0f}% |  "
                + "  ".join(f"{a:7.1f} {b:7.1f}" for a, b in beside)
                + (f"  LOST {lost}" if lost else "")
                + ("  MISSED " + ", ".join(over) if over else "  met"),
                flush=True,
            )
    return missed


def _chance(count: int) -> float:
    """Two standard deviations of a coverage of 95 %, in per cent."""
    return 200.0 * math.sqrt(0.95 * 0.05 / count)


def _short(name: str) -> str:
    return name.split()[1].rstrip(",")


def _peers(signals: list[Signal], ours_s: float) -> list[tuple[float, float]]:
    """For each quick peer its 95th percentile by ours, raw and cleaned; one that finds nothing counts as 10 ms off."""
    errors: dict[str, list[tuple[float, float]]] = {k: [] for k in QUICK}
    for signal in signals:
        rate, sigma = signal.case.rate_hz, 1e6 * signal.case.noise_v / signal.case.amps
        trace = trace_of(signal)
        raw, start = resistance(signal)
        clean, _ = resistance(signal, trace)
        for name, peer in QUICK.items():
            a, b = (float((start + peer(r, sigma, rate)) / rate - signal.middle_s) for r in (raw, clean))
            errors[name].append((a, b))
    out = []
    for pairs in errors.values():
        p95 = np.percentile(np.abs(np.nan_to_num(np.array(pairs), nan=10e-3)), 95, axis=0)
        out.append((float(p95[0]) / ours_s, float(p95[1]) / ours_s))
    return out
