"""Zones of one operation: main contact, commutation, arcing contact, parted.

Closing is opening told backwards: one search serves both, on arrays turned round where the contact closes.
Parting is judged in volts and current: above about 1.1 V nothing metallic is touching at any current
(U^2 = 4 L (Tm^2 - T0^2) with tungsten's melting point; Holm, *Electric Contacts*).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from drm.commutation import Commutation
from drm.hum import Hum
from drm.joint import fit_jointly
from drm.parting import DELAY, DELAY_U, EARLY_U, gain, loss
from drm.quantity import NOTHING, Quantity
from drm.resistance import METALLIC_VOLT, Trace, inductance

if TYPE_CHECKING:
    from drm._zone_kernels import After, Looked, Near

__all__ = ["INDUCTANCE_U", "LOOP_H", "LOOP_SHARE", "Zones", "segment"]

#: Samples that tell a level at rest as well as all of them.
ENOUGH = 2000
#: Fewest samples between the commutation and the loss in which the current rests on the arcing contact.
LEAST_ZONE = 3
#: An arcing zone shorter than this, s, is not told from a commutation: a quarter of the shortest that the trade meets.
SHORTEST_ZONE = 0.4e-3
#: Inductance that may be left of the sense loop, H, and the share of the arcing contact's drop that its voltage stays
#: below where that contact can be told.
LOOP_H, LOOP_SHARE = 0.5e-6, 0.4
#: Of the sense loop's inductance, H, fitted or not: a metre or two of leads has about a microhenry at the most.
INDUCTANCE_U = 0.25e-6
#: A current that flows for longer, s, while the voltage knows of no touch need not be this contact's: the usual length
#: of a bounce, common practice.
UNSEEN_S = 0.8e-3
#: How far before the middle of the arcing zone a disturbance is looked for, s.
DISTURBED_S = 5e-3
#: Fewest samples in which the current moves that can tell the sense loop's inductance.
FEWEST_MOVING = 4
#: A current that goes down and up by this share of it while it moves between the contacts is another contact's doing: a
#: source in its limit gives less through the arcing contact than through the main one, but no more and less in turn.
ASTRAY = 0.05
#: A level less than this many times the closed one is no arcing contact's: a worn one that carries the whole current is
#: twice the closed contact's and more, one that leaves the parallel path early raises it by a sixth. Common practice.
LEAST_RISE = 1.5
#: In a zone shorter than this, s, a level below so many times the closed one may be the main contact's last fingers.
SHORT_S, SHORT_RISE = 1e-3, 2.0

NO_ARCING = (
    "no arcing zone longer than the resolution: reversed order, a missing and a burnt-off arcing contact cannot "
    "be told apart from this trace"
)
UNSEEN = (
    "the current flows before the voltage shows a touch: a first touch that no sample saw, or another contact's current"
)
UNSTEADY = "the current goes down and up while it moves between the contacts: a loose injection lead"
DISTURBED = "the reading falls below what the closed contact has while the contact moves: a disturbed trace"


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
    rise : float
        Least level of the arcing zone by the closed contact's; NaN where there is none or a person has accepted it.
    fluctuating : bool
        Whether the arcing contact's own fluctuation limits how well the move is known.
    delay_u_s : float
        Part of both instants' uncertainty that they share: the chain's delay of the arcing contact's.
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
    rise: float = float("nan")
    fluctuating: bool = False


def segment(
    trace: Trace,
    *,
    hum: Hum | None = None,
    offset_u_v: float = 0.0,
    until_s: float = float("nan"),
    until_by: str = "another interrupter",
    alike_s: float = 0.0,
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
    alike_s : float
        How long the current takes from the main to the arcing contact in this operation's other interrupters; zero
        where that is not told. It counts where the arcing contact fluctuates.

    Returns
    -------
    Zones
    """
    seen, step = _look(trace, until_s), trace.step_s
    if seen.last < 0:
        return Zones(reasons=("no metallic contact is seen",))
    henry, near = _near(trace, seen)
    known = partial(
        Zones,
        main_ohm=Quantity(seen.closed_own),
        loop_ohm=seen.loop,
        loop_u_rel=seen.loop_u,
        inductance_h=henry,
    )
    lag = _sense_lag(seen.loop, henry)
    arcing, reasons = _own_instant(trace, seen, near, lag, until_by if math.isfinite(until_s) else "")
    if seen.split > seen.cut and _gone(trace, seen):
        return known(reasons=tuple(reasons))
    known = partial(known, arcing_s=arcing, end_s=until_s)
    if seen.split > seen.cut:
        main = Quantity(arcing.value, step) if arcing else NOTHING
        return known(main_s=main, reasons=(*reasons, NO_ARCING))

    fit = _move(trace, seen, near, henry, hum, offset_u_v, alike_s)
    middle, duration = fit.middle_s, fit.duration_s
    # A fluctuation may draw the move out: what like contacts take is then the shorter.
    moving = min(duration.value, alike_s) if alike_s > 0.0 else duration.value
    after = _after(trace, seen, near, fit, moving)
    at = middle.value if trace.kind == "open" else -middle.value
    main = Quantity(at - DELAY * step - lag.value, math.hypot(middle.u, DELAY_U * step, lag.u))
    least = SHORT_RISE if abs(arcing.value - main.value) < SHORT_S else LEAST_RISE
    rise = min(fit.arcing_ohm.value, near.arcing, after.level) / seen.closed_own
    if arcing and rise < least:
        return known(main_s=Quantity(arcing.value, step), reasons=(*reasons, NO_ARCING))
    shortest = max(1.5 * step, SHORTEST_ZONE, moving if duration else 0.0)
    if arcing and (min(abs(arcing.value - main.value), after.steady * step) <= shortest or after.rests < LEAST_ZONE):
        reasons.append(NO_ARCING)
    # No contact in the loop can do that.
    if after.below >= 3 and after.below > 0.02 * after.many:
        reasons.append(DISTURBED)
    if after.astray > ASTRAY * trace.injected_a:
        reasons.append(UNSTEADY)
    return known(
        main_s=main,
        commutation_s=duration,
        arcing_ohm=near.arcing,
        reasons=tuple(reasons),
        delay_u_s=EARLY_U * step,
        rise=rise,
        fluctuating=_fluctuating(fit),
    )


def _look(trace: Trace, until_s: float) -> Looked:
    """What the trace shows before the move is fitted."""
    from drm._zone_kernels import look

    opening, n = trace.kind == "open", trace.time_s.size
    limit = n - 1
    if math.isfinite(until_s):
        inside = int(np.searchsorted(trace.time_s, until_s, side="right" if opening else "left"))
        inside = inside if opening else n - inside
        limit = inside - 1 if inside else limit
    samples = (trace.time_s, trace.voltage_v, trace.current_a)
    time, volts, amps = (np.ascontiguousarray(x) for x in samples)
    rest_time, rest_v, rest_a = (np.ascontiguousarray(x[trace.rest][:ENOUGH]) for x in samples)
    return look(
        time,
        volts,
        amps,
        rest_time,
        rest_v,
        rest_a,
        opening,
        trace.injected_a,
        trace.sigma_v,
        trace.ceiling_v,
        METALLIC_VOLT,
        trace.step_s,
        limit,
    )


def _near(trace: Trace, seen: Looked) -> tuple[float, Near]:
    """The sense loop's inductance, told where the current moves while metal conducts, and the samples without it."""
    from drm._zone_kernels import near_move

    n, start, stop = trace.time_s.size, seen.first, seen.last + 1
    if seen.steep < FEWEST_MOVING:
        return 0.0, seen.near
    henry, _ = inductance(trace, slice(start, stop) if trace.kind == "open" else slice(n - stop, n - start))
    if henry == 0.0:
        return 0.0, seen.near
    return henry, near_move(
        seen.volts,
        seen.amps,
        seen.rate,
        henry,
        seen.loop,
        trace.injected_a,
        seen.split - start,
        seen.cut - start,
        seen.longest,
        trace.step_s,
    )


def _gone(trace: Trace, seen: Looked) -> bool:
    """Whether metal conducts up to the end of the record."""
    return seen.last >= trace.time_s.size - 3


def _sense_lag(loop_ohm: float, henry: float) -> Quantity:
    """By how much an earth loop and the sense loop's inductance delay the contact's voltage, s.

    What the loop takes over, V / R, the contact loses: the sense loop adds ``-L / R dV/dt`` to V, which is V a little
    later. The parting itself is a step: what the inductance adds to it is over with it.
    """
    if not math.isfinite(loop_ohm):
        return Quantity(0.0, 0.0)
    if henry > 0.0:
        return Quantity(henry / loop_ohm, 0.0)
    # A half-normal distribution: some such inductance there is, a small one more likely than a great one.
    spread = INDUCTANCE_U / loop_ohm
    return Quantity(math.sqrt(2.0 / math.pi) * spread, math.sqrt(1.0 - 2.0 / math.pi) * spread)


def _own_instant(trace: Trace, seen: Looked, near: Near, lag: Quantity, until_by: str) -> tuple[Quantity, list[str]]:
    """The arcing contact's last loss or first gain, and why it is missing or not to be trusted.

    Missing where `until_by`, in series with it, ended the current or let it begin.
    """
    opening = trace.kind == "open"
    if until_by:
        return NOTHING, [
            f"the current was cut off by {until_by}, in series with it, before the arcing contact's own instant"
            if opening
            else f"the current began only when {until_by}, in series with it, touched: its own touch is not known"
        ]
    if _gone(trace, seen):
        what = "the record ends before the contact parts" if opening else "the record begins with the contact closed"
        return NOTHING, [what]
    if opening:
        level_v = near.arcing_v if math.isfinite(near.arcing_v) else seen.closed * trace.injected_a
        samples, held = (trace.time_s, trace.voltage_v), math.isfinite(seen.loop)
        found = loss(*samples, seen.last, seen.threshold, level_v, held=held)
        # A quick chain has forgotten what the inductance adds to a step, a slow one shows the step so much later.
        half = 0.5 * lag.value
        return Quantity(found.value - half, math.hypot(found.u, half, lag.u)) if found and held else found, []
    arcing = gain(trace.time_s, seen.last, seen.touch)
    if seen.shown - arcing.value > max(3.0 * trace.step_s, UNSEEN_S):
        return Quantity(seen.shown, arcing.u), [UNSEEN]
    return arcing, []


def _move(
    trace: Trace, seen: Looked, near: Near, henry: float, hum: Hum | None, offset_u_v: float, alike_s: float
) -> Commutation:
    """The move of the current, in order of opening; the first sample of the arcing state where none can be fitted."""
    split, noise = seen.split - seen.first, trace.sigma_v / trace.injected_a
    # Noise that neighbours share scatters while the contact slides as it does at rest.
    resting = max(seen.scatter / trace.injected_a, noise)
    fit = fit_jointly(
        seen.onward,
        near.volts,
        seen.amps,
        seen.rate,
        near=split,
        last=seen.cut - seen.first,
        closed_ohm=Quantity(seen.closed_own, noise),
        closed_scatter_ohm=math.sqrt(max(near.scatter**2 - resting**2, (0.01 * seen.closed_own) ** 2)),
        sigma_v=trace.sigma_v,
        longest_s=seen.longest,
        long_run=seen.long_run,
        scatter_v=seen.scatter,
        hum=hum,
        offset_u_v=offset_u_v if hum is None or not math.isfinite(hum.offset_u_v) else hum.offset_u_v,
        sense=1.0 if trace.kind == "open" else -1.0,
        alike_s=alike_s,
    )
    if fit is not None:
        return fit
    at, step = float(seen.onward[split]), trace.step_s
    return Commutation(Quantity(at, step), Quantity(step, step), arcing_ohm=Quantity(near.arcing, noise))


def _fluctuating(fit: Commutation) -> bool:
    """Whether the arcing contact's own fluctuation, and not the noise, limits what can be told of the move."""
    from drm._fit_kernels import ROUGH

    return fit.fluctuation_ohm > ROUGH * max(fit.arcing_ohm.value - fit.closed_ohm.value, 0.0)


def _after(trace: Trace, seen: Looked, near: Near, fit: Commutation, moving_s: float) -> After:
    """What lies beyond the move of `moving_s`, and how many readings beside it no contact in the loop can have."""
    from drm._zone_kernels import after_move

    split, cut = seen.split - seen.first, seen.cut - seen.first
    # The part beside the loss or the touch, where the current moves, is left out.
    stop = split + (cut - split) // 2
    return after_move(
        seen.onward,
        near.ohm,
        seen.rate,
        seen.amps,
        cut,
        fit.middle_s.value - 0.5 * moving_s,
        fit.middle_s.value + 0.5 * moving_s,
        near.arcing,
        fit.arcing_ohm.value,
        # While the current still rises, what looks like an arcing contact may be the sense loop.
        LOOP_SHARE * trace.injected_a / LOOP_H,
        max(0, stop - math.ceil(DISTURBED_S / trace.step_s)),
        stop,
        0.5 * seen.closed_own - 6.0 * trace.sigma_v / trace.injected_a,
    )
