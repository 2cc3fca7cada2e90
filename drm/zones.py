"""Zones of one operation: main contact, commutation, arcing contact, parted.

Closing is opening told backwards: one search serves both, on arrays turned round where the contact closes.
Parting is judged in volts and current: above about 1.1 V nothing metallic is touching at any current
(U^2 = 4 L (Tm^2 - T0^2) with tungsten's melting point; Holm, *Electric Contacts*).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drm.change import arcing_from
from drm.commutation import Commutation
from drm.hum import Hum
from drm.joint import fit_jointly
from drm.median import nanmedian
from drm.parting import DELAY, DELAY_U, departure, earlier_touch, gain, loss, parted_state
from drm.quantity import NOTHING, Quantity
from drm.resistance import Trace, inductance, moving_rate, resistance_of, without_loop

__all__ = ["LOOP_H", "LOOP_SHARE", "Zones", "segment"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Samples that tell a level at rest as well as all of them.
ENOUGH = 2000
#: Neighbours whose means tell by how much more the noise scatters in the long run than from sample to sample.
LONG_RUN = 8
#: Least share of the injected current that still counts as conducting.
CONDUCTING = 0.1
#: Fewest samples between the commutation and the loss in which the current rests on the arcing contact.
LEAST_ZONE = 3
#: An arcing zone shorter than this, s, is not told from a commutation: a quarter of the shortest that the trade meets.
SHORTEST_ZONE = 0.4e-3


#: Inductance that may be left of the sense loop, H, and the share of the arcing contact's drop that its voltage stays
#: below where that contact can be told.
LOOP_H, LOOP_SHARE = 0.5e-6, 0.4
#: A current that flows for longer, s, while the voltage knows of no touch need not be this contact's: the usual length
#: of a bounce, common practice.
UNSEEN_S = 0.8e-3
#: How far before the middle of the arcing zone a disturbance is looked for, s.
DISTURBED_S = 5e-3
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
    loop_u_rel : float
        Relative standard uncertainty of its conductance.
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
    loop_u_rel: float = 0.0


def segment(
    trace: Trace,
    *,
    hum: Hum | None = None,
    offset_u_v: float = 0.0,
    until_s: float = float("nan"),
    until_by: str = "another interrupter",
) -> Zones:
    """Find the zones of one operation.

    Parameters
    ----------
    trace : Trace
    hum : Hum, optional
        What was taken out of the trace: how well it is known counts in the move's instants.
    offset_u_v : float
        Standard uncertainty of the voltage channel's offset, where `hum` does not say it.
    until_s : float
        Instant at which another interrupter of the same injection ended the current (opening) or let it begin
        (closing): nothing beyond it is read, and the arcing contact's own instant is not known.
    until_by : str
        The interrupter that did.

    Returns
    -------
    Zones
    """
    from drm import _resistance_kernels as kernels
    from drm._change_kernels import last_metallic

    opening = trace.kind == "open"
    order = slice(None) if opening else slice(None, None, -1)
    parted = parted_state(trace, order)
    threshold, parted_v, loop = parted.threshold_v, parted.voltage_v, parted.loop_ohm
    closed_v, closed_a = trace.voltage_v[trace.rest][:ENOUGH], trace.current_a[trace.rest][:ENOUGH]
    closed_v, closed_a = np.ascontiguousarray(closed_v), np.ascontiguousarray(closed_a)
    closed, scatter_v, long_run = kernels.at_rest(closed_v, closed_a, trace.sigma_v, LONG_RUN)
    closed_own = float(without_loop(np.array([closed]), loop)[0])
    reasons: list[str] = []

    # In order of opening: closing is opening told backwards.
    time = trace.time_s[order]
    voltage, current = (np.ascontiguousarray(x[order]) for x in (trace.voltage_v, trace.current_a))
    n, step = time.size, trace.step_s
    # A touch shows in the voltage before its current can rise, or where another interrupter in series still holds it
    # back; two samples, since one may be an impulse.
    pairs = not opening and parted_v > 1.5 * threshold
    last = last_metallic(voltage, current, threshold, CONDUCTING * trace.injected_a, pairs)
    if last < 0:
        return Zones(reasons=("no metallic contact is seen",))
    if pairs:
        last = earlier_touch(voltage, last, threshold, step)
    gone = last >= n - 3
    cut = last
    if np.isfinite(until_s):
        inside = time <= until_s if opening else time >= until_s
        cut = min(last, int(np.flatnonzero(inside)[-1])) if bool(inside.any()) else last

    drop = voltage if not np.isfinite(loop) else _own_drop(voltage, current, loop)
    split = arcing_from(drop, current, closed_ohm=closed_own, sigma_v=trace.sigma_v, last=cut)
    # At rated speed the move takes half a millisecond, in a slow operation a tenth of the zone.
    longest = max(1.5e-3, 0.2 * (cut - split) * step)
    first = max(0, min(split, cut) - math.ceil((3.5 * longest + 5e-3) / step - 1e-6))
    part = slice(first, last + 1) if opening else slice(n - last - 1, n - first)
    near = replace(trace, time_s=trace.time_s[part], voltage_v=trace.voltage_v[part], current_a=trace.current_a[part])
    # The sense loop's inductance shows where the current moves while metal conducts.
    henry, _ = inductance(near, slice(None))
    rate = moving_rate(trace, part)
    r_near = without_loop(resistance_of(near, inductance_h=henry, rate_a_s=rate), loop)
    r_near = np.ascontiguousarray(r_near[order])
    known = Zones(main_ohm=Quantity(closed_own), loop_ohm=loop, loop_u_rel=parted.loop_u_rel, inductance_h=henry)
    time, current_near, rate = time[first : last + 1], current[first : last + 1], rate[order]

    arcing = NOTHING
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
        beyond = r_near[split - first :] * current_near[split - first :]
        level_v = nanmedian(beyond)
        level_v = level_v if math.isfinite(level_v) else closed * trace.injected_a
        whole = trace.time_s[order]
        arcing = (
            loss(whole, voltage, last, threshold, level_v)
            if opening
            else gain(whole, voltage, current, last, trace.ceiling_v)
        )
        shown_s = arcing.value if opening else departure(whole, voltage, last)
        if shown_s - arcing.value > max(3.0 * step, UNSEEN_S):
            arcing = Quantity(shown_s, arcing.u)
            reasons.append(
                "the current flows before the voltage shows a touch: a first touch that no sample saw, or another "
                "contact's current"
            )

    if split > cut:
        if gone:
            return replace(known, reasons=tuple(reasons))
        reasons.append(_no_arcing())
        main = Quantity(arcing.value, step) if arcing else NOTHING
        return replace(known, main_s=main, arcing_s=arcing, end_s=until_s, reasons=tuple(reasons))

    split, cut = split - first, cut - first
    overall = nanmedian(r_near[split : cut + 1])
    before, ago = (split - math.ceil(s / step - 1e-6) for s in (longest, longest + 5e-3))
    scatter = kernels.before_move(r_near, max(0, ago), max(8, before))
    noise = trace.sigma_v / trace.injected_a
    # Noise that neighbours share scatters there as it does at rest.
    resting_v = max(scatter_v, trace.sigma_v)
    scatter = math.sqrt(max(scatter**2 - (resting_v / trace.injected_a) ** 2, (0.01 * closed_own) ** 2))
    onward = np.ascontiguousarray(time if opening else -time)
    fit = fit_jointly(
        onward,
        r_near * current_near + henry * rate,
        current_near,
        rate,
        near=split,
        last=cut,
        closed_ohm=Quantity(closed_own, noise),
        closed_scatter_ohm=scatter,
        sigma_v=trace.sigma_v,
        longest_s=longest,
        long_run=long_run,
        scatter_v=scatter_v,
        hum=hum,
        offset_u_v=offset_u_v if hum is None or not math.isfinite(hum.offset_u_v) else hum.offset_u_v,
        sense=1.0 if opening else -1.0,
    )
    if fit is None:
        fit = Commutation(
            Quantity(float(onward[split]), step), Quantity(step, step), arcing_ohm=Quantity(overall, noise)
        )
    at = fit.middle_s.value if opening else -fit.middle_s.value
    duration = fit.duration_s
    main_delay = DELAY_U * step
    main = Quantity(at - DELAY * step, math.hypot(fit.middle_s.u, main_delay))
    over = fit.middle_s.value + 0.5 * duration.value
    rests, level = kernels.after_move(onward[: cut + 1], r_near[: cut + 1], over)
    shortest = max(1.5 * step, SHORTEST_ZONE, duration.value if duration else 0.0)
    resting = level if rests else overall
    if arcing and min(fit.arcing_ohm.value, overall, resting) < LEAST_RISE * closed_own:
        reasons.append(_no_arcing())
        main = Quantity(arcing.value, step)
        return replace(known, main_s=main, arcing_s=arcing, end_s=until_s, reasons=tuple(reasons))
    # While the current still rises, what looks like an arcing contact may be the sense loop.
    moving = np.abs(rate[: cut + 1]) * LOOP_H > LOOP_SHARE * min(resting, fit.arcing_ohm.value) * trace.injected_a
    steady = int(np.count_nonzero((onward[: cut + 1] > over) & ~moving)) if bool(moving.any()) else rests
    if arcing and (min(abs(arcing.value - main.value), steady * step) <= shortest or rests < LEAST_ZONE):
        reasons.append(_no_arcing())
    if _disturbed(r_near[: split + (cut - split) // 2], step, closed_own, noise):
        reasons.append("the reading falls below what the closed contact has while the contact moves: a disturbed trace")
    return replace(
        known,
        main_s=main,
        commutation_s=duration,
        arcing_s=arcing,
        arcing_ohm=overall,
        end_s=until_s,
        reasons=tuple(reasons),
        delay_u_s=main_delay,
    )


def _disturbed(r: FloatArray, step_s: float, closed: float, noise: float) -> bool:
    """Whether many of the readings up to the middle of the zone lie below half of the closed contact.

    No contact in the loop can do that; the part beside the loss or the touch, where the current moves, is left out.
    """
    from drm._resistance_kernels import low

    below, many = low(r[max(0, r.size - math.ceil(DISTURBED_S / step_s)) :], 0.5 * closed - 6.0 * noise)
    return below >= 3 and below > 0.02 * many


def _own_drop(voltage_v: FloatArray, current_a: FloatArray, loop_ohm: float) -> FloatArray:
    """What the contact alone would drop at the whole current, without the loop beside it."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return without_loop(voltage_v / current_a, loop_ohm) * current_a


def _no_arcing() -> str:
    return (
        "no arcing zone longer than the resolution: reversed order, a missing and a burnt-off arcing contact cannot "
        "be told apart from this trace"
    )
