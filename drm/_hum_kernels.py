"""Kernels of the hum's fit: contiguous float64 in and out, no checks, no strings; :mod:`drm.denoise` calls them."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from drm._median_kernel import median, scatter

# Compiled with _median_kernel: 93e1abf6ff8eeac8
__all__ = ["block_means", "columns", "solve"]

FloatArray = NDArray[np.float64]


@njit(cache=True, nogil=True, error_model="numpy")
def block_means(
    time_s: FloatArray, voltage_v: FloatArray, current_a: FloatArray, size: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Means of time, voltage and current over blocks of `size` samples, NaN left out; blocks less than half full go."""
    blocks = voltage_v.size // size
    out = np.empty((3, blocks))
    kept = 0
    for b in range(blocks):
        t = v = i = 0.0
        many = 0
        for k in range(b * size, (b + 1) * size):
            if math.isfinite(voltage_v[k]) and math.isfinite(current_a[k]):
                t += time_s[k]
                v += voltage_v[k]
                i += current_a[k]
                many += 1
        if 2 * many > size:
            out[0, kept] = t / many
            out[1, kept] = v / many
            out[2, kept] = i / many
            kept += 1
    times, volts, amps = np.empty(kept), np.empty(kept), np.empty(kept)
    for b in range(kept):
        times[b], volts[b], amps[b] = out[0, b], out[1, b], out[2, b]
    return times, volts, amps


@njit(cache=True, nogil=True, error_model="numpy")
def columns(
    past: FloatArray, hertz: float, cosine: FloatArray, sine: FloatArray, scale: FloatArray
) -> FloatArray:
    """By how much each cosine, each sine and the frequency, in units of `scale`, moves the hum; shape (n, 2 m + 1).

    `past` is the time from the hum's origin; without hum (m = 0) there are no columns.
    """
    m = cosine.size
    out = np.empty((past.size, 2 * m + 1 if m > 0 else 0))
    for j in range(out.shape[0]):
        turned = 0.0
        for k in range(m):
            angle = 2.0 * math.pi * hertz * (k + 1) * past[j]
            c, s = math.cos(angle), math.sin(angle)
            out[j, k], out[j, m + k] = c * scale[k], s * scale[m + k]
            turned += (k + 1) * (sine[k] * c - cosine[k] * s)
        if m > 0:
            out[j, 2 * m] = 2.0 * math.pi * past[j] * turned * scale[2 * m]
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _cholesky(a: FloatArray) -> FloatArray:
    """Lower factor of a symmetric positive matrix; a pivot that vanishes is lifted, so that its unknown stays put."""
    p = a.shape[0]
    low = np.zeros((p, p))
    for j in range(p):
        s = a[j, j]
        for k in range(j):
            s -= low[j, k] * low[j, k]
        low[j, j] = math.sqrt(max(s, 1e-12 * a[j, j] + 1e-300))
        for r in range(j + 1, p):
            s = a[r, j]
            for k in range(j):
                s -= low[r, k] * low[j, k]
            low[r, j] = s / low[j, j]
    return low


@njit(cache=True, nogil=True, error_model="numpy")
def _backward(low: FloatArray, b: FloatArray) -> FloatArray:
    """Solution of ``low low.T x = b``."""
    p = b.size
    x = np.empty(p)
    for j in range(p):
        x[j] = b[j]
        for k in range(j):
            x[j] -= low[j, k] * x[k]
        x[j] /= low[j, j]
    for j in range(p - 1, -1, -1):
        for k in range(j + 1, p):
            x[j] -= low[k, j] * x[k]
        x[j] /= low[j, j]
    return x


@njit(cache=True, nogil=True, error_model="numpy")
def _columns(
    time_s: FloatArray, current_a: FloatArray, f: float, x: FloatArray, orders: int, unit_hz: float
) -> FloatArray:
    """Design of shape (n, 2 orders + 2): current, cosines, sines, and the slope with the frequency in `unit_hz`."""
    n = time_s.size
    out = np.zeros((n, 2 * orders + 2))
    for m in range(n):
        out[m, 0] = current_a[m]
        if orders == 0:
            continue
        angle = 2.0 * math.pi * f * time_s[m]
        c1, s1 = math.cos(angle), math.sin(angle)
        c, s = 1.0, 0.0
        rate = 0.0
        for k in range(1, orders + 1):
            c, s = c * c1 - s * s1, s * c1 + c * s1
            out[m, k] = c
            out[m, orders + k] = s
            rate += k * (x[orders + k] * c - x[k] * s)
        out[m, 2 * orders + 1] = 2.0 * math.pi * unit_hz * time_s[m] * rate
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def solve(
    time_s: FloatArray,
    voltage_v: FloatArray,
    current_a: FloatArray,
    frequency_hz: float,
    unit_hz: float,
    orders: int,
    floor: float,
    rounds: int,
) -> tuple[FloatArray, FloatArray, float]:
    """Robust fit of ``R i`` and `orders` harmonics whose common frequency is free under a Gaussian prior.

    Least squares, then least absolute deviations, then Tukey's redescending weights; each round is a Gauss-Newton step
    on the frequency as well.

    Parameters
    ----------
    time_s, voltage_v, current_a : ndarray, shape (n,)
        Time from the middle of the stretch.
    frequency_hz, unit_hz : float
        Prior mean and standard deviation.
    orders : int
        Number of harmonics; with none the frequency stays.
    floor : float
        Least residual scale.
    rounds : int
        At the most.

    Returns
    -------
    x : ndarray, shape (2 orders + 2,)
        Resistance, cosines, sines, frequency in Hz.
    covariance : ndarray, shape (2 orders + 2, 2 orders + 2)
    scale : float
        Robust standard deviation of the residuals.
    """
    n = voltage_v.size
    p = 2 * orders + 2
    x = np.zeros(p)
    f = frequency_hz
    weight, rest, amps = np.empty(n), np.empty(n), np.empty(n)
    low = np.zeros((p, p))
    scale = 0.0
    typical = 0.0
    for m in range(n):
        typical += current_a[m] * current_a[m]
    typical = math.sqrt(typical / n)
    if typical == 0.0:
        typical = 1.0
    for m in range(n):
        weight[m], rest[m], amps[m] = 1.0, voltage_v[m], current_a[m] / typical
    for a in range(p):
        low[a, a] = 1.0
    for turn in range(rounds):
        free = orders > 0 and turn > 0
        design = _columns(time_s, amps, f, x, orders, unit_hz)
        normal = np.zeros((p, p))
        right = np.zeros(p)
        # Sums over the unknowns inside, not over the samples: these the compiler does several at a time, and no library
        # of linear algebra has to be loaded.
        for m in range(n):
            for a in range(p):
                heavy = weight[m] * design[m, a]
                right[a] += heavy * voltage_v[m]
                for b in range(a + 1):
                    normal[a, b] += heavy * design[m, b]
        for a in range(p):
            for b in range(a):
                normal[b, a] = normal[a, b]
        # The slope's column is beside the harmonics' own present values, which the fit replaces: nothing to take off.
        last = p - 1
        prior = max(scale * scale, 1e-300)
        if free:
            normal[last, last] += prior
            right[last] += prior * (frequency_hz - f) / unit_hz
        else:
            for a in range(p):
                normal[last, a] = normal[a, last] = 0.0
            normal[last, last] = 1.0
            right[last] = 0.0
        low = _cholesky(normal)
        new = _backward(low, right)
        moved = 0.0
        for a in range(p):
            moved = max(moved, abs(new[a] - x[a]) if a < last else abs(new[a]) * scale)
        x = new
        for m in range(n):
            model = 0.0
            for a in range(p):
                model += x[a] * design[m, a]
            rest[m] = voltage_v[m] - model
        if free:
            f += x[last] * unit_hz
            f = min(max(f, frequency_hz - 3.0 * unit_hz), frequency_hz + 3.0 * unit_hz)
        scale = max(1.4826 * scatter(rest, median(rest)), floor)
        if scale <= 0.0:
            break
        if turn < 3:
            for m in range(n):
                weight[m] = 1.0 / max(abs(rest[m]), 0.1 * scale) * scale
        else:
            if turn > 4 and moved < 1e-2 * scale / math.sqrt(n):
                break
            for m in range(n):
                z = rest[m] / (4.685 * scale)
                weight[m] = max(1.0 - z * z, 0.0) ** 2
    covariance = np.empty((p, p))
    unit, per = np.zeros(p), np.empty(p)
    for a in range(p):
        per[a] = 1.0
    per[0] = 1.0 / typical
    per[p - 1] = unit_hz if orders > 0 else 0.0
    for a in range(p):
        unit[a] = 1.0
        solution = _backward(low, unit)
        unit[a] = 0.0
        for b in range(p):
            covariance[a, b] = solution[b] * (scale * scale) * per[a] * per[b]
    x[0] /= typical
    x[p - 1] = f
    return x, covariance, scale
