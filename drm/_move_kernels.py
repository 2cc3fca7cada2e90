"""Compiled searches for the move of the current: contiguous float64 in and out, no checks; twins in the tests."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from drm._commutation_kernels import Sums, Window, evidence, pace_of, placed

# Compiled with _commutation_kernels: 7057a064fc3a640e
__all__ = ["posterior", "profile", "ramp_search"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@njit(cache=True, nogil=True, error_model="numpy")
def _told(v: FloatArray, i: FloatArray, base2: FloatArray, level: float, spread: float) -> FloatArray:
    """Running sums of the log likelihood at one level, shape (n + 1,)."""
    out = np.zeros(v.size + 1)
    for k in range(v.size):
        x, y = i[k], v[k]
        out[k + 1] = out[k]
        if x == x and y == y:
            z = y - x * level
            scale2 = base2[k] + (spread * x) ** 2
            out[k + 1] -= 0.5 * math.log(scale2) + 2.0 * math.log(1.0 + z * z / (3.0 * scale2))
    return out


@njit(cache=True, nogil=True, error_model="numpy")
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
    What lies before and after the move is read from running sums; within it products stand for sums of logarithms,
    taken out every sixteen samples.

    Returns the middle, the duration and the log likelihood.
    """
    best, best_m, best_d = -1e300, middles[0], durations[0]
    pace = pace_of(t)
    before, after = _told(v, i, base2, closed, 0.0), _told(v, i, base2, arcing, spread)
    for d in durations:
        inverse = 1.0 / d
        for m in middles:
            start, stop = placed(t, pace, m - 0.5 * d), placed(t, pace, m + 0.5 * d)
            total = before[start] + after[t.size] - after[stop]
            top = low = 1.0
            held = 0
            for k in range(start, stop):
                x, y = i[k], v[k]
                if not (x == x and y == y):
                    continue
                h = (t[k] - m) * inverse + 0.5
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


@njit(cache=True, nogil=True, error_model="numpy")
def _climb(
    w: Window,
    sums: Sums,
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
        fs[j] = evidence(w, sums, xs[j, 0], math.exp(xs[j, 1]), shape, beta, cov)
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
        f = evidence(w, sums, trial[0], math.exp(trial[1]), shape, beta, cov)
        if f > fs[a]:
            em, ed = 3.0 * gm - 2.0 * xs[c, 0], min(max(3.0 * gd - 2.0 * xs[c, 1], lo), hi)
            fe = evidence(w, sums, em, math.exp(ed), shape, beta, cov)
            if fe > f:
                xs[c, 0], xs[c, 1], fs[c] = em, ed, fe
            else:
                xs[c, 0], xs[c, 1], fs[c] = trial[0], trial[1], f
        elif f > fs[b]:
            xs[c, 0], xs[c, 1], fs[c] = trial[0], trial[1], f
        else:
            near = 0.5 if f <= fs[c] else -0.5
            cm, cd = gm + near * (xs[c, 0] - gm), gd + near * (xs[c, 1] - gd)
            fc = evidence(w, sums, cm, math.exp(cd), shape, beta, cov)
            if fc > max(f, fs[c]):
                xs[c, 0], xs[c, 1], fs[c] = cm, cd, fc
            else:
                for j in range(3):
                    if j != a:
                        xs[j, 0], xs[j, 1] = 0.5 * (xs[j, 0] + xs[a, 0]), 0.5 * (xs[j, 1] + xs[a, 1])
                        fs[j] = evidence(w, sums, xs[j, 0], math.exp(xs[j, 1]), shape, beta, cov)
    a = 0
    for j in range(1, 3):
        if fs[j] > fs[a]:
            a = j
    return xs[a, 0], xs[a, 1], fs[a]


@njit(cache=True, nogil=True, error_model="numpy")
def posterior(
    w: Window,
    sums: Sums,
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
        bm, bd, f = _climb(w, sums, m, d, shape, step, least, most, beta, cov)
        width = math.exp(bd)
        # Curvature by differences wide enough to see past the corners of the likelihood (a sample enters the move).
        hm, hd = 0.05 * width, 0.1
        for _ in range(2):
            f1 = evidence(w, sums, bm + hm, width, shape, beta, cov)
            f2 = evidence(w, sums, bm - hm, width, shape, beta, cov)
            g1 = evidence(w, sums, bm, math.exp(bd + hd), shape, beta, cov)
            g2 = evidence(w, sums, bm, math.exp(bd - hd), shape, beta, cov)
            amm = (2.0 * f - f1 - f2) / (hm * hm)
            add = (2.0 * f - g1 - g2) / (hd * hd)
            if amm > 0.0:
                hm = min(max(1.0 / math.sqrt(amm), 1e-3 * width), max(width, step))
            else:
                hm = min(4.0 * hm, max(width, step))
            hd = min(max(1.0 / math.sqrt(add), 1e-3), 1.0) if add > 0.0 else min(4.0 * hd, 1.0)
        x1 = evidence(w, sums, bm + hm, math.exp(bd + hd), shape, beta, cov)
        x2 = evidence(w, sums, bm - hm, math.exp(bd - hd), shape, beta, cov)
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
            evidence(w, sums, bm, width, shape, beta, cov)
            for j in range(3):
                level[j], var[j] = beta[j], cov[j, j]


@njit(cache=True, nogil=True, error_model="numpy")
def profile(
    w: Window,
    sums: Sums,
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
            if abs(math.log(durations[j] / d)) < abs(math.log(durations[near] / d)) - 1e-9:
                near = j
        # From the likely duration outwards, both ways: each search starts where its neighbour ended, at one onset.
        for way in (1, -1):
            j = near if way == 1 else near - 1
            at = m + 0.5 * (durations[j] - d) if 0 <= j < durations.size else m
            while 0 <= j < durations.size:
                width = durations[j]
                h = max(0.15 * width, 0.2 * step)
                f = evidence(w, sums, at, width, shape, beta, cov)
                up = evidence(w, sums, at + h, width, shape, beta, cov)
                down = evidence(w, sums, at - h, width, shape, beta, cov)
                drop = 0.0
                for turn in range(14):
                    if turn < 12 and up > f and up >= down:
                        # What was here is what lies behind now.
                        at, down, f = at + h, f, up
                        up = evidence(w, sums, at + h, width, shape, beta, cov)
                        continue
                    if turn < 12 and down > f:
                        at, up, f = at - h, f, down
                        down = evidence(w, sums, at - h, width, shape, beta, cov)
                        continue
                    drop = f - 0.5 * (up + down)
                    if turn == 13:
                        break
                    if drop < 0.3 and h < max(width, step):
                        h *= 2.0
                    elif drop > 2.5:
                        h *= 0.45
                    else:
                        break
                    up = evidence(w, sums, at + h, width, shape, beta, cov)
                    down = evidence(w, sums, at - h, width, shape, beta, cov)
                bend = 2.0 * max(drop, 0.3) / (h * h)
                out[shape, j, 0], out[shape, j, 1] = at, 1.0 / bend
                out[shape, j, 2] = f + chance[shape] - 0.5 * math.log(bend)
                following = j + way
                if 0 <= following < durations.size:
                    at += 0.5 * (durations[following] - width)
                j = following
