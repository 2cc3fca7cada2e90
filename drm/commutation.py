"""The commutation of one operation: middle, duration, levels and inductance by maximum likelihood, each with its u."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drm.median import nanmedian
from drm.quantity import NOTHING, Quantity

__all__ = ["Commutation", "fit_commutation"]

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
#: An innovation beyond this, in standard deviations, is an impulse or a part-separation, and masked.
FAR = 4.5


@dataclass(frozen=True)
class Commutation:
    """The move of the current from the main to the arcing contact.

    Attributes
    ----------
    middle_s, duration_s : Quantity
        On the clock given; without the chain's delay.
    onset_s : float
        Start of the move, of the most likely shape.
    closed_ohm, arcing_ohm, inductance_h : Quantity
    fluctuation_ohm, memory_s : float
        Standard deviation of the arcing contact's own fluctuation and its correlation time.
    shape : int
        The most likely of :data:`SHAPE_CHANCE`.
    """

    middle_s: Quantity = NOTHING
    duration_s: Quantity = NOTHING
    onset_s: float = math.nan
    closed_ohm: Quantity = NOTHING
    arcing_ohm: Quantity = NOTHING
    inductance_h: Quantity = NOTHING
    fluctuation_ohm: float = 0.0
    memory_s: float = 0.0
    shape: int = 0


def _up(x: float) -> int:
    """Least integer not below `x` but for rounding, so that a shifted clock counts the same samples."""
    return math.ceil(x - 1e-6)


def _thinned(window: slice, factor: int, *arrays: FloatArray) -> list[FloatArray]:
    """Means of `factor` neighbours, NaN passed over; the rest at the end is dropped."""
    if factor == 1:
        return [np.ascontiguousarray(a[window]) for a in arrays]
    out = []
    for a in arrays:
        part = a[window]
        part = part[: part.size // factor * factor].reshape(-1, factor)
        good = np.isfinite(part)
        n = good.sum(axis=1)
        with np.errstate(invalid="ignore"):
            out.append(np.where(n > 0, np.where(good, part, 0.0).sum(axis=1) / n, np.nan))
    return out


def _apart(r: FloatArray, start: int, noise_ohm: float) -> BoolArray:
    """Which samples belong to momentary part-separations and bounces: far above the arcing level, or beside such.

    The scatter is read below the median, where part-separations leave it alone; what is far above goes, and again.
    """
    zone = r[start:]
    left = zone[np.isfinite(zone) & (zone > 0.0)]
    if left.size < 4:
        return np.zeros(r.size, dtype=np.bool_)
    # Where part-separations fill half of the zone the median is theirs: the shortest stretch with two fifths of the
    # samples is the contact's (the shorth of Andrews and others, 1972, on logarithms).
    log = np.sort(np.log(left))
    held = max(2, math.ceil(0.4 * log.size))
    widths = log[held - 1 :] - log[: log.size - held + 1]
    k = int(np.argmin(widths))
    level = math.exp(nanmedian(log[k : k + held]))
    limit = max(2.0 * level, level * math.exp(4.5 * min(float(widths[k]) / 1.05, ROUGHEST))) + 5.0 * noise_ohm
    for _ in range(8):
        # Sorted, so that what is left below the limit is a beginning.
        n = int(np.searchsorted(log, math.log(limit), side="right"))
        if n < 4:
            break
        middle = 0.5 * float(log[(n - 1) // 2] + log[n // 2])
        own = min(middle - float(log[int(0.16 * (n - 1))]), ROUGHEST)
        level = math.exp(middle)
        new = max(1.6 * level, level * math.exp(4.5 * own)) + 5.0 * noise_ohm
        if new >= limit:
            break
        limit = new
    with np.errstate(invalid="ignore"):
        far = r > limit
        # A neighbour still above the level is a part-separation's shoulder; one below it is not.
        shoulder = r > 1.1 * level
    beside = far.copy()
    beside[1:] |= far[:-1] & shoulder[1:]
    beside[:-1] |= far[1:] & shoulder[:-1]
    return beside


def _fluctuation(
    r: FloatArray, noise_ohm: float, scatter_ohm: float, step_s: float, lag_s: float
) -> tuple[float, float, float]:
    """Level, standard deviation and correlation time of the arcing contact's own fluctuation, robustly.

    The deviation is what the zone scatters by beyond the noise; the correlation time matches the scatter of
    differences over `lag_s`, the scale on which it could be taken for the move. `scatter_ohm` is what the noise
    scatters by, more than its white part `noise_ohm` where neighbouring samples share it.
    """
    good = r[np.isfinite(r)]
    if good.size < 4:
        return (nanmedian(good) if good.size else math.nan), 0.0, step_s
    level = nanmedian(good)
    total = (1.4826 * nanmedian(np.abs(good - level))) ** 2
    # A median absolute deviation has 37 % of the efficiency of a standard deviation.
    chance = 1.0 + 4.0 * math.sqrt(2.0 / (0.37 * good.size))
    if total <= chance * scatter_ohm**2:
        return level, 0.0, step_s
    own = total - scatter_ohm**2
    lag = int(min(max(1, int(lag_s / step_s + 1e-6)), good.size // 2))
    steps = np.abs(r[lag:] - r[:-lag])
    steps = steps[np.isfinite(steps)]
    apart = 0.5 * (1.4826 * nanmedian(steps)) ** 2 - noise_ohm**2 if steps.size >= 3 else own
    kept = min(max(1.0 - apart / own, 0.02), 0.999)
    return level, math.sqrt(own), min(max(-lag * step_s / math.log(kept), step_s), 0.3 * good.size * step_s)


def fit_commutation(
    time_s: FloatArray,
    voltage_v: FloatArray,
    current_a: FloatArray,
    rate_a_s: FloatArray,
    *,
    near: int,
    first: int,
    last: int,
    closed_ohm: Quantity,
    closed_scatter_ohm: float,
    sigma_v: float,
    longest_s: float,
    long_run: float = 1.0,
    scatter_v: float = 0.0,
    shapes: tuple[int, ...] | None = None,
) -> Commutation | None:
    """Fit the move near a sample.

    Parameters
    ----------
    time_s, voltage_v, current_a, rate_a_s : ndarray, shape (n,)
        In order of opening, time increasing; NaN where missing or masked; dI/dt in A/s, zero where it is only noise.
    near : int
        Sample near which the closed level gives way to the arcing one.
    first, last : int
        First and last sample that may be used: the contact slides or rests closed from `first`, metal conducts to
        `last`.
    closed_ohm : Quantity
        Closed level from the contact at rest.
    closed_scatter_ohm : float
        Standard deviation of the sliding closed contact about it.
    sigma_v : float
        White noise of the voltage.
    longest_s : float
        Longest move to look for.
    long_run : float
        Long-run variance of the noise by its white part: above one where neighbouring samples share their noise.
    scatter_v : float
        Standard deviation of the noise, its slow part included; the white part's where not given.
    shapes : tuple of int, optional
        Only these shapes, where the move's is known.

    Returns
    -------
    Commutation or None
        None where fewer than eight samples lie in reach.
    """
    given: _Given = (near, first, last, closed_ohm, closed_scatter_ohm, sigma_v, longest_s, long_run, scatter_v, shapes)
    found = _fit(time_s, voltage_v, current_a, rate_a_s, given)
    if found is None or not abs(found.inductance_h.value) > 4.0 * found.inductance_h.u:
        return found
    # What the sense loop adds looks like the contact's own course in V/I: taken out, and once more.
    henry = found.inductance_h
    again = _fit(time_s, voltage_v - henry.value * rate_a_s, current_a, rate_a_s, given)
    if again is None:
        return found
    return replace(again, inductance_h=Quantity(henry.value + again.inductance_h.value, henry.u))


_Given = tuple[int, int, int, Quantity, float, float, float, float, float, tuple[int, ...] | None]


def _fit(
    time_s: FloatArray, voltage_v: FloatArray, current_a: FloatArray, rate_a_s: FloatArray, given: _Given
) -> Commutation | None:
    """One fit, with what else was given to :func:`fit_commutation`."""
    from drm import _commutation_kernels as _kernels

    near, first, last, closed_ohm, closed_scatter_ohm, sigma_v, longest_s, long_run, scatter_v, shapes = given
    step = nanmedian(np.diff(time_s[max(0, near - 50) : near + 50]))
    injected = nanmedian(current_a[first : last + 1])
    noise_ohm = sigma_v / injected
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = voltage_v[: last + 1] / current_a[: last + 1]
    apart = _apart(ratio, near, noise_ohm)
    passing = np.where(apart, np.nan, ratio)
    ratio = passing[near:]
    voltage_v = np.where(np.concatenate([apart, np.zeros(voltage_v.size - apart.size, dtype=bool)]), np.nan, voltage_v)
    level, spread, memory = _fluctuation(
        ratio, noise_ohm, max(noise_ohm, scatter_v / injected), step, max(2.0 * step, 0.25 * longest_s)
    )
    if not level > closed_ohm.value:
        return None

    # Where the move is, by a search that part-separations and impulses cannot draw.
    reach = max(6, _up(1.2 * longest_s / step))
    base_v2 = sigma_v**2 + (closed_scatter_ohm * injected) ** 2
    low, high = max(first, near - reach), min(last + 1, near + reach)
    if high - low < 8:
        return None
    factor = max(1, (high - low) // WINDOW)
    t, v, i, rate = _thinned(slice(low, high), factor, time_s, voltage_v, current_a, rate_a_s)
    origin = float(time_s[near])
    t = t - origin
    base = np.full(t.size, base_v2 / factor + (0.02 * closed_ohm.value * injected) ** 2)
    wide = max(spread, 0.03 * level)
    local = level
    m, d = 0.0, 2.0 * step
    durations = np.geomspace(max(0.5 * step, 0.5 * factor * step), longest_s, 9)
    half = 0.8 * reach * step
    for k in range(3):
        middles = np.linspace(m - half, m + half, 25 if k == 0 else 11)
        m, d, _ = _kernels.ramp_search(t, v, i, closed_ohm.value, local, base, wide, middles, durations)
        if k == 0:
            # The level just after the move, not the zone's median, says where its middle lies.
            past = (t > m + 0.5 * d) & (t < m + 0.5 * d + max(1e-3, 2.0 * longest_s / 3.0)) & (i > 0)
            near_r = v[past] / i[past]
            near_r = near_r[np.isfinite(near_r) & (near_r < 2.0 * level)]
            local = nanmedian(near_r) if near_r.size >= 5 else level
            half /= 2.0
        else:
            half /= 8.0
        half = max(half, 0.5 * step)

    # Maximum likelihood on a window about it, the rest of the arcing zone standing in as a prior of its level.
    middle = int(np.searchsorted(time_s, m + origin))
    wing = max(12, _up(2.5 * d / step), _up(1.5 * min(memory, 2.0 * d) / step))
    low, high = max(first, middle - wing), min(last + 1, middle + wing)
    fine = 8.0 if spread == 0.0 else 5.0
    factor = max(1, min((high - low) // 48, int(d / (fine * step) + 1e-6)))
    t, v, i, rate = _thinned(slice(low, high), factor, time_s, voltage_v, current_a, rate_a_s)
    t = t - origin
    if t.size < 8:
        return None
    use = np.isfinite(v) & np.isfinite(i) & np.isfinite(rate)
    base = np.full(t.size, long_run * base_v2 / factor)
    base[t > m + 0.5 * d] = long_run * sigma_v**2 / factor
    prior, weight = _priors(
        voltage_v, current_a, high, last, closed_ohm, closed_scatter_ohm, level, spread, memory, step, noise_ohm
    )
    ratio_up = max(local / closed_ohm.value, 1.05)
    out, beta, var = np.zeros((_kernels.SHAPES, 6)), np.empty(3), np.empty(3)
    least = 0.3 * step
    z = np.empty(t.size)
    start = np.array([closed_ohm.value, local, 0.0])
    window = _kernels.Window(t, v, i, rate, base, use, ratio_up, spread, memory, prior, weight)
    first_look = window._replace(ratio=2.0, spread=wide, tau=max(memory, step))
    _kernels.innovations(first_look, m, d, 0, start, FAR, z)
    asked = np.isin(np.arange(_kernels.SHAPES), shapes or range(_kernels.SHAPES))
    live = asked.copy()
    kept = np.zeros_like(use)
    for _ in range(2):
        told = _told(use, z)
        if bool((told == kept).all()):
            break
        kept = told
        _kernels.posterior(
            window._replace(use=kept), m, d, SHAPE_CHANCE, live, step, least, 2.0 * longest_s, out, beta, var
        )
        best = int(np.argmax(out[:, 5]))
        live = out[:, 5] > out[best, 5] - UNLIKELY
        _kernels.innovations(window, out[best, 0], math.exp(out[best, 1]), best, beta, FAR, z)
    found = _mixture(out, beta, var, origin, ratio_up, spread, memory)
    if spread == 0.0:
        misfit = _misfit(z[use & (np.abs(t + origin - found.middle_s.value) < found.duration_s.value)])
        if misfit == 1.0:
            return found
        return _with_passage(
            found, _passage(time_s, passing, found, 1e-3), misfit, noise_ohm, noise_ohm / math.sqrt(factor)
        )
    # Where the contact itself fluctuates, a knee of the fluctuation can pass for the end of the move: every duration
    # is weighed, not only the best.
    kept = _told(use, z)
    durations = np.geomspace(max(0.5 * step, 0.5 * factor * step), 2.0 * longest_s, DURATIONS)
    many = np.empty((_kernels.SHAPES, DURATIONS, 3))
    live = asked
    for _ in range(3):
        _kernels.profile(window._replace(use=kept), m, d, SHAPE_CHANCE, live, step, durations, many)
        top = many[..., 2].max(axis=0)
        likely = np.flatnonzero(top > top.max() - UNLIKELY)
        live = many[..., 2].max(axis=1) > top.max() - UNLIKELY
        if likely.size > DURATIONS // 2:
            break
        # Too few of the durations tried are likely: look closer.
        k = int(np.argmax(top))
        m, d = float(many[np.argmax(many[:, k, 2]), k, 0]), float(durations[k])
        durations = np.geomspace(
            durations[max(likely[0] - 1, 0)], durations[min(likely[-1] + 1, DURATIONS - 1)], DURATIONS
        )
    found = _over_durations(found, many, durations, origin)
    return _with_passage(
        found, _passage(time_s, passing, found, max(1e-3, longest_s / 2.0)), math.inf, noise_ohm, noise_ohm
    )


def _told(use: BoolArray, z: FloatArray) -> BoolArray:
    """Samples that are no impulses nor part-separations; all of them where that would leave too few."""
    kept = use & (np.abs(z) < FAR)
    return kept if int(kept.sum()) >= max(8, int(0.6 * use.sum())) else use


def _priors(
    voltage_v: FloatArray,
    current_a: FloatArray,
    start: int,
    last: int,
    closed: Quantity,
    closed_scatter: float,
    level: float,
    spread: float,
    memory: float,
    step: float,
    noise: float,
) -> tuple[FloatArray, FloatArray]:
    """Mean and precision of the closed level, the arcing level and the inductance from outside the window."""
    zone_s = max((last - start) * step, 2.0 * step)
    mean = np.array([closed.value, level, 0.0, math.log(MOVE_SHARE * zone_s)])
    closed_var = (closed.u if math.isfinite(closed.u) else 0.0) ** 2 + closed_scatter**2 + (1e-4 * closed.value) ** 2
    weight = np.array([1.0 / closed_var, 1.0 / level**2, 1.0 / SENSE_LOOP_H**2, 1.0 / math.log(MOVE_FACTOR) ** 2])
    # The last tenth is left out: the contact's pressure falls before it parts.
    stop = last + 1 - (last + 1 - start) // 10
    if stop - start >= 4:
        v, i = voltage_v[start:stop], current_a[start:stop]
        with np.errstate(invalid="ignore", divide="ignore"):
            r = v / i
        middle = level if bool(np.isnan(r).all()) else nanmedian(r)
        near = np.abs(r - middle) < 5.0 * math.hypot(spread, noise)
        if int(near.sum()) >= 4:
            power = float(np.sum(i[near] ** 2))
            mean[1] = float(np.sum(v[near] * i[near])) / power
            independent = max(near.sum() * step / (2.0 * memory), 1.0) if spread > 0.0 else math.inf
            own = (noise * nanmedian(i[near])) ** 2 / power
            weight[1] = 1.0 / (own + (spread**2 / independent if spread > 0.0 else 0.0))
    return mean, weight


def _mixture(
    out: FloatArray, beta: FloatArray, var: FloatArray, origin: float, ratio: float, spread: float, memory: float
) -> Commutation:
    """One answer from all shapes, each with the weight that the record gives it."""
    weight = np.exp(out[:, 5] - out[:, 5].max())
    weight /= weight.sum()
    width = np.exp(out[:, 1])
    middle = float(weight @ out[:, 0])
    middle_var = float(weight @ (out[:, 2] + (out[:, 0] - middle) ** 2))
    duration = float(weight @ width)
    duration_var = float(weight @ (np.square(width) * out[:, 3] + (width - duration) ** 2))
    best = int(np.argmax(weight))
    ahead = ratio / (1.0 + ratio)
    before = (
        0.5,
        0.5,
        1.0 - 0.5 ** (1.0 / 1.6),
        ahead,
        0.5 - math.sin(math.asin(1.0 - 2.0 * ahead) / 3.0),
    )[best]
    return Commutation(
        middle_s=Quantity(origin + middle, math.sqrt(middle_var)),
        duration_s=Quantity(duration, math.sqrt(duration_var)),
        onset_s=origin + float(out[best, 0] - before * width[best]),
        closed_ohm=Quantity(float(beta[0]), math.sqrt(var[0])),
        arcing_ohm=Quantity(float(beta[1]), math.sqrt(var[1])),
        inductance_h=Quantity(float(beta[2]), math.sqrt(var[2])),
        fluctuation_ohm=spread,
        memory_s=memory,
        shape=best,
    )


def _over_durations(found: Commutation, many: FloatArray, durations: FloatArray, origin: float) -> Commutation:
    """The middle and duration with every duration and shape weighed."""
    weight = np.exp((many[..., 2] - many[..., 2].max()) / TEMPER)
    weight /= weight.sum()
    middle = float(np.sum(weight * many[..., 0]))
    var = float(np.sum(weight * (TEMPER * many[..., 1] + (many[..., 0] - middle) ** 2)))
    width = float(np.sum(weight * durations))
    width_var = float(np.sum(weight * (durations - width) ** 2))
    return replace(
        found,
        middle_s=Quantity(origin + middle, math.sqrt(var)),
        duration_s=Quantity(width, math.sqrt(width_var)),
    )


def _misfit(z: FloatArray) -> float:
    """Mean square of standardised innovations, the two farthest left out as impulses; 1 where chance explains it."""
    if z.size < 8:
        return 1.0
    kept = np.sort(np.square(np.clip(z, -8.0, 8.0)))[:-2]
    misfit = float(kept.mean())
    return misfit if misfit > 1.0 + 4.0 * math.sqrt(2.0 / kept.size) else 1.0


def _passage(time_s: FloatArray, r: FloatArray, found: Commutation, about_s: float) -> float:
    """Instant nearest to the fitted middle at which `r` rises through the half of the move; NaN without one near.

    Its upper level is the contact's over the time `about_s` that follows the move.
    """
    at, half = found.middle_s.value, 0.5 * found.duration_s.value
    stop = r.size
    first, last = (int(np.searchsorted(time_s[:stop], at + x)) for x in (half, half + about_s))
    after = r[first:last]
    after = after[np.isfinite(after)]
    level = nanmedian(after) if after.size >= 5 else found.arcing_ohm.value
    middle = 0.5 * (found.closed_ohm.value + level)
    reach = half + max(half, 3.0 * found.middle_s.u)
    low = int(np.searchsorted(time_s[:stop], at - reach)) - 2
    high = int(np.searchsorted(time_s[:stop], at + reach)) + 2
    index = np.flatnonzero(np.isfinite(r[max(low, 0) : high])) + max(low, 0)
    y, t = r[index], time_s[index]
    up = np.flatnonzero((y[:-1] < middle) & (y[1:] >= middle))
    if up.size == 0:
        return math.nan
    crossing = t[up] + (middle - y[up]) / (y[up + 1] - y[up]) * (t[up + 1] - t[up])
    return float(crossing[np.argmin(np.abs(crossing - at))])


def _with_passage(
    found: Commutation, passage_s: float, misfit: float, noise_ohm: float, fitted_noise_ohm: float
) -> Commutation:
    """The fitted middle, and the passage through it where no smooth shape fits.

    Fingers that leave one by one and unevenly move the middle of any smooth shape, not the passage through one half; a
    contact that fluctuates moves the passage more. Where the fit leaves `misfit` times the noise about it, each counts
    by its own uncertainty; where the contact's fluctuation hides what fits, the passage counts a third, and less
    the farther it stands.
    """
    if not math.isfinite(passage_s):
        return found
    apart = passage_s - found.middle_s.value
    u, width = found.middle_s.u, found.duration_s.value
    if math.isinf(misfit):
        share = 0.35 / (1.0 + (apart / (2.0 * math.hypot(u, SHAPE_TERM * width))) ** 2)
        return replace(found, middle_s=Quantity(found.middle_s.value + share * apart, math.hypot(u, apart * share)))
    jump = max(found.arcing_ohm.value - found.closed_ohm.value, noise_ohm)
    # What the shape leaves over, by the height of the move, is about what it displaces the middle by, in durations.
    left = fitted_noise_ohm * math.sqrt(misfit - 1.0) / jump
    fit_var = u * u * misfit + (min(left, 2.0 * SHAPE_TERM) * width) ** 2
    passage_var = (noise_ohm / jump * width) ** 2 + (PASSAGE_TERM * width) ** 2
    share = fit_var / (fit_var + passage_var)
    var = fit_var * passage_var / (fit_var + passage_var)
    return replace(found, middle_s=Quantity(found.middle_s.value + share * apart, math.sqrt(var)))
