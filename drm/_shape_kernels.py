"""Compiled kernel of the move's own course: contiguous float64 in and out, no checks; its twin is in the tests.

No move is quite one of the shapes of :mod:`drm._commutation_kernels`. What its share of the current has beside the
shape is taken for a smooth random course (a Gaussian process with the covariance of Matern, order 3/2) of unknown
height, none at all included. It is written in sines over the move, so that least squares does the rest and the evidence
tells the height: A. Solin and S. Sarkka, "Hilbert space methods for reduced-rank Gaussian process regression",
*Statistics and Computing* 30, 2020 (from memory).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from drm._commutation_kernels import SHAPES, Window, innovations, share_at
from drm._hum_kernels import _backward, _cholesky
from drm._joint_kernels import MOVE, normal_equations

# Compiled with _commutation_kernels, _hum_kernels, _joint_kernels: f7a681ccf3f69a0d
__all__ = ["COURSES", "SINES", "averaged", "parts", "sines"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Sines at most, and how far from the middle they reach, in durations.
SINES, REACH = 24, 1.0
#: Courses tried: over what they change, in durations; their height, in shares of the current; their chance beforehand.
COURSES = np.array(
    [
        [0.3, 0.0, 0.66],
        [0.3, 0.01, 0.05],
        [0.3, 0.02, 0.05],
        [0.3, 0.04, 0.05],
        [0.3, 0.08, 0.05],
        [0.08, 0.005, 0.035],
        [0.08, 0.01, 0.035],
        [0.08, 0.02, 0.035],
        [0.08, 0.04, 0.035],
    ]
)
#: A log weight this far below the best is left out.
UNLIKELY = 12.0
#: Beyond so many standard deviations a sample's weight falls, as long as the course is not known.
DOUBTFUL = 3.0
#: How far from the shape's own middle and duration those with a course are, in durations, standard, beside what the
#: shape leaves open.
NEARBY = 0.01
#: Least slope of the share at its half, by one over a duration: a finger may rest there.
SLOWEST = 0.3


class Course(NamedTuple):
    """One shape with one course.

    Attributes
    ----------
    middle, middle_var, log_width, log_width_var : float
    gain : float
        What it adds to twice the log evidence.
    step : shape (p,)
        Steps of middle, log duration, levels, inductance, and what each sine has of the share.
    """

    middle: float
    middle_var: float
    log_width: float
    log_width_var: float
    gain: float
    step: FloatArray


@njit(cache=True, nogil=True, error_model="numpy")
def sines(u: float, out: FloatArray) -> None:
    """The sines at `u` durations from the middle."""
    if not abs(u) < REACH:
        for k in range(out.size):
            out[k] = 0.0
        return
    angle = math.pi * (u + REACH) / (2.0 * REACH)
    now, before, twice = math.sin(angle) / math.sqrt(REACH), 0.0, 2.0 * math.cos(angle)
    for k in range(out.size):
        out[k] = now
        now, before = twice * now - before, now


@njit(cache=True, nogil=True, error_model="numpy")
def parts(length: float, height: float, many: int) -> FloatArray:
    """Deviation of each sine's part of a course, shape (many,)."""
    out, rate = np.empty(many), math.sqrt(3.0) / length
    for k in range(many):
        w = math.pi * (k + 1) / (2.0 * REACH)
        out[k] = height * 2.0 * rate**1.5 / (rate * rate + w * w)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _columns(w: Window, m: float, d: float, jump: float, out: FloatArray) -> None:
    """What each sine adds to the voltage, V, shape (n, k)."""
    for j in range(w.t.size):
        sines((w.t[j] - m) / d, out[j])
        for k in range(out.shape[1]):
            out[j, k] *= w.i[j] * jump


@njit(cache=True, nogil=True, error_model="numpy")
def _passes(shape: int, ratio: float, course: FloatArray) -> tuple[float, float]:
    """Where shape and course pass one half, in durations from the shape's middle, and their slope there."""
    u, slope = 0.0, 1.0
    wide = 0.05
    held = np.empty(course.size)
    for _ in range(4):
        total, slope = 0.0, 0.0
        for place in (-1, 0, 1):
            x = u + place * wide
            sines(x, held)
            h = share_at(shape, x, ratio)
            for k in range(course.size):
                h += course[k] * held[k]
            if place == 0:
                total = h
            slope += place * h / (2.0 * wide)
        slope = max(slope, SLOWEST)
        u = min(max(u + (0.5 - total) / slope, -0.4), 0.4)
    return u, slope


@njit(cache=True, nogil=True, error_model="numpy")
def _squares(w: Window, shape: int, at: FloatArray, z: FloatArray) -> float:
    """Sum of squares of the standardised innovations at a row of `out`; `z` is filled with them."""
    innovations(w, at[0], math.exp(at[1]), shape, at[6:], np.inf, z)
    total = 0.0
    for x in z:
        total += x * x
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def _equations(now: Window, shape: int, at: FloatArray, added: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Normal equations about a shape at its own maximum `at`, a row of `out`; `added` is filled with the sines.

    Middle and duration stay near those of the shape, where a straight step is true: the course does the rest.
    """
    d, beta = math.exp(at[1]), at[6:]
    _columns(now, at[0], d, beta[1] - beta[0], added)
    p = MOVE + added.shape[1]
    normal, right = np.zeros((p, p)), np.zeros(p)
    normal_equations(now, at[0], d, shape, beta, added, normal, right)
    normal[0, 0] += 1.0 / ((NEARBY * d) ** 2 + 4.0 * at[2])
    normal[1, 1] += now.weight[3] + 1.0 / (NEARBY**2 + 4.0 * at[3])
    right[1] += now.weight[3] * (now.prior[3] - at[1])
    for a in range(3):
        normal[2 + a, 2 + a] += now.weight[a]
        right[2 + a] += now.weight[a] * (now.prior[a] - beta[a])
    return normal, right


@njit(cache=True, nogil=True, error_model="numpy")
def _course(
    normal: FloatArray, right: FloatArray, shape: int, at: FloatArray, ratio: float, length: float, height: float
) -> Course:
    """A course of one length and height from the normal equations about a shape."""
    p, d = right.size, math.exp(at[1])
    # In units of the duration, the levels' own sizes and the course's height.
    scale, deviations = np.empty(p), parts(length, height, p - MOVE)
    scale[0], scale[1], scale[2], scale[3], scale[4] = d, 1.0, at[6], at[7], 1e-6
    for a in range(MOVE, p):
        scale[a] = deviations[a - MOVE]
    one, side = np.empty((p, p)), np.empty(p)
    for a in range(p):
        side[a] = right[a] * scale[a]
        for b in range(p):
            one[a, b] = normal[a, b] * scale[a] * scale[b]
        if a >= MOVE:
            one[a, a] += 1.0
    low = _cholesky(one)
    step = _backward(low, side)
    gain = 0.0
    for a in range(p):
        gain += step[a] * side[a] - 2.0 * math.log(low[a, a])
        step[a] *= scale[a]
    u, slope = _passes(shape, ratio, step[MOVE:])
    row = np.zeros(p)
    sines(u, row[MOVE:])
    for a in range(MOVE, p):
        row[a] *= -scale[a] / slope
    row[0] = 1.0
    back = _backward(low, row)
    var = 0.0
    for a in range(p):
        var += row[a] * back[a]
    for a in range(p):
        row[a] = 1.0 if a == 1 else 0.0
    return Course(at[0] + step[0] + d * u, d * d * var, at[1] + step[1], _backward(low, row)[1], gain, step)


@njit(cache=True, nogil=True, error_model="numpy")
def _left(w: Window, shape: int, at: FloatArray, added: FloatArray, course: Course, far: float, z: FloatArray) -> None:
    """Fill `z` with the standardised innovations that shape and course leave."""
    step, v, levels = course.step, np.empty(w.v.size), np.empty(3)
    for j in range(v.size):
        v[j] = w.v[j]
        for a in range(added.shape[1]):
            v[j] -= added[j, a] * step[MOVE + a]
    for a in range(3):
        levels[a] = at[6 + a] + step[2 + a]
    rest = Window(w.t, v, w.i, w.rate, w.base2, w.use, w.ratio, w.spread, w.tau, w.shared, w.prior, w.weight)
    innovations(rest, at[0] + step[0], math.exp(at[1] + min(max(step[1], -0.3), 0.3)), shape, levels, far, z)


@njit(cache=True, nogil=True, error_model="numpy")
def averaged(
    w: Window, kept: BoolArray, z: FloatArray, far: float, out: FloatArray
) -> tuple[float, float, float, float]:
    """Middle, duration and their variances with every shape and every course weighed.

    Parameters
    ----------
    w : Window
        All samples that are finite count.
    kept : shape (n,)
        Samples that `out` is of.
    z : shape (n,)
        Standardised innovations at the best shape; filled anew with those that its course leaves.
    far : float
        Innovations beyond, the course known, are left out.
    out : shape (SHAPES, 9)
        As :func:`drm._move_kernels.posterior` fills it.
    """
    n, many, best = w.t.size, COURSES.shape[0], 0
    base, use = np.empty(n), np.empty(n, dtype=np.bool_)
    doubt = 0
    for j in range(n):
        base[j], use[j] = w.base2[j], w.use[j]
        if abs(z[j]) > DOUBTFUL:
            base[j] *= (z[j] / DOUBTFUL) ** 2
            doubt += 1
    for s in range(SHAPES):
        if out[s, 5] > out[best, 5]:
            best = s
    # No finer than the samples are.
    size = min(max(int(1.2 * REACH * math.exp(out[best, 1]) * (n - 1) / (w.t[n - 1] - w.t[0])), 6), SINES)
    found, added, rest = np.empty((SHAPES, many, 5)), np.empty((n, size)), np.empty(n)
    seen = Window(w.t, w.v, w.i, w.rate, w.base2, kept, w.ratio, w.spread, w.tau, w.shared, w.prior, w.weight)
    top = -1e300
    for turn in range(2):
        now = Window(w.t, w.v, w.i, w.rate, base, use, w.ratio, w.spread, w.tau, w.shared, w.prior, w.weight)
        top = -1e300
        for s in range(SHAPES):
            for k in range(many):
                found[s, k, 4] = -1e300
            at = out[s]
            if not at[5] > out[best, 5] - UNLIKELY:
                continue
            # What the shapes are worth beside each other, on the samples that count now.
            fair = at[5] + 0.5 * (_squares(seen, s, at, rest) - _squares(now, s, at, rest))
            normal, right = _equations(now, s, at, added)
            none = 0.0
            for k in range(many):
                course = _course(normal, right, s, at, w.ratio, COURSES[k, 0], COURSES[k, 1])
                if k == 0:
                    none = course.gain
                    course = Course(at[0], at[2], at[1], at[3], none, course.step)
                found[s, k, 0], found[s, k, 1] = course.middle, course.middle_var
                found[s, k, 2], found[s, k, 3] = course.log_width, course.log_width_var
                found[s, k, 4] = fair + math.log(COURSES[k, 2]) + 0.5 * (course.gain - none)
                if found[s, k, 4] > top:
                    top = found[s, k, 4]
                    _left(w, s, at, added, course, far, z)
        if turn == 1 or doubt == 0:
            break
        for j in range(n):
            base[j] = w.base2[j]
            use[j] = w.use[j] and abs(z[j]) < far
    return _mean(found, top)


@njit(cache=True, nogil=True, error_model="numpy")
def _mean(found: FloatArray, top: float) -> tuple[float, float, float, float]:
    """Means and variances of middle and duration over all that was tried, by their log weights."""
    total = middle = width = middle_var = width_var = 0.0
    for turn in range(2):
        for s in range(found.shape[0]):
            for k in range(found.shape[1]):
                weight = math.exp(found[s, k, 4] - top)
                if weight < 1e-9:
                    continue
                d = math.exp(found[s, k, 2])
                if turn == 0:
                    total += weight
                    middle += weight * found[s, k, 0]
                    width += weight * d
                else:
                    middle_var += weight * (found[s, k, 1] + (found[s, k, 0] - middle) ** 2)
                    width_var += weight * (d * d * found[s, k, 3] + (d - width) ** 2)
        if turn == 0:
            middle /= total
            width /= total
    return middle, width, middle_var / total, width_var / total
