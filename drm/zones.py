"""Zones of one operation: main contact, commutation, arcing contact, parted.

Closing is opening told backwards: one search serves both, on arrays turned round where the contact closes.
Parting is judged in volts and current: above about 1.1 V nothing metallic is touching at any current
(U^2 = 4 L (Tm^2 - T0^2) with tungsten's melting point; Holm, *Electric Contacts*).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.commutation import Commutation, fit_commutation
from drm.quantity import NOTHING, Quantity
from drm.resistance import METALLIC_VOLT, Trace, _moving, inductance, resistance_of, slope, without_loop

__all__ = ["Zones", "segment"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Least share of the injected current that still counts as conducting.
CONDUCTING = 0.1
#: What the chain's filter and the sampling delay a sudden change by, in samples, and its standard uncertainty: between
#: none and one, all alike likely.
DELAY, DELAY_U = 0.5, 0.29
#: Fewest samples between the commutation and the loss in which the current rests on the arcing contact.
LEAST_ZONE = 3
#: An arcing zone shorter than this, s, is not told from a commutation: a fifth of the shortest that the trade meets.
SHORTEST_ZONE = 0.25e-3


#: A level less than this many times the closed one is no arcing contact's: a worn one that carries the whole current is
#: twice the closed contact's and more, one that leaves the parallel path early raises it by a sixth. Common practice.
LEAST_RISE = 1.5


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
    delay_u_s : float
        Part of both instants' uncertainty that they share: the chain's delay.
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
    delay_u_s: float = 0.0


def _long_run(samples: FloatArray, sigma: float, *, block: int = 8) -> float:
    """Variance of the means of `block` samples by that of white noise `sigma`, at least one."""
    part = samples[np.isfinite(samples)]
    part = part[: part.size // block * block].reshape(-1, block)
    if part.shape[0] < 8:
        return 1.0
    means = part.mean(axis=1)
    spread = 1.4826 * float(np.median(np.abs(means - np.median(means))))
    return min(max(block * (spread / sigma) ** 2, 1.0), 16.0)


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
        return Quantity(float(time[last]) + 0.5 * (1.0 - DELAY) * step, math.hypot(0.29, DELAY_U) * step)
    share = (threshold - low) / (high - low) if np.isfinite(high - low) and high > threshold > low else 0.5
    return Quantity(float(time[last]) + (share - DELAY) * step, math.hypot(0.29, DELAY_U) * step)


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
    return Quantity(min(known), math.hypot(0.29, DELAY_U) * step) if known else NOTHING


def _departure(time: FloatArray, samples: FloatArray, last: int) -> float:
    """Where `samples` leave their level beyond `last` (turned round): a line through two samples, carried back to it.

    The instant is kept between the last sample at the level and the first away from it.
    """
    # Beside it only: a source in its limit drifts while nothing conducts.
    beside = samples[last + 4 : last + 44]
    if int(np.isfinite(beside).sum()) < 8:
        beside = samples[last + 1 :]
    level = float(np.nanmedian(beside))
    scatter = 1.4826 * float(np.nanmedian(np.abs(beside - level)))
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

    zone = r_all[split : cut + 1]
    overall = float(np.nanmedian(zone))
    # At rated speed the move takes half a millisecond, in a slow operation a tenth of the zone.
    longest = max(1.5e-3, 0.2 * (cut - split) * step)
    before, ago = (split - math.ceil(s / step - 1e-6) for s in (longest, longest + 5e-3))
    sliding = r_all[max(0, ago) : max(8, before)]
    scatter = 1.4826 * float(np.nanmedian(np.abs(sliding - np.nanmedian(sliding)))) if np.isfinite(sliding).any() else 0
    noise = trace.sigma_v / trace.injected_a
    scatter = math.sqrt(max(scatter**2 - noise**2, (0.01 * closed_own) ** 2))
    onward = time if opening else -time
    rate = _moving(slope(trace.time_s, trace.current_a))[order]
    fit = fit_commutation(
        onward,
        r_all * current + henry * rate,
        current,
        rate,
        near=split,
        first=0,
        last=cut,
        closed_ohm=Quantity(closed_own, noise),
        closed_scatter_ohm=scatter,
        sigma_v=trace.sigma_v,
        longest_s=longest,
        long_run=_long_run(closed_v - closed * trace.current_a[trace.rest], trace.sigma_v),
    )
    if fit is None:
        fit = Commutation(
            Quantity(float(onward[split]), step), Quantity(step, step), arcing_ohm=Quantity(overall, noise)
        )
    at = fit.middle_s.value if opening else -fit.middle_s.value
    duration = fit.duration_s
    main = Quantity(at - DELAY * step, math.hypot(fit.middle_s.u, DELAY_U * step))
    past = np.abs(time - at) * np.where((time > at) == opening, 1.0, -1.0)
    half = 0.5 * duration.value
    rests = np.isfinite(r_all) & (past > half) & (np.arange(time.size) <= cut)
    shortest = max(1.5 * step, SHORTEST_ZONE, duration.value if duration else 0.0)
    if arcing and fit.arcing_ohm.value < LEAST_RISE * closed_own:
        reasons.append(_no_arcing())
        main = Quantity(arcing.value, step)
        return Zones(main, NOTHING, arcing, Quantity(closed_own), float("nan"), loop, henry, until_s, tuple(reasons))
    if arcing and (abs(arcing.value - main.value) <= shortest or int(rests.sum()) < LEAST_ZONE):
        reasons.append(_no_arcing())
    return Zones(main, duration, arcing, Quantity(closed_own), overall, loop, henry, until_s, tuple(reasons), DELAY_U * step)


def _no_arcing() -> str:
    return (
        "no arcing zone longer than the resolution: reversed order, a missing and a burnt-off arcing contact cannot "
        "be told apart from this trace"
    )
