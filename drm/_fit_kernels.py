"""The commutation's fit, compiled as one: contiguous float64, no checks; :mod:`drm.commutation` calls it.

Twins in plain NumPy are in the tests.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from drm._commutation_kernels import SHAPES, Sums, Window, innovations, lead_of, not_before, summed
from drm._median_kernel import median, middle, ordered, scatter
from drm._move_kernels import posterior, profile, ramp_search

# Compiled with _commutation_kernels, _median_kernel, _move_kernels: 4e0d4dcad75f02c9
__all__ = ["Found", "fit", "fluctuation", "parted", "passage", "priors", "thinned"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Log prior of each shape of the move: straight in resistance, smooth, quick at the start, straight and smooth in
#: conductance.
SHAPE_CHANCE = np.log(np.array([0.35, 0.25, 0.05, 0.2, 0.15]))
#: The move takes about this share of the arcing zone, within a factor: a travel of a millimetre or two in some twenty.
MOVE_SHARE, MOVE_FACTOR = 0.07, 2.5
#: What a sense loop may have, H, standard.
SENSE_LOOP_H = 1.5e-6
#: Samples kept of a window: beyond, neighbours are averaged.
WINDOW = 240
#: A log weight this far below the best is left out.
UNLIKELY = 12.0
TEMPER = 2.0
#: Durations tried at a time where the contact fluctuates.
DURATIONS = 12
#: What a wrong shape of the move displaces its middle by, in durations, standard.
SHAPE_TERM = 0.12
#: What uneven fingers displace the passage through one half by, in durations, standard.
PASSAGE_TERM = 0.05
#: Relative fluctuation beyond which a contact does not touch but part: a third, common practice, no source.
ROUGHEST = 0.33


class Found(NamedTuple):
    """The fields of :class:`drm.commutation.Commutation`, each with its standard uncertainty; unknown where none is."""

    known: bool
    middle: float
    middle_u: float
    duration: float
    duration_u: float
    onset: float
    closed: float
    closed_u: float
    arcing: float
    arcing_u: float
    henry: float
    henry_u: float
    spread: float
    memory: float
    shape: int


@njit(cache=True, nogil=True, error_model="numpy")
def up(x: float) -> int:
    """Least integer not below `x` but for rounding, so that a shifted clock counts the same samples."""
    return math.ceil(x - 1e-6)


@njit(cache=True, nogil=True, error_model="numpy")
def thinned(a: FloatArray, low: int, high: int, factor: int) -> FloatArray:
    """Means of `factor` neighbours from `low` to `high`, NaN passed over; the rest at the end is dropped."""
    out = np.empty((high - low) // factor)
    for j in range(out.size):
        total, many = 0.0, 0
        for k in range(low + j * factor, low + (j + 1) * factor):
            if math.isfinite(a[k]):
                total += a[k]
                many += 1
        out[j] = total / many if many else np.nan
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def even(low: float, high: float, many: np.int64 | int) -> FloatArray:
    """`many` numbers from `low` to `high`, evenly spaced."""
    out = np.empty(many)
    for k in range(many):
        out[k] = low + k * (high - low) / (many - 1)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def even_in_log(low: float, high: float, many: np.int64 | int) -> FloatArray:
    """`many` numbers from `low` to `high`, evenly spaced in their logarithm."""
    out = even(math.log(low), math.log(high), many)
    for k in range(many):
        out[k] = math.exp(out[k])
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def parted(r: FloatArray, start: int, noise: float) -> BoolArray:
    """Which samples belong to momentary part-separations and bounces: far above the arcing level, or beside such.

    The scatter is read below the median, where part-separations leave it alone; what is far above goes, and again.
    """
    beside = np.zeros(r.size, dtype=np.bool_)
    log = np.empty(max(r.size - start, 0))
    left = 0
    for k in range(start, r.size):
        if math.isfinite(r[k]) and r[k] > 0.0:
            log[left] = math.log(r[k])
            left += 1
    if left < 4:
        return beside
    # Where part-separations fill half of the zone the median is theirs: the shortest stretch with two fifths of the
    # samples is the contact's (the shorth of Andrews and others, 1972, on logarithms).
    ordered(log, left)
    held = max(2, math.ceil(0.4 * left))
    at = 0
    for k in range(left - held + 1):
        if log[k + held - 1] - log[k] < log[at + held - 1] - log[at]:
            at = k
    width = log[at + held - 1] - log[at]
    level = math.exp(0.5 * (log[at + (held - 1) // 2] + log[at + held // 2]))
    limit = max(2.0 * level, level * math.exp(4.5 * min(width / 1.05, ROUGHEST))) + 5.0 * noise
    for _ in range(8):
        # Sorted, so that what is left below the limit is a beginning.
        n, top = 0, math.log(limit)
        while n < left and log[n] <= top:
            n += 1
        if n < 4:
            break
        centre = 0.5 * (log[(n - 1) // 2] + log[n // 2])
        own = min(centre - log[int(0.16 * (n - 1))], ROUGHEST)
        level = math.exp(centre)
        new = max(1.6 * level, level * math.exp(4.5 * own)) + 5.0 * noise
        if new >= limit:
            break
        limit = new
    for k in range(r.size):
        if r[k] > limit:
            beside[k] = True
            # A neighbour still above the level is a part-separation's shoulder; one below it is not.
            if k > 0 and r[k - 1] > 1.1 * level:
                beside[k - 1] = True
            if k + 1 < r.size and r[k + 1] > 1.1 * level:
                beside[k + 1] = True
    return beside


@njit(cache=True, nogil=True, error_model="numpy")
def fluctuation(r: FloatArray, noise: float, scattered: float, step: float, lag_s: float) -> tuple[float, float, float]:
    """Level, standard deviation and correlation time of the arcing contact's own fluctuation, robustly.

    The deviation is what the zone scatters by beyond the noise; the correlation time matches the scatter of
    differences over `lag_s`, the scale on which it could be taken for the move. `scattered` is what the noise
    scatters by, more than its white part `noise` where neighbouring samples share it.
    """
    good = 0
    for x in r:
        good += math.isfinite(x)
    level = median(r)
    if good < 4:
        return level, 0.0, step
    total = (1.4826 * scatter(r, level)) ** 2
    # A median absolute deviation has 37 % of the efficiency of a standard deviation.
    chance = 1.0 + 4.0 * math.sqrt(2.0 / (0.37 * good))
    if total <= chance * scattered**2:
        return level, 0.0, step
    own = total - scattered**2
    lag = min(max(1, int(lag_s / step + 1e-6)), good // 2)
    steps = np.empty(r.size)
    many = 0
    for k in range(lag, r.size):
        x = abs(r[k] - r[k - lag])
        if math.isfinite(x):
            steps[many] = x
            many += 1
    apart = 0.5 * (1.4826 * middle(steps, many)) ** 2 - noise**2 if many >= 3 else own
    kept = min(max(1.0 - apart / own, 0.02), 0.999)
    return level, math.sqrt(own), min(max(-lag * step / math.log(kept), step), 0.3 * good * step)


@njit(cache=True, nogil=True, error_model="numpy")
def priors(
    v: FloatArray,
    i: FloatArray,
    start: int,
    last: int,
    closed: float,
    closed_u: float,
    closed_scatter: float,
    level: float,
    spread: float,
    memory: float,
    step: float,
    noise: float,
) -> tuple[FloatArray, FloatArray]:
    """Mean and precision of the closed level, the arcing level, the inductance and the log duration from elsewhere."""
    zone_s = max((last - start) * step, 2.0 * step)
    mean, weight = np.empty(4), np.empty(4)
    mean[0], mean[1], mean[2], mean[3] = closed, level, 0.0, math.log(MOVE_SHARE * zone_s)
    u = closed_u if math.isfinite(closed_u) else 0.0
    weight[0] = 1.0 / (u**2 + closed_scatter**2 + (1e-4 * closed) ** 2)
    weight[1] = 1.0 / level**2
    weight[2] = 1.0 / SENSE_LOOP_H**2
    weight[3] = 1.0 / math.log(MOVE_FACTOR) ** 2
    # The last tenth is left out: the contact's pressure falls before it parts.
    stop = last + 1 - (last + 1 - start) // 10
    if stop - start < 4:
        return mean, weight
    r = v[start:stop] / i[start:stop]
    centre = median(r)
    if centre != centre:
        centre = level
    limit = 5.0 * math.hypot(spread, noise)
    power = product = 0.0
    amps = np.empty(r.size)
    many = 0
    for k in range(r.size):
        if abs(r[k] - centre) < limit:
            x = i[start + k]
            power += x * x
            product += v[start + k] * x
            amps[many] = x
            many += 1
    if many >= 4:
        mean[1] = product / power
        own = (noise * middle(amps, many)) ** 2 / power
        if spread > 0.0:
            own += spread**2 / max(many * step / (2.0 * memory), 1.0)
        weight[1] = 1.0 / own
    return mean, weight


@njit(cache=True, nogil=True, error_model="numpy")
def likely(use: BoolArray, z: FloatArray, far: float) -> BoolArray:
    """Samples that are no impulses nor part-separations; all of them where that would leave too few."""
    kept = np.empty(use.size, dtype=np.bool_)
    used = left = 0
    for k in range(use.size):
        kept[k] = use[k] and abs(z[k]) < far
        used += use[k]
        left += kept[k]
    return kept if left >= max(8, int(0.6 * used)) else use


@njit(cache=True, nogil=True, error_model="numpy")
def same(a: BoolArray, b: BoolArray) -> bool:
    """Whether both hold the same."""
    differing = 0
    for k in range(a.size):
        differing += a[k] != b[k]
    return differing == 0


@njit(cache=True, nogil=True, error_model="numpy")
def likeliest(out: FloatArray) -> int:
    """First of the shapes with the greatest weight."""
    best = 0
    for s in range(1, SHAPES):
        if out[s, 5] > out[best, 5]:
            best = s
    return best


@njit(cache=True, nogil=True, error_model="numpy")
def coarse(
    t: FloatArray,
    v: FloatArray,
    i: FloatArray,
    base: FloatArray,
    closed: float,
    level: float,
    wide: float,
    step: float,
    least: float,
    longest: float,
    reach_s: float,
) -> tuple[float, float, float]:
    """Middle, duration and the level just after the move, by a search that part-separations and impulses cannot draw.

    Three rounds, each about what the one before found.
    """
    local = level
    m, d, half = 0.0, 2.0 * step, 0.8 * reach_s
    durations = even_in_log(least, longest, np.int64(9))
    for turn in range(3):
        middles = even(m - half, m + half, np.int64(25 if turn == 0 else 11))
        m, d, _ = ramp_search(t, v, i, closed, local, base, wide, middles, durations)
        half /= 2.0 if turn == 0 else 8.0
        half = max(half, 0.5 * step)
        if turn == 0:
            # The level just after the move, not the zone's median, says where its middle lies.
            kept = np.empty(t.size)
            many = 0
            for k in range(t.size):
                past = t[k] - m - 0.5 * d
                r = v[k] / i[k]
                if 0.0 < past < max(1e-3, 2.0 * longest / 3.0) and i[k] > 0.0 and math.isfinite(r) and r < 2.0 * level:
                    kept[many] = r
                    many += 1
            local = middle(kept, many) if many >= 5 else level
    return m, d, local


@njit(cache=True, nogil=True, error_model="numpy")
def mixture(
    out: FloatArray, beta: FloatArray, var: FloatArray, origin: float, ratio: float, spread: float, memory: float
) -> Found:
    """One answer from all shapes, each with the weight that the record gives it."""
    best = likeliest(out)
    weight, width = np.empty(SHAPES), np.empty(SHAPES)
    total = 0.0
    for s in range(SHAPES):
        weight[s] = math.exp(out[s, 5] - out[best, 5])
        width[s] = math.exp(out[s, 1])
        total += weight[s]
    m = d = m_var = d_var = 0.0
    for s in range(SHAPES):
        weight[s] /= total
        m += weight[s] * out[s, 0]
        d += weight[s] * width[s]
    for s in range(SHAPES):
        m_var += weight[s] * (out[s, 2] + (out[s, 0] - m) ** 2)
        d_var += weight[s] * (width[s] ** 2 * out[s, 3] + (width[s] - d) ** 2)
    return Found(
        True,
        origin + m,
        math.sqrt(m_var),
        d,
        math.sqrt(d_var),
        origin + (out[best, 0] - lead_of(best, ratio) * width[best]),
        beta[0],
        math.sqrt(var[0]),
        beta[1],
        math.sqrt(var[1]),
        beta[2],
        math.sqrt(var[2]),
        spread,
        memory,
        best,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def moved(found: Found, m: float, m_u: float, d: float, d_u: float) -> Found:
    """The same with another middle and duration."""
    return Found(
        True,
        m,
        m_u,
        d,
        d_u,
        found.onset,
        found.closed,
        found.closed_u,
        found.arcing,
        found.arcing_u,
        found.henry,
        found.henry_u,
        found.spread,
        found.memory,
        found.shape,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def unknown() -> Found:
    """No fit."""
    x = np.nan
    return Found(False, x, x, x, x, x, x, x, x, x, x, x, x, x, 0)


@njit(cache=True, nogil=True, error_model="numpy")
def over_durations(
    w: Window,
    sums: Sums,
    found: Found,
    m: float,
    d: float,
    asked: BoolArray,
    step: float,
    least: float,
    most: float,
    origin: float,
) -> Found:
    """The middle and duration with every duration and shape weighed.

    Where the contact itself fluctuates, a knee of the fluctuation can pass for the end of the move.
    """
    durations = even_in_log(least, most, np.int64(DURATIONS))
    many = np.empty((SHAPES, DURATIONS, 3))
    live = np.empty(SHAPES, dtype=np.bool_)
    for s in range(SHAPES):
        live[s] = asked[s]
    top = 0.0
    for _ in range(3):
        profile(w, sums, m, d, SHAPE_CHANCE, live, step, durations, many)
        top = many[0, 0, 2]
        for s in range(SHAPES):
            for j in range(DURATIONS):
                top = max(top, many[s, j, 2])
        first, last, number = DURATIONS, -1, 0
        for s in range(SHAPES):
            live[s] = False
        for j in range(DURATIONS):
            likely_one = False
            for s in range(SHAPES):
                if many[s, j, 2] > top - UNLIKELY:
                    live[s] = likely_one = True
            if likely_one:
                first, last, number = min(first, j), j, number + 1
        if number > DURATIONS // 2:
            break
        # Too few of the durations tried are likely: look closer.
        for s in range(SHAPES):
            for j in range(DURATIONS):
                if many[s, j, 2] == top:
                    m, d = many[s, j, 0], durations[j]
        durations = even_in_log(
            durations[max(first - 1, 0)], durations[min(last + 1, DURATIONS - 1)], np.int64(DURATIONS)
        )
    total = mean = width = var = width_var = 0.0
    for turn in range(2):
        for s in range(SHAPES):
            for j in range(DURATIONS):
                weight = math.exp((many[s, j, 2] - top) / TEMPER)
                if turn == 0:
                    total += weight
                    mean += weight * many[s, j, 0]
                    width += weight * durations[j]
                else:
                    var += weight * (TEMPER * many[s, j, 1] + (many[s, j, 0] - mean) ** 2)
                    width_var += weight * (durations[j] - width) ** 2
        if turn == 0:
            mean /= total
            width /= total
    return moved(found, origin + mean, math.sqrt(var / total), width, math.sqrt(width_var / total))


@njit(cache=True, nogil=True, error_model="numpy")
def misfit_of(z: FloatArray, use: BoolArray, t: FloatArray, middle_s: float, reach_s: float) -> float:
    """Mean square of the standardised innovations within `reach_s`, the two farthest left out as impulses.

    One where chance explains it.
    """
    total = first = second = 0.0
    n = -2
    for k in range(z.size):
        if use[k] and abs(t[k] - middle_s) < reach_s:
            x = min(abs(z[k]), 8.0) ** 2
            total += x
            n += 1
            first, second = max(first, x), max(second, min(first, x))
    if n < 6:
        return 1.0
    misfit = (total - first - second) / n
    return misfit if misfit > 1.0 + 4.0 * math.sqrt(2.0 / n) else 1.0


@njit(cache=True, nogil=True, error_model="numpy")
def passage(time: FloatArray, r: FloatArray, found: Found, about_s: float) -> float:
    """Instant nearest to the fitted middle at which `r` rises through the half of the move; NaN without one near.

    Its upper level is the contact's over the time `about_s` that follows the move.
    """
    at, half = found.middle, 0.5 * found.duration
    clock = time[: r.size]
    kept = np.empty(r.size)
    many = 0
    for k in range(not_before(clock, at + half), not_before(clock, at + half + about_s)):
        if math.isfinite(r[k]):
            kept[many] = r[k]
            many += 1
    level = middle(kept, many) if many >= 5 else found.arcing
    centre = 0.5 * (found.closed + level)
    reach = half + max(half, 3.0 * found.middle_u)
    low, high = max(not_before(clock, at - reach) - 2, 0), min(not_before(clock, at + reach) + 2, r.size)
    best, before = np.nan, -1
    for k in range(low, high):
        if not math.isfinite(r[k]):
            continue
        if before >= 0 and r[before] < centre <= r[k]:
            crossing = clock[before] + (centre - r[before]) / (r[k] - r[before]) * (clock[k] - clock[before])
            if not abs(crossing - at) >= abs(best - at):
                best = crossing
        before = k
    return best


@njit(cache=True, nogil=True, error_model="numpy")
def with_passage(found: Found, passage_s: float, misfit: float, noise: float, fitted_noise: float) -> Found:
    """The fitted middle, and the passage through it where no smooth shape fits.

    Fingers that leave one by one and unevenly move the middle of any smooth shape, not the passage through one half; a
    contact that fluctuates moves the passage more. Where the fit leaves `misfit` times the noise about it, each counts
    by its own uncertainty; where the contact's fluctuation hides what fits, the passage counts a third, and less
    the farther it stands.
    """
    if not math.isfinite(passage_s):
        return found
    apart = passage_s - found.middle
    u, width = found.middle_u, found.duration
    if math.isinf(misfit):
        share = 0.35 / (1.0 + (apart / (2.0 * math.hypot(u, SHAPE_TERM * width))) ** 2)
        return moved(found, found.middle + share * apart, math.hypot(u, apart * share), width, found.duration_u)
    jump = max(found.arcing - found.closed, noise)
    # What the shape leaves over, by the height of the move, is about what it displaces the middle by, in durations.
    left = fitted_noise * math.sqrt(misfit - 1.0) / jump
    fit_var = u * u * misfit + (min(left, 2.0 * SHAPE_TERM) * width) ** 2
    passage_var = (noise / jump * width) ** 2 + (PASSAGE_TERM * width) ** 2
    share = fit_var / (fit_var + passage_var)
    var = fit_var * passage_var / (fit_var + passage_var)
    return moved(found, found.middle + share * apart, math.sqrt(var), width, found.duration_u)


@njit(cache=True, nogil=True, error_model="numpy")
def fit(
    time: FloatArray,
    volts: FloatArray,
    amps: FloatArray,
    slope: FloatArray,
    near: int,
    first: int,
    last: int,
    closed: float,
    closed_u: float,
    closed_scatter: float,
    sigma: float,
    longest: float,
    long_run: float,
    scatter_v: float,
    far: float,
    asked: BoolArray,
) -> Found:
    """One fit; what is given is told in :func:`drm.commutation.fit_commutation`.

    `far` is how many standard deviations make an innovation an impulse or a part-separation, `asked` of shape (SHAPES,)
    the shapes in question.
    """
    begin = max(0, near - 50)
    steps = np.empty(max(min(near + 50, time.size) - begin - 1, 0))
    for k in range(steps.size):
        steps[k] = time[begin + k + 1] - time[begin + k]
    step, injected = median(steps), median(amps[first : last + 1])
    noise = sigma / injected
    passing, drop = np.empty(last + 1), np.empty(volts.size)
    for k in range(last + 1):
        passing[k] = volts[k] / amps[k]
    for k in range(volts.size):
        drop[k] = volts[k]
    away = parted(passing, near, noise)
    for k in range(last + 1):
        if away[k]:
            passing[k] = drop[k] = np.nan
    level, spread, memory = fluctuation(
        passing[near:], noise, max(noise, scatter_v / injected), step, max(2.0 * step, 0.25 * longest)
    )
    if not level > closed:
        return unknown()

    # Where the move is.
    reach = max(6, up(1.2 * longest / step))
    base_v2 = sigma**2 + (closed_scatter * injected) ** 2
    low, high = max(first, near - reach), min(last + 1, near + reach)
    if high - low < 8:
        return unknown()
    factor = max(1, (high - low) // WINDOW)
    origin = time[near]
    t = thinned(time, low, high, factor) - origin
    v, i = thinned(drop, low, high, factor), thinned(amps, low, high, factor)
    base = np.empty(t.size)
    for k in range(t.size):
        base[k] = base_v2 / factor + (0.02 * closed * injected) ** 2
    least = max(0.5 * step, 0.5 * factor * step)
    wide = max(spread, 0.03 * level)
    m, d, local = coarse(t, v, i, base, closed, level, wide, step, least, longest, reach * step)

    # Maximum likelihood on a window about it, the rest of the arcing zone standing in as a prior of its level.
    at = not_before(time, m + origin)
    wing = max(12, up(2.5 * d / step), up(1.5 * min(memory, 2.0 * d) / step))
    low, high = max(first, at - wing), min(last + 1, at + wing)
    fine = 8.0 if spread == 0.0 else 5.0
    factor = max(1, min((high - low) // 48, int(d / (fine * step) + 1e-6)))
    if (high - low) // factor < 8:
        return unknown()
    t = thinned(time, low, high, factor) - origin
    v, i, rate = thinned(drop, low, high, factor), thinned(amps, low, high, factor), thinned(slope, low, high, factor)
    use = np.empty(t.size, dtype=np.bool_)
    base = np.empty(t.size)
    for k in range(t.size):
        use[k] = math.isfinite(v[k]) and math.isfinite(i[k]) and math.isfinite(rate[k])
        base[k] = long_run * (sigma**2 if t[k] > m + 0.5 * d else base_v2) / factor
    prior, weight = priors(drop, amps, high, last, closed, closed_u, closed_scatter, level, spread, memory, step, noise)
    ratio = max(local / closed, 1.05)
    z = np.empty(t.size)
    start = np.empty(3)
    start[0], start[1], start[2] = closed, local, 0.0
    wider = Window(t, v, i, rate, base, use, 2.0, wide, max(memory, step), prior, weight)
    innovations(wider, m, d, np.int64(0), start, far, z)
    window = Window(t, v, i, rate, base, use, ratio, spread, memory, prior, weight)
    out, beta, var = np.zeros((SHAPES, 6)), np.empty(3), np.empty(3)
    live, kept = np.empty(SHAPES, dtype=np.bool_), np.empty(t.size, dtype=np.bool_)
    for s in range(SHAPES):
        live[s] = asked[s]
    for k in range(t.size):
        kept[k] = False
    best = -1
    for _ in range(2):
        told = likely(use, z, far)
        if same(told, kept):
            break
        kept = told
        seen = Window(t, v, i, rate, base, kept, ratio, spread, memory, prior, weight)
        posterior(seen, summed(seen), m, d, SHAPE_CHANCE, live, step, 0.3 * step, 2.0 * longest, out, beta, var)
        best = likeliest(out)
        for s in range(SHAPES):
            live[s] = out[s, 5] > out[best, 5] - UNLIKELY
        innovations(window, out[best, 0], math.exp(out[best, 1]), best, beta, far, z)
    if best < 0:
        return unknown()
    found = mixture(out, beta, var, origin, ratio, spread, memory)
    if spread == 0.0:
        misfit = misfit_of(z, use, t, found.middle - origin, found.duration)
        if misfit == 1.0:
            return found
        crossing = passage(time, passing, found, 1e-3)
        return with_passage(found, crossing, misfit, noise, noise / math.sqrt(factor))
    kept = likely(use, z, far)
    seen = Window(t, v, i, rate, base, kept, ratio, spread, memory, prior, weight)
    found = over_durations(
        seen, summed(seen), found, m, d, asked, step, max(0.5 * step, 0.5 * factor * step), 2.0 * longest, origin
    )
    crossing = passage(time, passing, found, max(1e-3, longest / 2.0))
    return with_passage(found, crossing, np.inf, noise, noise)
