"""The measuring chain: filter, sampling, hum, impulses, noise, clipping, quantisation."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["filtered", "hum", "impulses", "quantised", "sampled"]

FloatArray = NDArray[np.float64]


def filtered(samples: FloatArray, cutoff_hz: float, rate_hz: float) -> FloatArray:
    """Anti-alias filter: second-order Butterworth, causal, at rest on the first sample."""
    from scipy.signal import butter, sosfilt, sosfilt_zi

    if cutoff_hz >= 0.5 * rate_hz:
        return samples
    sos = butter(2, cutoff_hz, fs=rate_hz, output="sos")
    return np.asarray(sosfilt(sos, samples, zi=sosfilt_zi(sos) * samples[0])[0], dtype=np.float64)


def sampled(samples: FloatArray, fine_s: FloatArray, at_s: FloatArray) -> FloatArray:
    """The samples at the recorder's instants, between fine ones by straight lines."""
    return np.asarray(np.interp(at_s, fine_s, samples), dtype=np.float64)


def hum(at_s: FloatArray, peak: float, frequency_hz: float, rng: np.random.Generator) -> FloatArray:
    """Line frequency of amplitude `peak` with a third of it in the third harmonic and a fifth in the fifth."""
    phase = rng.uniform(0.0, 2.0 * np.pi, 3)
    w = 2.0 * np.pi * frequency_hz * at_s
    parts = [s * np.sin(h * w + p) for h, s, p in zip((1, 3, 5), (1.0, 1 / 3, 0.2), phase, strict=True)]
    return np.asarray(peak * sum(parts), dtype=np.float64)


def impulses(samples: FloatArray, count: int, height: float, rng: np.random.Generator) -> FloatArray:
    """Copy with `count` single samples displaced by up to `height` either way."""
    out = samples.copy()
    out[rng.integers(0, out.size, count)] += rng.uniform(-height, height, count)
    return out


def quantised(samples: FloatArray, full: float, bits: int) -> FloatArray:
    """Clipped to ±`full` and rounded to the step of a converter of `bits`; the greatest code is one step below."""
    step = 2.0 * full / 2**bits
    codes = np.clip(np.round(samples / step), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    return np.asarray(step * codes, dtype=np.float64)
