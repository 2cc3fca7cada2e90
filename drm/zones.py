"""Zones of one operation: main contact, commutation, arcing contact, parted.

Closing is opening told backwards: one search serves both, on arrays turned round where the contact closes.
Parting is judged in volts and current: above about 1.1 V nothing metallic is touching at any current
(U^2 = 4 L (Tm^2 - T0^2) with tungsten's melting point; Holm, *Electric Contacts*).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.quantity import NOTHING, Quantity
from drm.resistance import METALLIC_VOLT, Trace, inductance, resistance_of, without_loop

__all__ = ["Zones", "segment"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Least share of the injected current that still counts as conducting.
CONDUCTING = 0.1
#: What the chain's filter and the sampling delay a sudden change by, in samples: between none and one.
DELAY = 0.5
#: Fewest samples between the commutation and the loss in which the current rests on the arcing contact.
LEAST_ZONE = 3
#: An arcing zone shorter than this, s, is not told from a commutation: a fifth of the shortest that the trade meets.
SHORTEST_ZONE = 0.25e-3


@dataclass(frozen=True)
class Zones:
    """Instants and levels of one interrupter in one operation.

    Attributes
    ----------
    main_s : Quantity
        Middle of the commutation on the record's clock, s.
    commutation_s : Quantity
        Its duration, s.
    arcing_s : Quantity
        Last loss (opening) or first gain (closing) of metallic contact, s.
    main_ohm : Quantity
        Closed contact at rest.
    arcing_ohm : float
        Median over the arcing zone; NaN where there is none.
    loop_ohm : float
        Earth loop in parallel, infinite where there is none.
    inductance_h : float
        Of the sense loop, 0 where it could not be told.
    end_s : float
        Where the arcing zone's record ends when it was cut off before the contact's own instant, s; else NaN.
    reasons : tuple of str
        Why a value is missing or not to be trusted.
    """

    main_s: Quantity = NOTHING
    commutation_s: Quantity = NOTHING
    arcing_s: Quantity = NOTHING
    main_ohm: Quantity = NOTHING
    arcing_ohm: float = float("nan")
    loop_ohm: float = float("inf")
    inductance_h: float = 0.0
    end_s: float = float("nan")
    reasons: tuple[str, ...] = ()


def _student(residual: FloatArray, scale: FloatArray | float, freedom: float) -> FloatArray:
    """Log density of Student's t up to a constant that is the same for all `scale`."""
    return -np.log(scale) - 0.5 * (freedom + 1.0) * np.log1p(np.square(residual / scale) / freedom)


def _parted_state(trace: Trace, order: slice) -> tuple[float, float]:
    """Voltage threshold between metal and parted, and the earth loop seen when parted (ohm, infinite without one)."""
    tail = max(8, trace.time_s.size // 20)
    voltage = float(np.nanmedian(trace.voltage_v[order][-tail:]))
    current = float(np.nanmedian(trace.current_a[order][-tail:]))
    threshold = min(METALLIC_VOLT, 0.9 * trace.ceiling_v)
    closed = float(np.nanmedian(trace.voltage_v[trace.rest]))
    if current > 0.5 * trace.injected_a and voltage < 0.98 * trace.ceiling_v and voltage > 5.0 * closed:
        # Current goes on flowing past the parted contact: an earth loop carries it and sets the parted voltage.
        return min(threshold, 0.6 * voltage), voltage / current
    return threshold, float("inf")


def _change(voltage: FloatArray, current: FloatArray, closed: float, sigma: float, last: int) -> tuple[int, float]:
    """Most likely sample at which the closed state gives way to the arcing one, and the arcing level.

    Both states are Student's t about ``R I``: the closed one as wide as noise and sliding roughness, the arcing one as
    wide as its own fluctuation, heavy-tailed because momentary part-separations belong to it.

    Returns
    -------
    sample : int
        First sample of the arcing state; ``last + 1`` where the record shows none.
    level : float
        Median resistance from there to `last`; NaN where it shows none.
    """
    v, i = voltage[: last + 1], current[: last + 1]
    good = np.isfinite(v) & np.isfinite(i)
    with np.errstate(invalid="ignore", divide="ignore"):
        r = np.where(good & (i > 0), v / i, np.nan)
    above = r > np.maximum(1.6 * closed, closed + 6.0 * sigma / np.maximum(i, 1e-9))
    if not bool(above.any()):
        return last + 1, float("nan")
    level = float(np.nanmedian(r[above]))
    narrow = np.hypot(sigma, 0.1 * closed * np.where(good, i, 1.0))
    first = np.where(good, _student(v - closed * i, narrow, 3.0), 0.0)
    split = last + 1
    for _ in range(6):
        wide = np.hypot(sigma, 0.25 * level * np.where(good, i, 1.0))
        second = np.where(good, _student(v - level * i, wide, 1.0), 0.0)
        gain = np.concatenate([[0.0], np.cumsum((first - second)[::-1])])[::-1]
        # Staying closed to the end costs nothing; leaving at k gains what the arcing state explains better from k on.
        candidate = int(np.argmin(gain))
        if candidate > last:
            return last + 1, float("nan")
        tail = r[candidate:]
        new = float(np.nanmedian(tail)) if np.isfinite(tail).any() else level
        if candidate == split and abs(new - level) < 1e-3 * level:
            break
        split, level = candidate, new
    return split, level


def _crossing(time: FloatArray, r: FloatArray, level: float, near: int, reach: int) -> float:
    """Instant nearest to sample `near` at which `r` rises through `level`; NaN without one within `reach` samples."""
    lo, hi = max(0, near - reach), min(r.size - 1, near + reach)
    part, t = r[lo : hi + 1], time[lo : hi + 1]
    good = np.isfinite(part)
    part, t = part[good], t[good]
    up = np.flatnonzero((part[:-1] < level) & (part[1:] >= level))
    if up.size == 0:
        return float("nan")
    share = (level - part[up]) / (part[up + 1] - part[up])
    at = t[up] + share * (t[up + 1] - t[up])
    return float(at[np.argmin(np.abs(at - time[min(near, time.size - 1)]))])


def _loss(time: FloatArray, voltage: FloatArray, last: int, threshold: float, level_v: float) -> Quantity:
    """Instant of the last loss on opening.

    A momentary part-separation often runs into the loss, so the start of the rise says less than the passage through
    `threshold`, the voltage that no metal bears. Where a sample was caught on the way up, the chain's filter has spread
    the rise, and half a sample is taken off for it, half a sample more or less. Where none was, the loss lies between
    the last metallic sample and the next.
    """
    if last + 1 >= voltage.size:
        return NOTHING
    step = float(time[last + 1] - time[last])
    low, high = float(voltage[last]), float(voltage[last + 1])
    if not low > 2.0 * level_v:
        return Quantity(float(time[last]) + 0.5 * (1.0 - DELAY) * step, 0.4 * step)
    share = (threshold - low) / (high - low) if np.isfinite(high - low) and high > threshold > low else 0.5
    return Quantity(float(time[last]) + (share - DELAY) * step, 0.5 * step)


def _gain(time: FloatArray, voltage: FloatArray, current: FloatArray, last: int, ceiling_v: float) -> Quantity:
    """Instant of the first gain on closing, on arrays turned round: where the voltage leaves the parted state.

    The parted state is quiet, so the departure shows before the filter has passed it. A voltage at its ceiling shows it
    late, and then the current shows it first: the earlier of the two is taken.
    """
    if last + 1 >= voltage.size:
        return NOTHING
    step = float(abs(time[last] - time[last + 1]))
    found = [_departure(time, voltage, last)]
    if float(np.nanmedian(voltage[last + 1 :])) > 0.98 * ceiling_v:
        found.append(_departure(time, current, last))
    known = [t for t in found if np.isfinite(t)]
    return Quantity(min(known), 0.5 * step) if known else NOTHING


def _departure(time: FloatArray, samples: FloatArray, last: int) -> float:
    """Where `samples` leave their level beyond `last` (turned round): a line through two samples, carried back to it.

    The instant is kept between the last sample at the level and the first away from it.
    """
    level = float(np.nanmedian(samples[last + 1 :]))
    scatter = 1.4826 * float(np.nanmedian(np.abs(samples[last + 1 :] - level)))
    width = max(6.0 * scatter, 1e-3 * abs(level))
    k = last + 1
    while k < min(samples.size - 1, last + 20) and not abs(samples[k] - level) <= width:
        k += 1
    a, b, c = k, k - 1, k - 2
    middle = float(time[a] + time[b]) / 2.0
    if c < 0 or not np.isfinite(samples[[b, c]]).all() or samples[c] == samples[b]:
        return middle
    rate = (samples[c] - samples[b]) / (time[c] - time[b])
    low, high = sorted((float(time[a]), float(time[b])))
    return min(max(float(time[b] + (level - samples[b]) / rate), low), high)


def _ramp(
    time: FloatArray,
    r: FloatArray,
    closed: float,
    arcing: float,
    spread: float,
    noise: float,
    at: float,
    reach_s: float,
) -> float:
    """Middle of the commutation as a straight ramp, s, the most likely one under heavy-tailed scatter.

    Each sample may scatter by the voltage's noise and, in proportion to how far the current has moved, by the arcing
    contact's own fluctuation: Student's t with three degrees of freedom, so that a momentary part-separation beside the
    move does not pull it. A straight ramp is the wrong shape for fingers that leave one by one; its middle is not
    moved by that, its ends are.

    Parameters
    ----------
    time, r : ndarray, shape (n,)
        In order of opening; time runs backwards where the contact closes.
    closed, arcing : float
        Levels before and after, ohm.
    spread, noise : float
        Relative scatter of the arcing contact; noise of the resistance, ohm.
    at, reach_s : float
        Where to look, s.
    """
    window = np.abs(time - at) <= reach_s
    t, y = time[window], r[window]
    good = np.isfinite(y)
    t, y = t[good], y[good]
    if t.size < 8:
        return at
    forward = 1.0 if t[-1] > t[0] else -1.0
    step = float(np.median(np.abs(np.diff(t))))
    durations = (
        np.unique(np.concatenate([[0.5, 1.0, 2.0, 3.0, 4.0], np.geomspace(5.0, max(6.0, reach_s / step), 10)])) * step
    )
    best = (at, durations[0])
    centre, half = at, 0.6 * reach_s
    for _ in range(3):
        middles = np.linspace(centre - half, centre + half, 33)
        m, d = (a.ravel() for a in np.meshgrid(middles, durations, indexing="ij"))
        share = np.clip(forward * (t[None, :] - m[:, None]) / d[:, None] + 0.5, 0.0, 1.0)
        model = closed + (arcing - closed) * share
        scale = np.hypot(noise + 0.05 * closed, spread * arcing * share)
        likelihood = _student(y[None, :] - model, scale, 3.0).sum(axis=1)
        k = int(np.argmax(likelihood))
        best = (float(m[k]), float(d[k]))
        centre, half = best[0], half / 8.0
    return best[0]


def _width(time: FloatArray, r: FloatArray, closed: float, arcing: float, near: int, reach: int) -> Quantity:
    """Duration of the commutation from its 10 % and 90 % crossings, stretched to the whole move."""
    step = float(np.median(np.abs(np.diff(time))))
    jump = arcing - closed
    low = _crossing(time, r, closed + 0.1 * jump, near, reach)
    high = _crossing(time, r, closed + 0.9 * jump, near, reach)
    if not (np.isfinite(low) and np.isfinite(high)):
        return NOTHING
    return Quantity(max(abs(high - low) / 0.8, step), step)


def segment(trace: Trace, *, until_s: float = float("nan"), until_by: str = "another interrupter") -> Zones:
    """Find the zones of one operation.

    Parameters
    ----------
    trace : Trace
    until_s : float
        Instant at which another interrupter of the same injection ended the current (opening) or let it begin
        (closing): nothing beyond it is read, and the arcing contact's own instant is not known.

    until_by : str
        The interrupter that did.

    Returns
    -------
    Zones
    """
    opening = trace.kind == "open"
    order = slice(None) if opening else slice(None, None, -1)
    threshold, loop = _parted_state(trace, order)
    closed_v = trace.voltage_v[trace.rest]
    with np.errstate(invalid="ignore", divide="ignore"):
        closed_ratio = closed_v / trace.current_a[trace.rest]
    closed = float(np.nanmedian(closed_ratio))
    reasons: list[str] = []

    time, voltage, current = trace.time_s[order], trace.voltage_v[order], trace.current_a[order]
    low = voltage < threshold
    metallic = low & (current > CONDUCTING * trace.injected_a)
    parted_v = float(np.nanmedian(voltage[-max(8, time.size // 20) :]))
    if not opening and parted_v > 1.5 * threshold:
        # A touch shows in the voltage before its current can rise, or where another interrupter in series still holds
        # it back; two samples, since one may be an impulse.
        metallic |= low & np.concatenate([[False], low[:-1]])
    if not bool(metallic.any()):
        return Zones(reasons=("no metallic contact is seen",))
    last = int(np.flatnonzero(metallic)[-1])
    gone = last >= time.size - 3

    # The sense loop's inductance shows where the current moves while metal conducts.
    rest_end = trace.rest.stop if opening else trace.time_s.size - trace.rest.start
    part_a, part_b = min(rest_end, last), last + 1
    part = slice(part_a, part_b) if opening else slice(time.size - part_b, time.size - part_a)
    henry, _ = inductance(trace, part)
    cut = last
    if np.isfinite(until_s):
        inside = time <= until_s if opening else time >= until_s
        cut = min(last, int(np.flatnonzero(inside)[-1])) if bool(inside.any()) else last

    r_all = without_loop(resistance_of(trace, inductance_h=henry), loop)[order]
    closed_own = float(without_loop(np.array([closed]), loop)[0])
    drop = r_all * current
    step = trace.step_s
    split, _ = _change(drop, current, closed_own, trace.sigma_v, cut)

    arcing = Quantity(float("nan"), float("nan"))
    if np.isfinite(until_s):
        reasons.append(
            f"the current was cut off by {until_by}, in series with it, before the arcing contact's own instant"
            if opening
            else f"the current began only when {until_by}, in series with it, touched: its own touch is not known"
        )
    elif gone:
        reasons.append(
            "the record ends before the contact parts" if opening else "the record begins with the contact closed"
        )
    else:
        level_v = float(np.nanmedian(drop[split : last + 1])) if split <= last else closed * trace.injected_a
        arcing = (
            _loss(time, voltage, last, threshold, level_v)
            if opening
            else _gain(time, voltage, current, last, trace.ceiling_v)
        )

    if split > cut:
        if gone:
            return Zones(main_ohm=Quantity(closed_own), loop_ohm=loop, inductance_h=henry, reasons=tuple(reasons))
        reasons.append(_no_arcing())
        main = Quantity(arcing.value, step) if arcing else NOTHING
        return Zones(main, NOTHING, arcing, Quantity(closed_own), float("nan"), loop, henry, until_s, tuple(reasons))

    # The level just after the commutation, not the zone's median, says where the middle of the move lies.
    zone = r_all[split : cut + 1]
    overall = float(np.nanmedian(zone))
    # At rated speed the move takes half a millisecond, in a slow operation a tenth of the zone.
    reach = max(3, round(1.5e-3 / step), (cut - split) // 5)
    about_s = max(1e-3, 0.1 * (cut - split) * step)
    at, duration, local = float("nan"), NOTHING, overall
    for _ in range(3):
        # The middle in the record, then the level over the millisecond that follows the move, then the middle again.
        at = _crossing(time, r_all, 0.5 * (closed_own + local), split, reach)
        duration = _width(time, r_all, closed_own, local, split, reach)
        if not np.isfinite(at):
            at = float(time[split])
        past = np.abs(time - at) * np.where((time > at) == opening, 1.0, -1.0)
        half = 0.5 * duration.value if duration else step
        near = r_all[(past > half) & (past < half + about_s) & (np.arange(time.size) <= cut)]
        near = near[np.isfinite(near) & (near < 2.0 * overall)]
        local = float(np.median(near)) if near.size >= 5 else overall
    spread = 1.4826 * float(np.nanmedian(np.abs(zone - overall))) / max(overall, 1e-12)
    noise = trace.sigma_v / trace.injected_a
    around = max(8 * step, min(reach * step, 1.2e-3 + 0.1 * (cut - split) * step))
    fitted = _ramp(time, r_all, closed_own, local, max(spread, 0.03), noise, at, around)
    # The passage through the middle follows the shape, the ramp withstands the fluctuation: both count the same, and
    # what they differ by is part of the uncertainty.
    differ = abs(fitted - at)
    at = 0.5 * (at + fitted)
    shape = (0.1 + min(spread, 0.5)) * (duration.value if duration else step) * 0.5
    main = Quantity(at - DELAY * step, float(np.sqrt((0.4 * step) ** 2 + shape**2 + (0.5 * differ) ** 2)))
    rests = np.isfinite(r_all) & (past > half) & (np.arange(time.size) <= cut)
    shortest = max(1.5 * step, SHORTEST_ZONE, duration.value if duration else 0.0)
    if arcing and (abs(arcing.value - main.value) <= shortest or int(rests.sum()) < LEAST_ZONE):
        reasons.append(_no_arcing())
    return Zones(main, duration, arcing, Quantity(closed_own), overall, loop, henry, until_s, tuple(reasons))


def _no_arcing() -> str:
    return (
        "no arcing zone longer than the resolution: reversed order, a missing and a burnt-off arcing contact cannot "
        "be told apart from this trace"
    )
