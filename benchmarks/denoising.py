"""What the eye is shown: shrinkage beside its peers, in one run, on contact traces and on published test signals.

    python -P benchmarks/denoising.py [--draws 12]

Errors are root mean squares. Peers with a strength to choose (total variation) are given the best of a grid for each
signal, which nobody has on a real trace; shrinkage has none. Times are of 100,000 samples, as ratios to ours (processor
time, above 1 is slower).
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
import pywt
from numpy.typing import NDArray
from scipy.signal import medfilt, savgol_filter
from skimage.restoration import denoise_tv_chambolle

from drm.denoise import shrink

FloatArray = NDArray[np.float64]
Method = Callable[[FloatArray, float], FloatArray]

#: A trace of the trade: 20 kHz, closed 40, arcing 300, parted 5000 uOhm; commutation 0.5 ms; 0.52 mV of noise at 200 A.
RATE, LEVELS, COMMUTATION, PARTS, SIGMA = 20e3, (40.0, 300.0, 5000.0), 0.5e-3, (60e-3, 67e-3), 2.6


def trace(n: int = 2400) -> tuple[FloatArray, dict[str, NDArray[np.bool_]]]:
    """The true resistance in uOhm, and the samples of the main contact, the arcing contact and the edges between."""
    t = np.arange(n) / RATE
    share = np.clip((t - PARTS[0]) / COMMUTATION + 0.5, 0.0, 1.0)
    truth = np.where(t < PARTS[1], LEVELS[0] + (LEVELS[1] - LEVELS[0]) * share, LEVELS[2])
    near = (np.abs(t - PARTS[0]) < 0.75e-3) | (np.abs(t - PARTS[1]) < 0.5e-3)
    return truth, {"main": (t < PARTS[0]) & ~near, "arcing": (t > PARTS[0]) & (t < PARTS[1]) & ~near, "edges": near}


def ours(x: FloatArray, sigma: float) -> FloatArray:
    return shrink(x, sigma=sigma)


def visu(x: FloatArray, sigma: float) -> FloatArray:
    """Decimated sym8, hard at the universal threshold."""
    parts = pywt.wavedec(x, "sym8", mode="symmetric")
    most = sigma * np.sqrt(2.0 * np.log(x.size))
    return np.asarray(pywt.waverec([parts[0], *(pywt.threshold(d, most, "hard") for d in parts[1:])], "sym8"))[: x.size]


def variation(strength: float) -> Method:
    return lambda x, sigma: np.asarray(denoise_tv_chambolle(x, weight=strength * sigma, eps=1e-5, max_num_iter=400))


def polynomial(x: FloatArray, sigma: float) -> FloatArray:
    return np.asarray(savgol_filter(x, 21, 3))


def median(x: FloatArray, sigma: float) -> FloatArray:
    return np.asarray(medfilt(x, 5))


STRENGTHS = (0.5, 1.0, 2.0, 4.0, 8.0, 16.0)
METHODS: dict[str, tuple[Method, ...]] = {
    "translation-invariant Haar, hard (ours)": (ours,),
    "VisuShrink, sym8, hard": (visu,),
    "total variation, best strength": tuple(variation(s) for s in STRENGTHS),
    "Savitzky-Golay 21/3": (polynomial,),
    "running median of 5": (median,),
}


def rms(x: FloatArray) -> float:
    return float(np.sqrt(np.mean(np.square(x))))


def contact(methods: tuple[Method, ...], draws: int) -> list[float]:
    truth, where = trace()
    found = []
    for method in methods:
        errors = []
        for k in range(draws):
            noisy = truth + np.random.default_rng(k).normal(scale=SIGMA, size=truth.size)
            errors.append(method(noisy, SIGMA) - truth)
        found.append([rms(np.concatenate([e[mask] for e in errors])) for mask in where.values()])
    return min(found, key=lambda f: f[0] + f[1])


def published(methods: tuple[Method, ...], name: str, draws: int) -> float:
    """Donoho and Johnstone, Biometrika 81 (1994): n = 2048, sd(f)/sigma = 7."""
    signal = np.asarray(pywt.data.demo_signal(name, 2048))
    signal = 7.0 * signal / signal.std()
    noisy = [signal + np.random.default_rng(k).normal(size=2048) for k in range(draws)]
    return min(float(np.mean([rms(m(x, 1.0) - signal) for x in noisy])) for m in methods)


def cost(method: Method) -> float:
    x = np.tile(trace()[0], 42)[:100_000] + np.random.default_rng(0).normal(scale=SIGMA, size=100_000)
    times = []
    for _ in range(3):
        start = time.process_time()
        method(x, SIGMA)
        times.append(time.process_time() - start)
    return min(times)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--draws", type=int, default=12)
    draws = parser.parse_args().draws
    signals = ("Blocks", "Bumps", "HeaviSine", "Doppler")
    ours(np.zeros(64), 1.0)
    base = cost(ours)
    print(f"{'':40}  time | main arcing  edges  | " + " ".join(f"{s:>9}" for s in signals))
    print(f"{'':40} ratio | uOhm rms, {SIGMA} in   | rms, sigma = 1")
    for name, methods in METHODS.items():
        zones = contact(methods, draws)
        rest = [published(methods, s, draws) for s in signals]
        figures = f"{zones[0]:5.2f} {zones[1]:6.2f} {zones[2]:7.1f}"
        print(
            f"{name:40} {cost(methods[0]) / base:5.1f} | {figures} | " + " ".join(f"{r:9.3f}" for r in rest), flush=True
        )
    print(f"\nours: {1e3 * base:.1f} ms for 100,000 samples")


if __name__ == "__main__":
    main()
