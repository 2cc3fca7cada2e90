"""Compiled searches for the move of the current: contiguous float64 in and out, no checks; twins in the tests."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from drm._commutation_kernels import Sums, Window, evidence, lead_of, pace_of, placed, span_of

# Compiled with _commutation_kernels: 03ea3d856b0a7267
__all__ = ["posterior", "profile", "ramp_search"]

#: Size of a search that begins where an earlier one ended, by that of the first.
NEAR = 0.4
#: A shape whose log evidence is this far below another's is not looked at closer.
HOPELESS = 20.0

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
    wide: float,
    beta: FloatArray,
    cov: FloatArray,
) -> tuple[float, float, float, float, float, float]:
    """Greatest evidence over middle and log duration from a start, and its curvature there.

    Newton's steps on a cross about as wide as the middle and the duration are uncertain, wide enough to see past the
    corners of the likelihood (a sample enters the move); where it is not round, to the best of the cross. `wide` is
    the cross's first size, by that for a start far from the greatest.

    Returns
    -------
    middle, log duration, log evidence, the negative second derivatives by the middle, by the duration, by both
    """
    lo, hi = math.log(least), math.log(most)
    x, y = m, min(max(math.log(d), lo), hi)
    hx, hy = wide * max(0.2 * d, 0.3 * step), wide * 0.3
    f = evidence(w, sums, x, math.exp(y), shape, beta, cov)
    px, py, fs = np.zeros(6), np.zeros(6), np.zeros(6)
    axx = ayy = axy = 0.0
    for _ in range(12):
        for k in range(6):
            if k < 4:
                px[k], py[k] = x + hx * ((k == 0) - (k == 1)), y + hy * ((k == 2) - (k == 3))
            elif k == 4:
                px[k], py[k] = x + (hx if fs[0] > fs[1] else -hx), y + (hy if fs[2] > fs[3] else -hy)
            else:
                gx, gy = (fs[0] - fs[1]) / (2.0 * hx), (fs[2] - fs[3]) / (2.0 * hy)
                axx, ayy = (2.0 * f - fs[0] - fs[1]) / (hx * hx), (2.0 * f - fs[2] - fs[3]) / (hy * hy)
                sx, sy = px[4] - x, py[4] - y
                axy = (f - fs[4] + gx * sx + gy * sy - 0.5 * (axx * sx * sx + ayy * sy * sy)) / (sx * sy)
                det = axx * ayy - axy * axy
                if axx > 0.0 and ayy > 0.0 and det > 0.05 * axx * ayy:
                    sx, sy = (ayy * gx - axy * gy) / det, (axx * gy - axy * gx) / det
                    part = min(1.0, 3.0 * hx / max(abs(sx), 1e-300), 3.0 * hy / max(abs(sy), 1e-300))
                    sx, sy = part * sx, part * sy
                else:
                    sx, sy = 2.0 * sx, 2.0 * sy
                px[k], py[k] = x + sx, min(max(y + sy, lo), hi)
            fs[k] = evidence(w, sums, px[k], math.exp(py[k]), shape, beta, cov)
        best = 5
        for k in range(5):
            if fs[k] > fs[best] and lo <= py[k] <= hi:
                best = k
        gain = fs[best] - f
        if gain > 0.0:
            x, y, f = px[best], py[best], fs[best]
        width = max(math.exp(y), step)
        nx, ny = min(2.0 * hx, width), min(2.0 * hy, 1.0)
        if axx > 0.0:
            nx = min(max(1.0 / math.sqrt(axx), 0.2 * hx, 1e-3 * width), 3.0 * hx, width)
        if ayy > 0.0:
            ny = min(max(1.0 / math.sqrt(ayy), 0.2 * hy, 1e-3), 3.0 * hy, 1.0)
        if gain < 2e-3 and 0.5 * hx < nx < 2.0 * hx and 0.5 * hy < ny < 2.0 * hy:
            break
        hx, hy = nx, ny
    return x, y, f, axx, ayy, axy


@njit(cache=True, nogil=True, error_model="numpy")
def _start(
    w: Window,
    sums: Sums,
    m: float,
    d: float,
    shape: int,
    step: float,
    most: float,
    beta: FloatArray,
    cov: FloatArray,
) -> tuple[float, float]:
    """Middle and duration at which the search for a shape begins.

    A straight move's or, where that is likelier, a longer one's that ends when it does: a straight move fits the steep
    part of a shape; but in a contact's own fluctuation a longer move is likely to be one of its knees.
    """
    if w.spread > 0.0:
        return m, d
    best, middle, width = -1e300, m, d
    lead, span = lead_of(shape, w.ratio), span_of(shape)
    for longer in (1.0, 1.6, 2.5):
        wide = max(min(longer * d, most), step)
        at = m if longer == 1.0 else m + 0.5 * d - (min(span, 1.0 + lead - 0.5) - lead) * wide
        f = evidence(w, sums, at, wide, shape, beta, cov)
        if f > best:
            best, middle, width = f, at, wide
    return middle, width


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
    wide: float,
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
    wide : float
        First size of the search, by that for a start far from its end: below one, `out` holds where it begins.
    out : shape (SHAPES, 9)
        Filled for each shape: middle, log duration, their variances and covariance, log weight (evidence included), Rm,
        Ra, L.
    level, var : shape (3,)
        Filled with (Rm, Ra, L) and their variances at the best shape.
    """
    beta, cov = np.empty(3), np.empty((3, 3))
    top = highest = -1e300
    for shape in range(chance.size):
        if not live[shape]:
            out[shape, 5] = -1e300
            continue
        if wide == 1.0:
            m, d = _start(w, sums, m, d, shape, step, most, beta, cov)
        else:
            m, d = out[shape, 0], math.exp(out[shape, 1])
        bm, bd, f, amm, add, amd = _climb(w, sums, m, d, shape, step, least, most, wide, beta, cov)
        width = math.exp(bd)
        highest = max(highest, f + chance[shape])
        if f + chance[shape] < highest - HOPELESS:
            out[shape, 5] = -1e300
            continue
        amm, add = max(amm, 1.0 / (max(width, step) ** 2)), max(add, 0.25)
        limit = 0.95 * math.sqrt(amm * add)
        amd = min(max(amd, -limit), limit)
        det = amm * add - amd * amd
        out[shape, 0], out[shape, 1] = bm, bd
        out[shape, 2], out[shape, 3], out[shape, 4] = add / det, amm / det, -amd / det
        out[shape, 5] = f + chance[shape] - 0.5 * math.log(det)
        evidence(w, sums, bm, width, shape, beta, cov)
        for j in range(3):
            out[shape, 6 + j] = beta[j]
        if out[shape, 5] > top:
            top = out[shape, 5]
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
