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
    "SHAPES",
    "Window",
    "evidence",
    "innovations",
    "posterior",
    "profile",
    "ramp_search",
    "share_at",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Shapes of the move: straight in resistance, smooth at both ends, quick at the start, straight in conductance (fingers
#: that leave one by one), smooth in conductance.
SHAPES = 5
#: Where the shape that is quick at the start passes one half: 0.5 ** (1 / 1.6) from its end.
_HALF = 0.5 ** (1.0 / 1.6)


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
    prior: FloatArray
    weight: FloatArray


@njit(cache=True, nogil=True)
def share_at(
    shape: int,
    u: float,
    ratio: float,
) -> float:
    """Share of the current that has moved `u` durations after the middle; `ratio`: arcing level by the closed."""
    if shape == 2:
        x = _HALF - u
        return 1.0 if x <= 0.0 else (0.0 if x >= 1.0 else 1.0 - x**1.6)
    if shape == 0 or shape == 1:
        x = u + 0.5
    elif shape == 3:
        x = u + ratio / (1.0 + ratio)
    else:
        # Where the smooth step reaches ratio / (1 + ratio): the root of 3 x^2 - 2 x^3 by the rule of the cosine.
        x = u + 0.5 - math.sin(math.asin(1.0 - 2.0 * ratio / (1.0 + ratio)) / 3.0)
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    if shape == 0:
        return x
    if shape == 1:
        return x * x * (3.0 - 2.0 * x)
    y = x if shape == 3 else x * x * (3.0 - 2.0 * x)
    return (1.0 / (1.0 - y * (1.0 - 1.0 / ratio)) - 1.0) / (ratio - 1.0)


@njit(cache=True, nogil=True)
def ramp_search(
    t: FloatArray,
    v: FloatArray,
    i: FloatArray,
    closed: float,
    arcing: float,
    base2: FloatArray,
    spread: float,
    middles: FloatArray,
    durations: FloatArray,
) -> tuple[float, float, float]:
    """Most likely straight move of the resistance under Student's t with three degrees of freedom.

    The scale of each sample is its noise (variance `base2`, V^2) and `spread` ohm in proportion to the share moved.
    Products stand for sums of logarithms, taken out every sixteen samples.

    Returns the middle, the duration and the log likelihood.
    """
    best, best_m, best_d = -1e300, middles[0], durations[0]
    for d in durations:
        for m in middles:
            total = 0.0
            top = low = 1.0
            held = 0
            for k in range(t.size):
                x, y = i[k], v[k]
                if not (x == x and y == y):
                    continue
                h = share_at(0, (t[k] - m) / d, 2.0)
                z = y - x * (closed + (arcing - closed) * h)
                w = spread * h * x
                scale2 = base2[k] + w * w
                low *= scale2
                top *= 1.0 + z * z / (3.0 * scale2)
                held += 1
                if held == 16:
                    total -= 0.5 * math.log(low) + 2.0 * math.log(top)
                    top = low = 1.0
                    held = 0
            total -= 0.5 * math.log(low) + 2.0 * math.log(top)
            if total > best:
                best, best_m, best_d = total, m, d
    return best_m, best_d, best


@njit(cache=True, nogil=True)
def evidence(
    w: Window,
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
    ratio, spread, tau, prior, weight = w.ratio, w.spread, w.tau, w.prior, w.weight
    n00, n11, n22 = weight[0], weight[1], weight[2]
    n01 = n02 = n12 = 0.0
    r0, r1, r2 = weight[0] * prior[0], weight[1] * prior[1], weight[2] * prior[2]
    yy = weight[0] * prior[0] ** 2 + weight[1] * prior[1] ** 2 + weight[2] * prior[2] ** 2
    logs = 0.0
    product = 1.0
    p = 1.0
    xy = x0 = x1 = x2 = 0.0
    live = spread > 0.0
    n = t.size
    for k in range(n):
        if live and k > 0:
            f = math.exp(-(t[k] - t[k - 1]) / tau)
            xy *= f
            x0 *= f
            x1 *= f
            x2 *= f
            p = f * f * p + 1.0 - f * f
        if not use[k]:
            continue
        h = share_at(shape, (t[k] - m) / d, ratio)
        a0, a1, a2 = i[k] * (1.0 - h), i[k] * h, rate[k]
        b = i[k] * h * spread
        ey, e0, e1, e2 = v[k] - b * xy, a0 - b * x0, a1 - b * x1, a2 - b * x2
        s = b * b * p + base2[k]
        inv = 1.0 / s
        if live:
            g = p * b * inv
            xy += g * ey
            x0 += g * e0
            x1 += g * e1
            x2 += g * e2
            p -= g * b * p
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
    logs += math.log(product)
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


@njit(cache=True, nogil=True)
def innovations(
    w: Window,
    m: float,
    d: float,
    shape: int,
    beta: FloatArray,
    limit: float,
    z: FloatArray,
) -> None:
    """Standardised innovations at given levels, shape (n,) in `z`; a sample beyond `limit` does not move the filter."""
    t, v, i, rate, base2, use = w.t, w.v, w.i, w.rate, w.base2, w.use
    ratio, spread, tau = w.ratio, w.spread, w.tau
    x, p = 0.0, 1.0
    live = spread > 0.0
    for k in range(t.size):
        if live and k > 0:
            f = math.exp(-(t[k] - t[k - 1]) / tau)
            x *= f
            p = f * f * p + 1.0 - f * f
        z[k] = 0.0
        if not use[k]:
            continue
        h = share_at(shape, (t[k] - m) / d, ratio)
        b = i[k] * h * spread
        s = b * b * p + base2[k]
        e = v[k] - i[k] * ((1.0 - h) * beta[0] + h * beta[1]) - beta[2] * rate[k] - b * x
        z[k] = e / math.sqrt(s)
        if live and abs(z[k]) < limit:
            g = p * b / s
            x += g * e
            p -= g * b * p


@njit(cache=True, nogil=True)
def _climb(
    w: Window,
    m: float,
    d: float,
    shape: int,
    step: float,
    least: float,
    most: float,
    beta: FloatArray,
    cov: FloatArray,
) -> tuple[float, float, float]:
    """Greatest evidence over middle and log duration from a start: the simplex of Nelder and Mead in the plane."""
    xs = np.empty((3, 2))
    fs = np.empty(3)
    ld = math.log(min(max(d, least), most))
    xs[0, 0], xs[0, 1] = m, ld
    xs[1, 0], xs[1, 1] = m + max(0.25 * d, 0.3 * step), ld
    xs[2, 0], xs[2, 1] = m, ld + (0.35 if ld + 0.35 < math.log(most) else -0.35)
    lo, hi = math.log(least), math.log(most)
    for j in range(3):
        fs[j] = evidence(w, xs[j, 0], math.exp(xs[j, 1]), shape, beta, cov)
    trial = np.empty(2)
    for _ in range(60):
        a = 0
        c = 0
        for j in range(1, 3):
            if fs[j] > fs[a]:
                a = j
            if fs[j] <= fs[c]:
                c = j
        if a == c:
            break
        b = 3 - a - c
        if fs[a] - fs[c] < 2e-4:
            break
        gm, gd = 0.5 * (xs[a, 0] + xs[b, 0]), 0.5 * (xs[a, 1] + xs[b, 1])
        trial[0], trial[1] = 2.0 * gm - xs[c, 0], min(max(2.0 * gd - xs[c, 1], lo), hi)
        f = evidence(w, trial[0], math.exp(trial[1]), shape, beta, cov)
        if f > fs[a]:
            em, ed = 3.0 * gm - 2.0 * xs[c, 0], min(max(3.0 * gd - 2.0 * xs[c, 1], lo), hi)
            fe = evidence(w, em, math.exp(ed), shape, beta, cov)
            if fe > f:
                xs[c, 0], xs[c, 1], fs[c] = em, ed, fe
            else:
                xs[c, 0], xs[c, 1], fs[c] = trial[0], trial[1], f
        elif f > fs[b]:
            xs[c, 0], xs[c, 1], fs[c] = trial[0], trial[1], f
        else:
            near = 0.5 if f <= fs[c] else -0.5
            cm, cd = gm + near * (xs[c, 0] - gm), gd + near * (xs[c, 1] - gd)
            fc = evidence(w, cm, math.exp(cd), shape, beta, cov)
            if fc > max(f, fs[c]):
                xs[c, 0], xs[c, 1], fs[c] = cm, cd, fc
            else:
                for j in range(3):
                    if j != a:
                        xs[j, 0], xs[j, 1] = 0.5 * (xs[j, 0] + xs[a, 0]), 0.5 * (xs[j, 1] + xs[a, 1])
                        fs[j] = evidence(w, xs[j, 0], math.exp(xs[j, 1]), shape, beta, cov)
    a = 0
    for j in range(1, 3):
        if fs[j] > fs[a]:
            a = j
    return xs[a, 0], xs[a, 1], fs[a]


@njit(cache=True, nogil=True)
def posterior(
    w: Window,
    m: float,
    d: float,
    chance: FloatArray,
    live: BoolArray,
    step: float,
    least: float,
    most: float,
    out: FloatArray,
    level: FloatArray,
    var: FloatArray,
) -> None:
    """Middle and duration of the move with their variances, every shape weighed by its evidence.

    Parameters
    ----------
    m, d : start of the search, s.
    chance : shape (SHAPES,)
        Log prior of each shape.
    live : bool, shape (SHAPES,)
        Which shapes are still in question.
    step, least, most : s
        Sampling interval; bounds of the duration.
    out : shape (SHAPES, 6)
        Filled for each shape: middle, log duration, their variances and covariance, log weight (evidence included).
    level, var : shape (3,)
        Filled with (Rm, Ra, L) and their variances at the best shape.
    """
    beta, cov = np.empty(3), np.empty((3, 3))
    top = -1e300
    for shape in range(chance.size):
        if not live[shape]:
            out[shape, 5] = -1e300
            continue
        bm, bd, f = _climb(w, m, d, shape, step, least, most, beta, cov)
        width = math.exp(bd)
        # Curvature by differences wide enough to see past the corners of the likelihood (a sample enters the move).
        hm, hd = 0.05 * width, 0.1
        for _ in range(2):
            f1 = evidence(w, bm + hm, width, shape, beta, cov)
            f2 = evidence(w, bm - hm, width, shape, beta, cov)
            g1 = evidence(w, bm, math.exp(bd + hd), shape, beta, cov)
            g2 = evidence(w, bm, math.exp(bd - hd), shape, beta, cov)
            amm = (2.0 * f - f1 - f2) / (hm * hm)
            add = (2.0 * f - g1 - g2) / (hd * hd)
            if amm > 0.0:
                hm = min(max(1.0 / math.sqrt(amm), 1e-3 * width), max(width, step))
            else:
                hm = min(4.0 * hm, max(width, step))
            hd = min(max(1.0 / math.sqrt(add), 1e-3), 1.0) if add > 0.0 else min(4.0 * hd, 1.0)
        x1 = evidence(w, bm + hm, math.exp(bd + hd), shape, beta, cov)
        x2 = evidence(w, bm - hm, math.exp(bd - hd), shape, beta, cov)
        amm, add = max(amm, 1.0 / (max(width, step) ** 2)), max(add, 0.25)
        amd = (2.0 * f - x1 - x2) / (2.0 * hm * hd) - 0.5 * (amm * hm / hd + add * hd / hm)
        limit = 0.95 * math.sqrt(amm * add)
        amd = min(max(amd, -limit), limit)
        det = amm * add - amd * amd
        out[shape, 0], out[shape, 1] = bm, bd
        out[shape, 2], out[shape, 3], out[shape, 4] = add / det, amm / det, -amd / det
        out[shape, 5] = f + chance[shape] - 0.5 * math.log(det)
        if out[shape, 5] > top:
            top = out[shape, 5]
            evidence(w, bm, width, shape, beta, cov)
            for j in range(3):
                level[j], var[j] = beta[j], cov[j, j]


@njit(cache=True, nogil=True)
def profile(
    w: Window,
    m: float,
    d: float,
    chance: FloatArray,
    live: BoolArray,
    step: float,
    durations: FloatArray,
    out: FloatArray,
) -> None:
    """Middle of the move at each duration and shape, where the arcing contact fluctuates and many durations may do.

    Parameters
    ----------
    m, d : start of the search, s.
    chance : shape (SHAPES,)
        Log prior of each shape.
    live : bool, shape (SHAPES,)
        Which shapes are still in question.
    durations : shape (k,)
        Evenly spaced in their logarithm, s.
    out : shape (SHAPES, k, 3)
        Filled with middle, its variance, log weight (evidence and prior included, the middle integrated out).
    """
    beta, cov = np.empty(3), np.empty((3, 3))
    for shape in range(chance.size):
        if not live[shape]:
            for j in range(durations.size):
                out[shape, j, 0], out[shape, j, 1], out[shape, j, 2] = m, step * step, -1e300
            continue
        near = 0
        for j in range(durations.size):
            if abs(math.log(durations[j] / d)) < abs(math.log(durations[near] / d)):
                near = j
        # From the likely duration outwards, both ways: each search starts where its neighbour ended, at one onset.
        for way in (1, -1):
            j = near if way == 1 else near - 1
            at = m + 0.5 * (durations[j] - d) if 0 <= j < durations.size else m
            while 0 <= j < durations.size:
                width = durations[j]
                h = max(0.15 * width, 0.2 * step)
                f = evidence(w, at, width, shape, beta, cov)
                drop = 0.0
                for turn in range(14):
                    up = evidence(w, at + h, width, shape, beta, cov)
                    down = evidence(w, at - h, width, shape, beta, cov)
                    if turn < 12 and up > f and up >= down:
                        at, f = at + h, up
                        continue
                    if turn < 12 and down > f:
                        at, f = at - h, down
                        continue
                    drop = f - 0.5 * (up + down)
                    if drop < 0.3 and h < max(width, step):
                        h *= 2.0
                    elif drop > 2.5:
                        h *= 0.45
                    else:
                        break
                bend = 2.0 * max(drop, 0.3) / (h * h)
                out[shape, j, 0], out[shape, j, 1] = at, 1.0 / bend
                out[shape, j, 2] = f + chance[shape] - 0.5 * math.log(bend)
                following = j + way
                if 0 <= following < durations.size:
                    at += 0.5 * (durations[following] - width)
                j = following
