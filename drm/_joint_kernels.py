"""Compiled kernel of the joint step: contiguous float64 in and out, no checks; its twin in plain NumPy is in the tests.

Everything that the voltage near the commutation depends on is one linear step away from the fit of the move alone: its
middle and duration, both levels, the inductance, and whatever else is added to the voltage. The
arcing contact's own fluctuation is whitened by the filter that the fit of the move uses.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from drm._commutation_kernels import Window, innovations, not_before, share_at
from drm._hum_kernels import _backward, _cholesky
from drm._median_kernel import median, middle

# Compiled with _commutation_kernels, _hum_kernels, _median_kernel: 2862b0a9f1bbc13f
__all__ = ["MOVE", "block_means", "course", "courses", "joint_step", "normal_equations", "solved"]

FloatArray = NDArray[np.float64]

#: Into so many parts a level's residuals are divided to tell how much neighbours share.
BATCHES = 16
#: What a sense loop may have, H, standard.
SENSE_LOOP_H = 1.5e-6
#: Unknowns of the move alone: middle, log duration, closed level, arcing level, inductance.
MOVE = 5


@njit(cache=True, nogil=True, error_model="numpy")
def normal_equations(
    w: Window,
    m: float,
    d: float,
    shape: int,
    beta: FloatArray,
    added: FloatArray,
    normal: FloatArray,
    right: FloatArray,
) -> float:
    """Fill the normal matrix, shape (p, p), and the right side, shape (p,), of one Gauss-Newton step; p = MOVE + k.

    Returns the sum of squares that is there before the step, of the whitened residuals.

    Parameters
    ----------
    w : Window
        Its prior is not used.
    m, d, shape
        The move about which the step is taken.
    beta : shape (3,)
        Rm, Ra, L there.
    added : shape (n, k)
        Columns of what else is added to the voltage, V by unknown.
    """
    n, k = added.shape
    p = MOVE + k
    held = np.zeros(p)
    row = np.empty(p)
    carried, variance, left = 0.0, 1.0, 0.0
    live = w.spread > 0.0 or w.shared > 0.0
    # Wide enough to see past a corner of the move, and central.
    wide = 0.05
    for j in range(n):
        if live and j > 0:
            f = math.exp(-(w.t[j] - w.t[j - 1]) / w.tau)
            carried *= f
            for a in range(p):
                held[a] *= f
            variance = f * f * variance + 1.0 - f * f
        if not w.use[j]:
            continue
        u = (w.t[j] - m) / d
        h = share_at(shape, u, w.ratio)
        bend = (share_at(shape, u + wide, w.ratio) - share_at(shape, u - wide, w.ratio)) / (2.0 * wide)
        jump = w.i[j] * (beta[1] - beta[0])
        row[0] = -jump * bend / d
        row[1] = -jump * bend * u
        row[2] = w.i[j] * (1.0 - h)
        row[3] = w.i[j] * h
        row[4] = w.rate[j]
        for a in range(k):
            row[MOVE + a] = added[j, a]
        b = w.i[j] * h * w.spread + w.shared
        e = w.v[j] - row[2] * beta[0] - row[3] * beta[1] - beta[2] * w.rate[j] - b * carried
        scale2 = b * b * variance + w.base2[j]
        inverse = 1.0 / scale2
        if live:
            gain = variance * b * inverse
            carried += gain * e
            for a in range(p):
                row[a] -= b * held[a]
                held[a] += gain * row[a]
            variance -= gain * b * variance
        left += e * e * inverse
        for a in range(p):
            heavy = row[a] * inverse
            right[a] += heavy * e
            for c in range(a + 1):
                normal[a, c] += heavy * row[c]
    for a in range(p):
        for c in range(a):
            normal[c, a] = normal[a, c]
    return left


@njit(cache=True, nogil=True, error_model="numpy")
def block_means(samples: FloatArray, size: int) -> FloatArray:
    """Means of `size` neighbours, NaN passed over; the rest at the end is dropped."""
    out = np.empty(samples.size // size)
    for j in range(out.size):
        total, many = 0.0, 0
        for k in range(j * size, (j + 1) * size):
            x = samples[k]
            if x == x:
                total += x
                many += 1
        out[j] = total / many if many else np.nan
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _shared(t: FloatArray, v: FloatArray, i: FloatArray, level: float, slope: float, limit: float) -> float:
    """Variance of the means of one in BATCHES of the residuals by that of independent ones, at least one."""
    n = t.size
    size = n // BATCHES
    if size < 2:
        return 1.0
    total = squares = means = 0.0
    held = batches = 0
    for b in range(BATCHES):
        part, many = 0.0, 0
        for j in range(b * size, (b + 1) * size):
            e = v[j] - i[j] * (level + slope * t[j])
            if abs(e) <= limit:
                part += e
                squares += e * e
                many += 1
        total += part
        held += many
        if many:
            means += part * part / many
            batches += 1
    # A batch's sum squared by its number is the variance of one sample where the samples are independent.
    return max(1.0, means / batches / (squares / held)) if held and squares > 0.0 else 1.0


@njit(cache=True, nogil=True, error_model="numpy")
def course(
    time: FloatArray, volts: FloatArray, amps: FloatArray, begin: int, end: int, zero: float
) -> tuple[float, float]:
    """Slope of a level about the instant `zero`, ohm/s, and its standard uncertainty; infinite where it cannot be told.

    A line through V by I as regressor, what lies farther than five of the residuals' robust deviations left out; the
    residuals may be correlated. As far as the course is not straight, which the slopes of its halves tell, the slope at
    the time zero is uncertain.
    """
    n = max(end - begin, 0)
    t, v, i, left = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    for j in range(n):
        t[j], v[j], i[j] = time[begin + j] - zero, volts[begin + j], amps[begin + j]
    slopes, middles = np.zeros(3), np.zeros(3)
    u = np.inf
    for turn in range(3):
        # The whole, then each half.
        lo, hi = (0, n) if turn == 0 else ((0, n // 2) if turn == 1 else (n // 2, n))
        level = slope = 0.0
        limit = np.inf
        for _ in range(3):
            s0 = s1 = s2 = r0 = r1 = st = 0.0
            many = 0
            for j in range(lo, hi):
                if abs(v[j] - i[j] * (level + slope * t[j])) <= limit:
                    w = i[j] * i[j]
                    s0 += w
                    s1 += w * t[j]
                    s2 += w * t[j] * t[j]
                    r0 += i[j] * v[j]
                    r1 += i[j] * v[j] * t[j]
                    st += t[j]
                    many += 1
            det = s0 * s2 - s1 * s1
            if many < 8 or not det > 0.0:
                return 0.0, np.inf
            level, slope = (s2 * r0 - s1 * r1) / det, (s0 * r1 - s1 * r0) / det
            held = 0
            for j in range(lo, hi):
                e = abs(v[j] - i[j] * (level + slope * t[j]))
                if e == e:
                    left[held] = e
                    held += 1
            scale = 1.4826 * middle(left, held)
            limit = 5.0 * scale
        slopes[turn], middles[turn] = slope, st / many
        if turn == 0:
            u = scale * math.sqrt(s0 / det * _shared(t, v, i, level, slope, limit))
    # A half's slope has eight times the variance of the whole's.
    bend2 = max((slopes[2] - slopes[1]) ** 2 - 16.0 * u * u, 0.0) / (middles[2] - middles[1]) ** 2
    return slopes[0], math.sqrt(u * u + bend2 * middles[0] ** 2)


@njit(cache=True, nogil=True, error_model="numpy")
def solved(normal: FloatArray, right: FloatArray, p: int) -> tuple[FloatArray, FloatArray]:
    """Step and its variances of the first `p` unknowns of normal equations; they may be of very different sizes."""
    scale = np.empty(p)
    for a in range(p):
        # An unknown that nothing depends on (no sample fell into the move) stays where it is.
        scale[a] = 1.0 / math.sqrt(normal[a, a]) if normal[a, a] > 0.0 else 0.0
    one = np.empty((p, p))
    for a in range(p):
        for b in range(p):
            one[a, b] = normal[a, b] * scale[a] * scale[b]
        # Keeps what the record cannot tell apart finite, and moves nothing else.
        one[a, a] = one[a, a] + 1e-12 if scale[a] > 0.0 else 1.0
    low = _cholesky(one)
    unit, variance = np.empty(p), np.empty(p)
    for a in range(p):
        unit[a] = scale[a] * right[a]
    step = _backward(low, unit)
    for a in range(p):
        step[a] *= scale[a]
        unit[a] = 0.0
    for a in range(p):
        unit[a] = scale[a]
        variance[a] = scale[a] * _backward(low, unit)[a]
        unit[a] = 0.0
    return step, variance


@njit(cache=True, nogil=True, error_model="numpy")
def courses(
    time: FloatArray, v: FloatArray, i: FloatArray, at: float, apart_s: float, sliding_s: float
) -> tuple[float, float, float, float]:
    """Slope of the closed level up to `apart_s` before the move and of the arcing one from there after it, with u each.

    The closed level's is read from `sliding_s` before the move.
    """
    start, low, high = not_before(time, at - sliding_s), not_before(time, at - apart_s), not_before(time, at + apart_s)
    # The last tenth is left out: the contact's pressure falls before it parts.
    stop = time.size - (time.size - high) // 10
    start = min(start, low)
    closed = arcing = closed_u = arcing_u = 0.0
    for after in range(2):
        begin, end = (high, stop) if after else (start, low)
        slope, u = course(time, v, i, begin, end, at)
        if after:
            arcing, arcing_u = slope, u
        else:
            closed, closed_u = slope, u
    return closed, closed_u, arcing, arcing_u


@njit(cache=True, nogil=True, error_model="numpy")
def _precision(reach: float, closed: float, arcing: float, closed_scatter: float) -> FloatArray:
    """Precision known of middle, log duration, both levels and inductance; about the fit's own values."""
    out = np.empty(MOVE)
    out[0], out[1], out[3], out[4] = 1.0 / reach**2, 1.0, 1.0 / arcing**2, 1.0 / SENSE_LOOP_H**2
    out[2] = 1.0 / (closed_scatter**2 + (1e-4 * closed) ** 2)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def joint_step(
    time: FloatArray,
    v: FloatArray,
    i: FloatArray,
    rate: FloatArray,
    size: int,
    m: float,
    d: float,
    shape: int,
    beta: FloatArray,
    spread: float,
    memory: float,
    reach: float,
    closed_scatter: float,
    sigma: float,
    long_run: float,
    offset_u: float,
    added: FloatArray,
    prior: FloatArray,
    far: float,
    least: int,
) -> tuple[int, float, float, float, float]:
    """One Gauss-Newton step from a fit of the move alone, and what all the rest adds to its variances.

    Parameters
    ----------
    time, v, i, rate : shape (n,)
        About the move; `size` neighbours are averaged.
    reach : s
        Standard deviation of the middle, known beforehand.
    offset_u : V
        Of the offset that is left. It cannot be told from resistance while the current stands still: the levels hold
        what it adds at the usual current, and its column what remains.
    added, prior : shape (n // size, k), (k, k)
        Columns of what else is added to the voltage, and the precision known of them.
    far : float
        Innovations beyond are left out.
    least : int
        Fewer samples are not stepped from.

    Returns
    -------
    many : int
        Samples; the rest is zero where they are fewer than `least`.
    shift, shift_log, more, more_log
        Steps of the middle and of the log duration beyond those of the move alone, and their variances likewise.
    """
    t = block_means(time, size) - m
    volts, amps, slope = block_means(v, size), block_means(i, size), block_means(rate, size)
    use, base = np.empty(t.size, dtype=np.bool_), np.empty(t.size)
    for j in range(t.size):
        use[j] = math.isfinite(volts[j]) and math.isfinite(amps[j]) and math.isfinite(slope[j])
        sliding = closed_scatter * amps[j] if t[j] < 0.5 * d and math.isfinite(amps[j]) else 0.0
        base[j] = long_run / size * (sigma**2 + sliding**2)
    nothing, z = np.zeros(4), np.empty(t.size)
    w = Window(t, volts, amps, slope, base, use, beta[1] / beta[0], spread, memory, 0.0, nothing, nothing)
    innovations(w, 0.0, d, shape, beta, far, z)
    many = 0
    for j in range(t.size):
        use[j] = use[j] and abs(z[j]) < far
        many += use[j]
    if many < least:
        return many, 0.0, 0.0, 0.0, 0.0
    usual = median(amps)
    columns = np.zeros((t.size, 1 + added.shape[1]))
    for j in range(t.size):
        columns[j, 0] = 1.0 - amps[j] / usual if math.isfinite(amps[j]) else 0.0
        for a in range(added.shape[1]):
            columns[j, 1 + a] = added[j, a]
    own = _precision(reach, beta[0], beta[1], closed_scatter)
    p = MOVE + columns.shape[1]
    normal, right = np.zeros((p, p)), np.zeros(p)
    normal_equations(w, 0.0, d, shape, beta, columns, normal, right)
    for a in range(MOVE):
        normal[a, a] += own[a]
    normal[MOVE, MOVE] += 1.0 / offset_u**2
    for a in range(prior.shape[0]):
        for b in range(prior.shape[0]):
            normal[MOVE + 1 + a, MOVE + 1 + b] += prior[a, b]
    alone, alone_var = solved(normal, right, right.size - columns.shape[1])
    whole, whole_var = solved(normal, right, right.size)
    return many, whole[0] - alone[0], whole[1] - alone[1], whole_var[0] - alone_var[0], whole_var[1] - alone_var[1]
