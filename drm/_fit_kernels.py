"""The commutation's fit, compiled as one: contiguous float64, no checks; :mod:`drm.commutation` calls it.

Twins in plain NumPy are in the tests.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from drm._commutation_kernels import (
    SHAPES,
    Sums,
    Window,
    innovations,
    lead_of,
    not_before,
    span_of,
    summed,
)
from drm._joint_kernels import SENSE_LOOP_H
from drm._median_kernel import median, middle, ordered, scatter
from drm._move_kernels import NEAR, posterior, profile, ramp_search
from drm._shape_kernels import averaged

# Compiled with _commutation_kernels, _joint_kernels, _median_kernel, _move_kernels, _shape_kernels: 00f173400a217d53
__all__ = [
    "Found",
    "Seen",
    "fluctuation",
    "in_common",
    "lag_one",
    "parted",
    "passage",
    "priors",
    "reads_closed",
    "seen_about",
    "thinned",
    "told_of_quiet",
    "told_of_rough",
    "weighed",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Log prior of each shape of the move: straight in resistance, smooth, quick at the start, straight and smooth in
#: conductance, logistic in both.
SHAPE_CHANCE = np.log(np.array([0.3, 0.2, 0.05, 0.2, 0.1, 0.1, 0.05]))
#: The move takes about this share of the arcing zone, within a factor: a travel of a millimetre or two in some twenty.
MOVE_SHARE, MOVE_FACTOR = 0.07, 2.5
#: The moves of one breaker's contacts take as long as one another within a factor: common practice, no source.
ALIKE_FACTOR = 1.5
#: What a fluctuation that ends a move early displaces its middle by, in the time that is missing, standard: between
#: nothing, where the end alone is hidden, and one half, where the rest of the move is; its duration by twice that.
#: Simulated records.
CUT_SHORT = 0.2
#: Samples kept of a window: beyond, neighbours are averaged.
WINDOW = 240
#: Fluctuation, by the height of the move, beyond which it and not the noise limits what can be told.
ROUGH = 0.02
#: Share of a correlated noise that is taken as white, and neighbours in the means that told how much is correlated.
WHITE, LONG_RUN = 1e-3, 8
#: A correlation of neighbours below this is none.
LEAST_LAG = 1e-3
#: A log weight this far below the best is left out.
UNLIKELY = 12.0
#: What a log weight is divided by where the contact fluctuates, for its tails are heavier than the fit has them; less
#: where like contacts tell how long the move takes. Simulated records.
TEMPER, TEMPER_ALIKE = 2.0, 1.6
#: By how much more a sample within the move may be off before the shape is known.
LENIENT = 4.0
#: A sample reads the closed level within so many standard deviations, and so many in a row are no chance; nor are fewer
#: where that is below the second share of the move, and beyond the first a contact half moved could read it.
AT_REST, IN_A_ROW, LESS_THAN_HALF, FAR_BELOW = 4.0, 4, 0.25, 0.05
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


class Seen(NamedTuple):
    """The samples about the move, and where a coarse search has it.

    Attributes
    ----------
    known : bool
        False where fewer than eight samples lie in reach.
    w : Window
        About the move, time from `origin`; all that is finite counts.
    passing : shape (last + 1,)
        V/I of every sample, part-separations left out, ohm.
    m, d : s
        Middle, from `origin`, and duration.
    wide : ohm
        What the arcing contact may fluctuate by beside an impulse.
    local, closed : ohm
        Level just after the move; closed level.
    factor : int
        Neighbours averaged.
    noise, step, origin : ohm, s, s
        White noise of a sample; sampling interval; zero of the window's time.
    alike : s
        How long the moves of like contacts take; zero where that is not told.
    closed_until : s
        From `origin`: the contact reads closed, and has not half moved.
    """

    known: bool
    calm: bool
    w: Window
    passing: FloatArray
    m: float
    d: float
    wide: float
    local: float
    closed: float
    factor: int
    noise: float
    step: float
    origin: float
    alike: float
    closed_until: float


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
def fluctuation(
    r: FloatArray, noise: float, scattered: float, step: float, lag_s: float, lag: float
) -> tuple[float, float, float]:
    """Level, standard deviation and correlation time of the arcing contact's own fluctuation, robustly.

    The deviation is what the zone scatters by beyond the noise; the correlation time matches the scatter of
    differences over `lag_s`, the scale on which it could be taken for the move. `scattered` is what the noise
    scatters by, more than its white part `noise` where neighbouring samples share it, with the correlation `lag`.
    """
    good = 0
    for x in r:
        good += math.isfinite(x)
    level = median(r)
    if good < 4:
        return level, 0.0, step
    total = (1.4826 * scatter(r, level)) ** 2
    # A median absolute deviation has 37 % of the efficiency of a standard deviation.
    chance = 1.0 + 4.0 * math.sqrt(2.0 / (0.37 * good) * (1.0 + lag * lag) / (1.0 - lag * lag))
    if total <= chance * scattered**2:
        return level, 0.0, step
    own = total - scattered**2
    far = min(max(1, int(lag_s / step + 1e-6)), good // 2)
    steps = np.empty(r.size)
    many = 0
    for k in range(far, r.size):
        x = abs(r[k] - r[k - far])
        if math.isfinite(x):
            steps[many] = x
            many += 1
    apart = 0.5 * (1.4826 * middle(steps, many)) ** 2 - noise**2 if many >= 3 else own
    kept = min(max(1.0 - apart / own, 0.02), 0.999)
    return level, math.sqrt(own), min(max(-far * step / math.log(kept), step), 0.3 * good * step)


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
        # A tail has no beginning: of the steep part.
        origin + (out[best, 0] - (lead_of(best, ratio) - 0.5 * (span_of(best) - 1.0)) * width[best]),
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
def reads_closed(w: Window, closed: float, arcing: float) -> tuple[BoolArray, float]:
    """Which samples read the closed level, and until when; minus infinity where none tells.

    Where the scatter is far below the move no fluctuation ends just there: as many are enough as there are others
    between them and the last that did, since each of these or of those is then an impulse. Otherwise several in a row
    are; and what scatters by so much that a contact half moved could read it tells nothing.
    """
    near = np.zeros(w.t.size, dtype=np.bool_)
    run, away, last = 0, 0, -np.inf
    for k in range(w.t.size):
        if not w.use[k]:
            continue
        limit, jump = AT_REST * math.sqrt(w.base2[k]) + 0.02 * closed * w.i[k], (arcing - closed) * w.i[k]
        near[k] = abs(w.v[k] - closed * w.i[k]) < limit < LESS_THAN_HALF * jump
        run = run + 1 if near[k] else 0
        away += not near[k]
        if run >= IN_A_ROW or (run > 0 and away <= run and limit < FAR_BELOW * jump):
            last, away = w.t[k], 0
    return near, last


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
    temper: float,
    closed_until: float,
) -> Found:
    """The middle and duration with every duration and shape weighed.

    Where the contact itself fluctuates, a knee of the fluctuation can pass for the end of the move; and closed samples
    for a fluctuation, were a move allowed that has half passed while the contact still reads closed.
    """
    durations = even_in_log(least, most, np.int64(DURATIONS))
    many = np.empty((SHAPES, DURATIONS, 3))
    live = np.empty(SHAPES, dtype=np.bool_)
    for s in range(SHAPES):
        live[s] = asked[s]
    top = 0.0
    for _ in range(3):
        profile(w, sums, m, d, SHAPE_CHANCE, live, step, durations, many)
        for s in range(SHAPES):
            for j in range(DURATIONS):
                if many[s, j, 0] < closed_until - step:
                    many[s, j, 2] = -1e300
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
                weight = math.exp((many[s, j, 2] - top) / temper)
                if turn == 0:
                    total += weight
                    mean += weight * many[s, j, 0]
                    width += weight * durations[j]
                else:
                    var += weight * (temper * many[s, j, 1] + (many[s, j, 0] - mean) ** 2)
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
def lag_one(long_run: float, block: int) -> float:
    """Correlation of neighbouring samples of a first-order noise, from 0 to 0.9.

    `long_run` is the variance of means of `block` samples by that of white noise with the same first differences.
    """
    low, high = 0.0, 0.9
    for _ in range(40):
        x = 0.5 * (low + high)
        if mean_variance(x, block) * block / (1.0 - x) < long_run:
            low = x
        else:
            high = x
    return 0.5 * (low + high)


@njit(cache=True, nogil=True, error_model="numpy")
def mean_variance(lag: float, many: int) -> float:
    """Variance of the mean of `many` neighbours of a first-order noise with variance one."""
    one = 1.0 - lag
    return ((1.0 + lag) / one - 2.0 * lag * (1.0 - lag**many) / (many * one * one)) / many


@njit(cache=True, nogil=True, error_model="numpy")
def in_common(sigma: float, lag: float, many: int, step: float) -> tuple[float, float, float]:
    """Noise of means of `many` neighbours as a first-order part, its memory, and a white part, V^2, s, V^2.

    `sigma` is the deviation of white noise with the same first differences. Variance and long-run variance are right.
    """
    if not lag > LEAST_LAG:
        return 0.0, step, sigma**2 / many
    whole = sigma**2 / (1.0 - lag)
    variance, endless = whole * mean_variance(lag, many), whole / many * (1.0 + lag) / (1.0 - lag)
    kept = (endless - variance) / (endless + variance)
    # A little stays white: the sums divide by it.
    return (1.0 - WHITE) * variance, -many * step / math.log(kept), WHITE * variance


@njit(cache=True, nogil=True, error_model="numpy")
def nowhere() -> Seen:
    """No samples to fit a move to."""
    x, none = np.zeros(0), np.zeros(4)
    w = Window(x, x, x, x, x, np.zeros(0, dtype=np.bool_), 1.0, 0.0, 1.0, 0.0, none, none)
    return Seen(False, False, w, x, 0.0, 1.0, 1.0, 0.0, 1.0, 1, 0.0, 1.0, 0.0, 0.0, -np.inf)


@njit(cache=True, nogil=True, error_model="numpy")
def seen_about(
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
    alike: float,
) -> Seen:
    """Where the move is, by a coarse search, and the samples about it.

    What is given is told in :func:`drm.commutation.fit_commutation`.
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
    lag, lag_s = lag_one(long_run, LONG_RUN), max(2.0 * step, 0.25 * longest)
    level, spread, memory = fluctuation(passing[near:], noise, max(noise, scatter_v / injected), step, lag_s, lag)
    if not level > closed:
        return nowhere()

    # Where the move is.
    reach = max(6, up(1.2 * longest / step))
    sliding2 = (closed_scatter * injected) ** 2
    low, high = max(first, near - reach), min(last + 1, near + reach)
    if high - low < 8:
        return nowhere()
    factor = max(1, (high - low) // WINDOW)
    origin = time[near]
    t = thinned(time, low, high, factor) - origin
    v, i = thinned(drop, low, high, factor), thinned(amps, low, high, factor)
    base = np.empty(t.size)
    for k in range(t.size):
        base[k] = (sigma**2 + sliding2) / factor + (0.02 * closed * injected) ** 2
    least = max(0.5 * step, 0.5 * factor * step)
    wide = max(spread, 0.03 * level)
    m, d, local = coarse(t, v, i, base, closed, level, wide, step, least, longest, reach * step)

    # Maximum likelihood on a window about it, the rest of the arcing zone standing in as a prior of its level.
    at = not_before(time, m + origin)
    wing = max(12, up(2.5 * d / step), up(1.5 * min(memory, 2.0 * d) / step))
    calm = spread < ROUGH * (level - closed)
    # A straight move fits the steep end of one that is straight in conductance.
    ahead = up(1.5 * d / step) if calm else 0
    low, high = max(first, at - wing - ahead), min(last + 1, at + wing)
    many, fine = (96, 8.0) if calm else (48, 5.0)
    factor = max(1, min((high - low) // many, int(d / (fine * step) + 1e-6)))
    if (high - low) // factor < 8:
        return nowhere()
    t = thinned(time, low, high, factor) - origin
    v, i, rate = thinned(drop, low, high, factor), thinned(amps, low, high, factor), thinned(slope, low, high, factor)
    shared2, tau, white2 = 0.0, memory, long_run * sigma**2 / factor
    if spread == 0.0:
        shared2, tau, white2 = in_common(sigma, lag, factor, step)
        sliding2 /= long_run
    use = np.empty(t.size, dtype=np.bool_)
    base = np.empty(t.size)
    for k in range(t.size):
        use[k] = math.isfinite(v[k]) and math.isfinite(i[k]) and math.isfinite(rate[k])
        base[k] = white2 + (0.0 if t[k] > m + 0.5 * d else long_run * sliding2 / factor)
    prior, weight = priors(drop, amps, high, last, closed, closed_u, closed_scatter, level, spread, memory, step, noise)
    if alike > 0.0:
        prior[3], weight[3] = math.log(alike), 1.0 / math.log(ALIKE_FACTOR) ** 2
    w = Window(t, v, i, rate, base, use, max(local / closed, 1.05), spread, tau, math.sqrt(shared2), prior, weight)
    near_closed, until = reads_closed(w, closed, local)
    if until > m + 2.0 * max(d, factor * step):
        until = -np.inf
    for k in range(t.size):
        # A lone rise of a contact that then reads closed is an impulse.
        use[k] = use[k] and (t[k] > until or near_closed[k])
    m = max(m, until)
    return Seen(True, calm, w, passing, m, d, wide, local, closed, factor, noise, step, origin, alike, until)


@njit(cache=True, nogil=True, error_model="numpy")
def weighed(
    seen: Seen, longest: float, far: float, asked: BoolArray
) -> tuple[int, BoolArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Every shape's likeliest middle and duration, and which samples tell.

    `far` is how many standard deviations make an innovation an impulse or a part-separation, `asked` of shape (SHAPES,)
    the shapes in question.

    Returns
    -------
    best : int
        Shape of greatest weight, negative without one.
    kept : shape (n,)
        Samples that count.
    z : shape (n,)
        Standardised innovations at the best.
    out, beta, var
        As :func:`drm._move_kernels.posterior` fills them.
    """
    w, m, d, step = seen.w, seen.m, seen.d, seen.step
    z = np.empty(w.t.size)
    start = np.empty(3)
    start[0], start[1], start[2] = seen.closed, seen.local, 0.0
    wider = Window(
        w.t, w.v, w.i, w.rate, w.base2, w.use, 2.0, seen.wide, max(w.tau, step), w.shared, w.prior, w.weight
    )
    innovations(wider, m, d, np.int64(0), start, far, z)
    for k in range(z.size):
        # What a straight move leaves about another one is no impulse.
        if seen.calm and abs(w.t[k] - m) < d:
            z[k] /= LENIENT
    out, beta, var = np.zeros((SHAPES, 9)), np.empty(3), np.empty(3)
    live, kept = np.empty(SHAPES, dtype=np.bool_), np.zeros(w.t.size, dtype=np.bool_)
    for s in range(SHAPES):
        live[s] = asked[s]
    best, wide = -1, 1.0
    for _ in range(2):
        told = likely(w.use, z, far)
        if same(told, kept):
            break
        kept = told
        now = Window(
            w.t, w.v, w.i, w.rate, w.base2, kept, w.ratio, w.spread, w.tau, w.shared, w.prior, w.weight
        )
        posterior(now, summed(now), m, d, SHAPE_CHANCE, live, step, 0.3 * step, 2.0 * longest, wide, out, beta, var)
        best = likeliest(out)
        for s in range(SHAPES):
            live[s] = out[s, 5] > out[best, 5] - UNLIKELY
        wide = NEAR
        innovations(w, out[best, 0], math.exp(out[best, 1]), best, beta, far, z)
    return best, kept, z, out, beta, var


@njit(cache=True, nogil=True, error_model="numpy")
def told_of_quiet(
    seen: Seen,
    time: FloatArray,
    kept: BoolArray,
    z: FloatArray,
    out: FloatArray,
    beta: FloatArray,
    var: FloatArray,
    far: float,
    free: bool,
) -> Found:
    """The move where the arcing contact does not fluctuate; `free` where its shape is not told."""
    w, origin = seen.w, seen.origin
    found = mixture(out, beta, var, origin, w.ratio, w.spread, w.tau)
    if free:
        m, d, m_var, d_var = averaged(w, kept, z, far, out)
        found = moved(found, origin + m, math.sqrt(m_var), d, math.sqrt(d_var))
    misfit = misfit_of(z, w.use, w.t, found.middle - origin, found.duration)
    if misfit == 1.0:
        return found
    crossing = passage(time, seen.passing, found, 1e-3)
    return with_passage(found, crossing, misfit, seen.noise, seen.noise / math.sqrt(seen.factor))


@njit(cache=True, nogil=True, error_model="numpy")
def told_of_rough(
    seen: Seen,
    time: FloatArray,
    z: FloatArray,
    out: FloatArray,
    beta: FloatArray,
    var: FloatArray,
    longest: float,
    far: float,
    asked: BoolArray,
) -> Found:
    """The move where the arcing contact fluctuates."""
    w, step = seen.w, seen.step
    found = mixture(out, beta, var, seen.origin, w.ratio, w.spread, w.tau)
    kept = likely(w.use, z, far)
    now = Window(w.t, w.v, w.i, w.rate, w.base2, kept, w.ratio, w.spread, w.tau, w.shared, w.prior, w.weight)
    least = max(0.5 * step, 0.5 * seen.factor * step)
    temper = TEMPER_ALIKE if seen.alike > 0.0 else TEMPER
    found = over_durations(
        now,
        summed(now),
        found,
        seen.m,
        seen.d,
        asked,
        step,
        least,
        2.0 * longest,
        seen.origin,
        temper,
        seen.closed_until,
    )
    crossing = passage(time, seen.passing, found, max(1e-3, longest / 2.0))
    found = with_passage(found, crossing, np.inf, seen.noise, seen.noise)
    missing = CUT_SHORT * max(seen.alike - found.duration, 0.0)
    # The middle gains by what the likes say, the duration is what they say it by.
    duration_u = found.duration_u * math.sqrt(TEMPER / temper)
    return moved(
        found, found.middle, math.hypot(found.middle_u, missing), found.duration, math.hypot(duration_u, 2.0 * missing)
    )
