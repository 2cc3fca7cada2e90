"""Section d of benchmarks/instants.py: everybody on the same records."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from instants_accuracy import TYPICAL, both, rms, seeded
from instants_ours import segmented, trace_of
from instants_peers import CUT, QUICK, SHORT_CUT, SLOW, dynp, kernel, pelt, pelt_changes, resistance
from instants_signals import draw

from drm.zones import segment


def beside_peers(others: int, slow: int, seed: int) -> None:
    """Section d: typical and hard records at 20 kHz, errors and times of everybody."""
    print(f"\nd. Peers at 20 kHz, straight move: rms error of the middle / ours on the same {others} records (slow:")
    print(f"   {slow}), and processor time of one record / ours. Errors on the last {CUT} conducting samples, times on")
    print("   20,000 of them, ours with everything else it finds; Pelt is timed on the cut, Dynp on 400 samples")
    print(f"{'':30} {'typical: /ours     us':>22} {'hard: /ours     us':>22} {'time / ours':>12}")
    cases = [case for _, case in both(20e3)]
    signals = [[draw(case, seeded(seed, 900 + j, k)) for k in range(others)] for j, case in enumerate(cases)]
    ours = [np.array([segmented(s).middle_s - s.middle_s for s in group]) for group in signals]
    big = draw(TYPICAL, seeded(seed, 990, 0), length_s=1.1, middle_s=0.99)
    trace, sigma = trace_of(big), 1e6 * big.case.noise_v / big.case.amps
    base = _cost(lambda: segment(trace), 20)
    print(f"{'drm segment()':30} {1.0:13.2f} {1e6 * rms(ours[0]):8.2f} {1.0:13.2f} {1e6 * rms(ours[1]):8.2f}", end="")
    print(f" {1.0:12.2f}   {1e3 * base:.2f} ms")
    cuts = {pelt: CUT, dynp: SHORT_CUT}
    for name, peer in {**QUICK, **SLOW}.items():
        cells = []
        for group, own in zip(signals, ours, strict=True):
            some = group[: slow if name in SLOW else others]
            errors = []
            for signal in some:
                r, start = resistance(signal)
                at = peer(r, 1e6 * signal.case.noise_v / signal.case.amps, signal.case.rate_hz)
                errors.append((start + at) / signal.case.rate_hz - signal.middle_s)
            mine = rms(own[: len(some)])
            cells.append(f"{rms(np.array(errors)) / mine:13.1f} {1e6 * rms(np.array(errors)):8.1f}")
        r, _ = resistance(big, cut=cuts.get(peer, 20_000))
        cost = _cost(lambda r=r, peer=peer: peer(r, sigma, 20e3), 1 if peer is kernel or name in SLOW else 5)
        print(f"{name:30} {cells[0]} {cells[1]} {cost / base:12.1f}", flush=True)
    false = [len(pelt_changes(resistance(s)[0], 1e6 * s.case.noise_v / s.case.amps)) - 1 for s in signals[0][:slow]]
    print(f"   Pelt's changes beside the one told of: {min(false)} to {max(false)} a record")


def _cost(work: Callable[[], object], rounds: int) -> float:
    """Least processor time of `rounds`, s."""
    costs = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        costs.append(time.process_time() - start)
    return min(costs)
