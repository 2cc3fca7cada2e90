"""Compiled kernels of the signal core: contiguous float64 in and out, no checks; twins in plain NumPy in the tests.

The commutation is a move of the resistance from the closed level to the arcing one along ``share(t)``, 0 to 1, one half
at its middle. What is observed is ``V = I [(1 - h) Rm + h (Ra + s g)] + L dI/dt + e`` with `h` the share, `g` a
stationary first-order process of unit variance (the arcing contact's own fluctuation) and `e` white noise. For given
`h` the levels and L are linear: the filter whitens their columns, and least squares does the rest.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = [
    "COMPACT",
    "SHAPES",
    "Sums",
    "Window",
    "evidence",
    "innovations",
    "lead_of",
    "not_before",
    "pace_of",
    "placed",
    "risen",
    "share_at",
    "span_of",
    "summed",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Shapes of the move: straight in resistance, smooth at both ends, quick at the start, straight in conductance (fingers
#: that leave one by one), smooth in conductance; logistic, with tails, in resistance and in conductance.
SHAPES = 7
#: Of these, those that are over after one duration.
COMPACT = 5
#: Where the shape that is quick at the start passes one half: 0.5 ** (1 / 1.6) from its end.
_HALF = 0.5 ** (1.0 / 1.6)
#: The logistic is 1 / (1 + exp(-2 STEEP u)) to one duration on either side, what is left there shared out.
_STEEP = 4.0
_REST = math.tanh(_STEEP)


class Window(NamedTuple):
    """What the move is fitted to, and what is known of it from elsewhere.

    Attributes
    ----------
    t, v, i, rate, base2 : float64, shape (n,)
        Time in order of opening, s; V; A; dI/dt; variance of the noise, V^2.
    use : bool, shape (n,)
        Samples that count.
    ratio : float
        Arcing level by the closed one.
    spread, tau : float
        Standard deviation of the arcing contact's fluctuation, ohm, and its correlation time, s.
    shared : float
        Standard deviation of the noise that neighbouring samples share, V, where the contact does not fluctuate; `tau`
        is then its correlation time.
    prior, weight : float64, shape (4,)
        Mean and precision of (Rm, Ra, L, log duration) from elsewhere.
    """

    t: FloatArray
    v: FloatArray
    i: FloatArray
    rate: FloatArray
    base2: FloatArray
    use: BoolArray
    ratio: float
    spread: float
    tau: float
    shared: float
    prior: FloatArray
    weight: FloatArray


@njit(cache=True, nogil=True, error_model="numpy")
def span_of(shape: np.int64 | int) -> float:
    """How long the whole move takes, in durations: its tails count where it has such."""
    return 1.0 if shape < COMPACT else 2.0


@njit(cache=True, nogil=True, error_model="numpy")
def lead_of(shape: np.int64 | int, ratio: float) -> float:
    """How long before its middle the move begins, in durations; `ratio`: arcing level by the closed."""
    if shape < 2:
        return 0.5
    if shape == 2:
        return 1.0 - _HALF
    if shape == 5:
        return 1.0
    ahead = ratio / (1.0 + ratio)
    if shape == 3:
        return ahead
    if shape == 6:
        return 1.0 + math.atanh((2.0 * ahead - 1.0) * _REST) / _STEEP
    # Where the smooth step reaches `ahead`: the root of 3 x^2 - 2 x^3 by the rule of the cosine.
    return 0.5 - math.sin(math.asin(1.0 - 2.0 * ahead) / 3.0)


@njit(cache=True, nogil=True, error_model="numpy")
def risen(shape: np.int64 | int, x: float, ratio: float) -> float:
    """Share of the current that has moved `x` durations after the move's beginning."""
    if x <= 0.0:
        return 0.0
    if x >= span_of(shape):
        return 1.0
    if shape == 0:
        return x
    if shape == 2:
        slow: float = 1.0 - (1.0 - x) ** 1.6
        return slow
    if shape >= COMPACT:
        y = 0.5 + (1.0 / (1.0 + math.exp(2.0 * _STEEP * (1.0 - x))) - 0.5) / _REST
    else:
        y = x if shape == 3 else x * x * (3.0 - 2.0 * x)
    if shape == 1 or shape == 5:
        return y
    return (1.0 / (1.0 - y * (1.0 - 1.0 / ratio)) - 1.0) / (ratio - 1.0)


@njit(cache=True, nogil=True, error_model="numpy")
def share_at(shape: int, u: float, ratio: float) -> float:
    """Share of the current that has moved `u` durations after the middle; `ratio`: arcing level by the closed."""
    return risen(shape, u + lead_of(shape, ratio), ratio)


@njit(cache=True, nogil=True, error_model="numpy")
def not_before(t: FloatArray, x: float) -> int:
    """First of the ascending `t` that is not less than `x`; their number where there is none."""
    low, high = 0, t.size
    while low < high:
        middle = (low + high) >> 1
        if t[middle] < x:
            low = middle + 1
        else:
            high = middle
    return low


@njit(cache=True, nogil=True, error_model="numpy")
def placed(t: FloatArray, pace: float, x: float) -> int:
    """The same on steps that are nearly even, `pace` of them a second: counted, and put right from there."""
    n = t.size
    k = int(min(max((x - t[0]) * pace, -1.0), float(n - 1))) + 1
    while k > 0 and t[k - 1] >= x:
        k -= 1
    while k < n and t[k] < x:
        k += 1
    return k


@njit(cache=True, nogil=True, error_model="numpy")
def pace_of(t: FloatArray) -> float:
    """Samples a second on the average."""
    pace: float = (t.size - 1) / (t[t.size - 1] - t[0])
    return pace


class Sums(NamedTuple):
    """What the samples before and after any move add to its evidence, so that only those within are gone through.

    Before the move the filter knows nothing and the columns are those of the closed contact: running sums. After it
    all current is on the arcing contact: what those samples say of the fluctuation at the first of them, by the
    filter run backwards (the information filter of Fraser and Potter, 1969).

    Attributes
    ----------
    pace : float
        Samples a second.
    fade : float64, shape (n,)
        What is left of the fluctuation since the sample before.
    before : float64, shape (n + 1, 11)
        Of all samples before: products of the columns of Rm, L and V, whitened; the logarithm of the variance; what the
        filter has of V, Rm, L from them, and its variance.
    after : float64, shape (n + 1, 11)
        Of this sample and all that follow: precision of the fluctuation; its products with the columns of V, Ra, L;
        products of these columns; the logarithm of the variance.
    """

    pace: float
    fade: FloatArray
    before: FloatArray
    after: FloatArray


@njit(cache=True, nogil=True, error_model="numpy")
def summed(w: Window) -> Sums:
    """Running sums of a window, for :func:`evidence`."""
    n = w.t.size
    fade, before, after = np.ones(n), np.zeros((n + 1, 11)), np.zeros((n + 1, 11))
    before[0, 10] = 1.0
    live = w.spread > 0.0 or w.shared > 0.0
    for k in range(n):
        if live and k > 0:
            fade[k] = math.exp(-(w.t[k] - w.t[k - 1]) / w.tau)
        a, b, f = before[k], before[k + 1], fade[k]
        for j in range(7):
            b[j] = a[j]
        b[7], b[8], b[9], b[10] = f * a[7], f * a[8], f * a[9], f * f * a[10] + 1.0 - f * f
        if w.use[k]:
            g = w.shared
            y, x, z = w.v[k] - g * b[7], w.i[k] - g * b[8], w.rate[k] - g * b[9]
            s = g * g * b[10] + w.base2[k]
            inverse = 1.0 / s
            b[0] += x * x * inverse
            b[1] += x * z * inverse
            b[2] += z * z * inverse
            b[3] += x * y * inverse
            b[4] += z * y * inverse
            b[5] += y * y * inverse
            b[6] += math.log(s)
            g *= b[10] * inverse
            b[7] += g * y
            b[8] += g * x
            b[9] += g * z
            b[10] *= w.base2[k] * inverse
    for k in range(n - 1, -1, -1):
        a, b = after[k + 1], after[k]
        # Back by one step: what is new in the fluctuation since the sample before is integrated out.
        f = fade[k + 1] if k + 1 < n else 1.0
        fresh = 1.0 - f * f
        grown = 1.0 + a[0] * fresh
        c = fresh / grown
        b[0] = f * f * a[0] / grown
        b[1], b[2], b[3] = f * a[1] / grown, f * a[2] / grown, f * a[3] / grown
        b[4], b[5], b[6] = a[4] - a[1] * a[1] * c, a[5] - a[1] * a[2] * c, a[6] - a[1] * a[3] * c
        b[7], b[8], b[9] = a[7] - a[2] * a[2] * c, a[8] - a[2] * a[3] * c, a[9] - a[3] * a[3] * c
        b[10] = a[10] + math.log(grown)
        if w.use[k]:
            x, y, z, inverse = w.i[k], w.v[k], w.rate[k], 1.0 / w.base2[k]
            g = x * w.spread + w.shared
            b[0] += g * g * inverse
            b[1] += g * y * inverse
            b[2] += g * x * inverse
            b[3] += g * z * inverse
            b[4] += y * y * inverse
            b[5] += y * x * inverse
            b[6] += y * z * inverse
            b[7] += x * x * inverse
            b[8] += x * z * inverse
            b[9] += z * z * inverse
            b[10] += math.log(w.base2[k])
    return Sums(pace_of(w.t), fade, before, after)


@njit(cache=True, nogil=True, error_model="numpy")
def evidence(
    w: Window,
    sums: Sums,
    m: float,
    d: float,
    shape: int,
    beta: FloatArray,
    cov: FloatArray,
) -> float:
    """Log evidence of one move with middle `m` and duration `d`, the levels and the inductance integrated out.

    `beta` and `cov`, of shape (3,) and (3, 3), are filled with the estimates of (Rm, Ra, L) and their covariance.
    """
    t, v, i, rate, base2, use = w.t, w.v, w.i, w.rate, w.base2, w.use
    ratio, spread, shared, prior, weight = w.ratio, w.spread, w.shared, w.prior, w.weight
    lead = lead_of(shape, ratio)
    n = t.size
    start, stop = placed(t, sums.pace, m - lead * d), placed(t, sums.pace, m + (span_of(shape) - lead) * d)
    b = sums.before[start]
    n00, n02, n22 = weight[0] + b[0], b[1], weight[2] + b[2]
    r0, r2 = weight[0] * prior[0] + b[3], weight[2] * prior[2] + b[4]
    yy = weight[0] * prior[0] ** 2 + weight[1] * prior[1] ** 2 + weight[2] * prior[2] ** 2 + b[5]
    logs = b[6]
    n11, r1 = weight[1], weight[1] * prior[1]
    n01 = n12 = 0.0
    product = 1.0
    xy, x0, x2, p = b[7], b[8], b[9], b[10]
    x1 = 0.0
    inverse_d = 1.0 / d
    for k in range(start, stop):
        f = sums.fade[k]
        xy *= f
        x0 *= f
        x1 *= f
        x2 *= f
        p = f * f * p + 1.0 - f * f
        if not use[k]:
            continue
        h = risen(shape, (t[k] - m) * inverse_d + lead, ratio)
        a0, a1, a2 = i[k] * (1.0 - h), i[k] * h, rate[k]
        g = a1 * spread + shared
        ey, e0, e1, e2 = v[k] - g * xy, a0 - g * x0, a1 - g * x1, a2 - g * x2
        s = g * g * p + base2[k]
        inv = 1.0 / s
        g *= p * inv
        xy += g * ey
        x0 += g * e0
        x1 += g * e1
        x2 += g * e2
        p *= base2[k] * inv
        n00 += e0 * e0 * inv
        n01 += e0 * e1 * inv
        n02 += e0 * e2 * inv
        n11 += e1 * e1 * inv
        n12 += e1 * e2 * inv
        n22 += e2 * e2 * inv
        r0 += e0 * ey * inv
        r1 += e1 * ey * inv
        r2 += e2 * ey * inv
        yy += ey * ey * inv
        product *= s
        if product < 1e-200 or product > 1e200:
            logs += math.log(product)
            product = 1.0
    f = sums.fade[stop] if stop < n else 1.0
    xy *= f
    x0 *= f
    x1 *= f
    x2 *= f
    p = f * f * p + 1.0 - f * f
    # All that follows, given what the filter knows here of the fluctuation.
    a = sums.after[stop]
    q, cy, c1, c2 = a[0], a[1], a[2], a[3]
    uy, u0, u1, u2 = cy - q * xy, -q * x0, c1 - q * x1, c2 - q * x2
    grown = 1.0 + q * p
    c = p / grown
    n00 += -u0 * x0 - u0 * u0 * c
    n01 += -u0 * x1 - c1 * x0 - u0 * u1 * c
    n02 += -u0 * x2 - c2 * x0 - u0 * u2 * c
    n11 += a[7] - u1 * x1 - c1 * x1 - u1 * u1 * c
    n12 += a[8] - u1 * x2 - c2 * x1 - u1 * u2 * c
    n22 += a[9] - u2 * x2 - c2 * x2 - u2 * u2 * c
    r0 += -u0 * xy - cy * x0 - u0 * uy * c
    r1 += a[5] - u1 * xy - cy * x1 - u1 * uy * c
    r2 += a[6] - u2 * xy - cy * x2 - u2 * uy * c
    yy += a[4] - uy * xy - cy * xy - uy * uy * c
    logs += a[10] + math.log(product * grown)
    # Inverse of the symmetric 3 x 3 by cofactors.
    c00, c01, c02 = n11 * n22 - n12 * n12, n02 * n12 - n01 * n22, n01 * n12 - n02 * n11
    det = n00 * c00 + n01 * c01 + n02 * c02
    if not det > 0.0:
        return -1e300
    cov[0, 0], cov[0, 1], cov[0, 2] = c00 / det, c01 / det, c02 / det
    cov[1, 1], cov[1, 2], cov[2, 2] = (
        (n00 * n22 - n02 * n02) / det,
        (n01 * n02 - n00 * n12) / det,
        (n00 * n11 - n01 * n01) / det,
    )
    cov[1, 0], cov[2, 0], cov[2, 1] = cov[0, 1], cov[0, 2], cov[1, 2]
    beta[0] = cov[0, 0] * r0 + cov[0, 1] * r1 + cov[0, 2] * r2
    beta[1] = cov[1, 0] * r0 + cov[1, 1] * r1 + cov[1, 2] * r2
    beta[2] = cov[2, 0] * r0 + cov[2, 1] * r1 + cov[2, 2] * r2
    quad = yy - (beta[0] * r0 + beta[1] * r1 + beta[2] * r2)
    odd = math.log(d) - prior[3]
    found: float = -0.5 * (logs + quad + math.log(det) + weight[3] * odd * odd)
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def innovations(
    w: Window,
    m: float,
    d: float,
    shape: np.int64 | int,
    beta: FloatArray,
    limit: float,
    z: FloatArray,
) -> None:
    """Standardised innovations at given levels, shape (n,) in `z`; a sample beyond `limit` does not move the filter."""
    t, v, i, rate, base2, use = w.t, w.v, w.i, w.rate, w.base2, w.use
    ratio, spread, shared, tau = w.ratio, w.spread, w.shared, w.tau
    x, p = 0.0, 1.0
    live = spread > 0.0 or shared > 0.0
    lead = lead_of(shape, ratio)
    for k in range(t.size):
        if live and k > 0:
            f = math.exp(-(t[k] - t[k - 1]) / tau)
            x *= f
            p = f * f * p + 1.0 - f * f
        z[k] = 0.0
        if not use[k]:
            continue
        h = risen(shape, (t[k] - m) / d + lead, ratio)
        b = i[k] * h * spread + shared
        s = b * b * p + base2[k]
        e = v[k] - i[k] * ((1.0 - h) * beta[0] + h * beta[1]) - beta[2] * rate[k] - b * x
        z[k] = e / math.sqrt(s)
        if live and abs(z[k]) < limit:
            g = p * b / s
            x += g * e
            p -= g * b * p
