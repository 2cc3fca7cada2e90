"""Kernels of slopes and levels near the move: contiguous float64, no checks; :mod:`drm.resistance` and the zones call.

Twins in plain NumPy are in the tests.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from drm._median_kernel import median, middle, scatter

# Compiled with _median_kernel: 93e1abf6ff8eeac8
__all__ = ["at_rest", "before_move", "clear", "long_run", "moving_rate", "slope", "steep"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Samples that tell a noise; fewer are none.
FEWEST = 8


@njit(cache=True, nogil=True, error_model="numpy")
def slope(time: FloatArray, samples: FloatArray) -> FloatArray:
    """Central difference of second order on uneven steps, of first order at both ends; NaN of a single sample."""
    n = time.size
    out = np.empty(n)
    if n == 1:
        out[0] = np.nan
    for k in range(1, n - 1):
        ahead, behind = time[k + 1] - time[k], time[k] - time[k - 1]
        up, down = (samples[k + 1] - samples[k]) / ahead, (samples[k] - samples[k - 1]) / behind
        out[k] = (up * behind + down * ahead) / (ahead + behind)
    if n > 1:
        out[0] = (samples[1] - samples[0]) / (time[1] - time[0])
        out[n - 1] = (samples[n - 1] - samples[n - 2]) / (time[n - 1] - time[n - 2])
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def clear(rate: FloatArray, quiet: FloatArray) -> FloatArray:
    """`rate`, zero where it does not stand clear of its noise, read from `quiet` or, where that is short, itself."""
    told = 0
    for x in quiet:
        told += math.isfinite(x)
    if told < FEWEST:
        quiet = rate
    noise = 1.4826 * scatter(quiet, median(quiet))
    for k in range(rate.size):
        if not abs(rate[k]) > 6.0 * noise:
            rate[k] = 0.0
    return rate


@njit(cache=True, nogil=True, error_model="numpy")
def moving_rate(time: FloatArray, amps: FloatArray, rest_time: FloatArray, rest_amps: FloatArray) -> FloatArray:
    """Slope where it stands clear of its noise, else zero; the noise is read at rest, or here where nothing rests."""
    return clear(slope(time, amps), slope(rest_time, rest_amps))


@njit(cache=True, nogil=True, error_model="numpy")
def steep(
    time: FloatArray, amps: FloatArray, volts: FloatArray, least: float, metal: float
) -> tuple[FloatArray, BoolArray, int]:
    """Slope of the current; where it is steeper than `least` with less than `metal` volts; in how many samples."""
    rate = slope(time, amps)
    good = np.zeros(rate.size, dtype=np.bool_)
    many = 0
    for k in range(rate.size):
        if abs(rate[k]) > least and math.isfinite(amps[k]) and abs(volts[k]) < metal:
            good[k] = True
            many += 1
    return rate, good, many


@njit(cache=True, nogil=True, error_model="numpy")
def long_run(samples: FloatArray, sigma: float, block: int) -> float:
    """Variance of the means of `block` samples by that of white noise `sigma`, from 1 to 16; NaN passed over."""
    means = np.empty(samples.size // block)
    many = held = 0
    total = 0.0
    for x in samples:
        if math.isfinite(x):
            total += x
            held += 1
            if held == block:
                means[many] = total / block
                many += 1
                held, total = 0, 0.0
    if many < FEWEST:
        return 1.0
    centre = middle(means, many)
    for k in range(many):
        means[k] = abs(means[k] - centre)
    spread = 1.4826 * middle(means, many)
    return min(max(block * (spread / sigma) ** 2, 1.0), 16.0)


@njit(cache=True, nogil=True, error_model="numpy")
def at_rest(v: FloatArray, i: FloatArray, sigma: float, block: int) -> tuple[float, float, float]:
    """Resistance of the contact at rest; what the voltage scatters by about it, V; :func:`long_run` of that."""
    left = np.empty(v.size)
    for k in range(v.size):
        left[k] = v[k] / i[k]
    closed = median(left)
    for k in range(v.size):
        left[k] = v[k] - closed * i[k]
    spread = 1.4826 * scatter(left, 0.0)
    return closed, spread if spread == spread else 0.0, long_run(left, sigma, block)


@njit(cache=True, nogil=True, error_model="numpy")
def before_move(r: FloatArray, start: int, stop: int) -> float:
    """What the resistance scatters by from `start` to `stop`; zero without a reading."""
    part = r[start:stop]
    spread = 1.4826 * scatter(part, median(part))
    return spread if spread == spread else 0.0
