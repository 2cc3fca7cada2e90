"""Skew that nobody declared: voltage and current of one interrupter sampled on clocks that do not agree.

Where the contact parts, the voltage leaves what metal can bear and the current begins to fall at the same instant;
where it touches, the voltage leaves the parted state and the current begins to rise. Both are told from each channel
by itself, so that what lies between them is the skew.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drm.median import median, nanmedian
from drm.quantity import NOTHING, Quantity
from drm.resistance import METALLIC_VOLT, Trace

__all__ = ["EVENT_U", "FILTER_S", "LARGEST_SKEW", "LONGEST_BOUNCE_S", "Events", "both_of", "events_of", "pooled",
           "skew_of", "without_skew"]  # fmt: skip

FloatArray = NDArray[np.float64]
States = tuple[FloatArray, FloatArray, FloatArray]

#: Largest skew that is looked for, s, and the largest that is taken out.
SEARCH, LARGEST_SKEW = 1.5e-3, 0.6e-3
#: What the sampling, the chain's filter and the shape of the moves leave uncertain of one event, in samples.
EVENT_U = 0.5
#: In samples: the current's ramp passes an anti-alias filter of second order at four tenths of the sampling rate half a
#: sample later than the voltage's step shows; a voltage that comes down from beyond its ceiling shows it later still.
RAMP_LATE, CEILING_LATE = 0.5, 0.7
#: However fast the sampling, filters that were chosen for something else differ by some ten microseconds; and where the
#: events cannot be read between samples the shift is known to the length of a chatter only, s.
FILTER_S, CHATTER_S = 15e-6, 0.15e-3
#: So many standard uncertainties between a shift and what the events say are a contradiction.
SURE = 3.0
#: Samples that the chain's filter takes to let a fall begin firmly.
GENTLE = 2.5
#: No bounce after the first touch is longer, s (common practice, no source): the contact has gone on by then.
LONGEST_BOUNCE_S = 2e-3
#: A share of the injected current by which it must move in the search for its course to tell anything.
LEAST_MOVE = 0.3
#: For so long before its loss the arcing contact carries the current alone, s: most of a usual zone. Common practice.
ARCING_S = 3e-3
#: Share of its ceiling above which a voltage may be anything.
SEEN_BELOW = 0.98
#: Share of the injected current below which none is told from none.
FAINT = 0.003


def _states(trace: Trace) -> States | None:
    """Parted state from the voltage (0 to 1); falling or rising course of the current (-1 to 1); share of the level."""
    threshold = min(METALLIC_VOLT, 0.9 * trace.ceiling_v)
    closed = nanmedian(trace.voltage_v[trace.rest])
    if not threshold > 3.0 * closed:
        return None
    low = max(0.3 * threshold, 2.0 * closed)
    volts = _filled(np.abs(trace.voltage_v), 0.0)
    parted = np.clip((volts - low) / (threshold - low), 0.0, 1.0)
    share = _filled(trace.current_a / trace.injected_a, 1.0)
    # Between samples: of the interval that follows each.
    course = np.append(np.diff(share), 0.0)
    # Twenty thousand samples tell it to a per cent.
    some = course[:: max(1, course.size // 20_000)]
    noise = 1.4826 * median(np.abs(some - median(some)))
    course = np.where(np.abs(course) > 6.0 * noise, course, 0.0)
    return parted, np.asarray(np.clip(course / max(6.0 * noise, 0.02), -1.0, 1.0)), share


def _filled(samples: FloatArray, value: float) -> FloatArray:
    return np.where(np.isnan(samples), value, samples)


def _lag(parted: FloatArray, course: FloatArray, share: FloatArray, most: int) -> tuple[int, float, float]:
    """Shift of the voltage, in samples, at which it contradicts the current least; that, and what other shifts cost.

    Contradictions: parted while a current flows unmoved or rises; metal while the current falls or before it
    flows at all.
    """
    # Flat at whatever level: a source in its voltage limit gives less through the arcing contact than through the main.
    full = (share > 0.3) & (course == 0.0)
    none = (share < 0.03) & (course == 0.0)
    against_parted = full + np.maximum(course, 0.0)
    against_metal = none + np.maximum(-course, 0.0)
    between = 0.5 * (parted[:-1] + parted[1:])
    inner = slice(most, between.size - most)
    lags = np.arange(-most, most + 1)
    against = against_parted[:-1] - against_metal[:-1]
    first = float(against_metal[:-1][inner].sum() + between[: between.size - 2 * most] @ against[inner])
    # From one shift to the next the cost changes only by where the state changes, and that is at few samples.
    turns = np.diff(between)
    where = np.flatnonzero(turns)
    met = where[:, None] - lags[None, :-1]
    inside = (met >= most) & (met < between.size - most)
    steps = turns[where] @ np.where(inside, against[np.clip(met, 0, against.size - 1)], 0.0)
    cost = first + np.concatenate([[0.0], np.cumsum(steps)])
    best = float(cost.min())
    # A flat bottom is met in its middle.
    at = int(median(lags[cost <= best + 0.25]))
    beside = np.abs(lags - at) >= 4
    return at, best, float(cost[beside].min()) if bool(beside.any()) else best


def _knee(samples: FloatArray, at: int, before: slice, least: float, ceiling: float) -> float:
    """Place, in samples, at which `samples` leave their level `before`, near `at`: a line through the next two.

    The place is kept between the last sample at the level and the first away from it. Where either of the two is at
    the `ceiling` the line would lie, and the move is told to the interval between two samples only.
    """
    near = samples[before]
    if near.size < 4:
        return math.nan
    whole, width = _rest(near, least)
    # The last of it: before, the main contact may have carried the current. What the arcing contact's resistance does
    # to the level in the mean its fluctuation does in part.
    level, narrow = _rest(near[-max(4, near.size // 3) :], least)
    width = max(width, narrow, 0.5 * abs(level - whole))
    # Nothing further away is looked at.
    start = max(0, at - 40)
    away = np.abs(samples[start : at + 42] - level) > width
    k = at
    while k > 0 and away[k - start] and at - k < 40:
        k -= 1
    while k + 1 < samples.size and not away[k + 1 - start] and k - at < 40:
        k += 1
    # What is nowhere near as it was before, or nowhere else, does not leave its level here.
    if away[k - start] or k + 2 >= samples.size or not away[k + 1 - start]:
        return math.nan
    one, two = float(samples[k + 1]), float(samples[k + 2])
    if abs(one) >= ceiling:
        return k + 0.5
    if abs(two) >= ceiling or one == two or (two > one) != (one > level):
        return k + 0.8
    return float(np.clip(k + 1 + (level - one) / (two - one), k, k + 1))


def _rest(samples: FloatArray, least: float) -> tuple[float, float]:
    """Level, and how far from it a sample is away."""
    level = median(samples)
    return level, max(6.0 * 1.4826 * median(np.abs(samples - level)), least)


def skew_of(trace: Trace) -> Quantity:
    """By how much the voltage comes after the current, s; NaN where nothing common to both is recorded.

    The voltage's parted state and the current's course are laid over each other at every shift within 1.5 ms, and the
    shift taken at which they contradict each other least; then both instants are read between the samples.

    Parameters
    ----------
    trace : Trace
        Of one operation; its own contact must end or begin the current.

    Returns
    -------
    Quantity
        Positive where the voltage is late; standard uncertainty from the sampling and the filters' difference.
    """
    return _skew(trace, _states(trace))


def _skew(trace: Trace, states: States | None) -> Quantity:
    step = trace.step_s
    most = min(max(4, math.ceil(SEARCH / step)), (trace.time_s.size - 8) // 3)
    if states is None or most < 4:
        return NOTHING
    parted, course, share = states
    moved = share[most:-most]
    if not (float(moved.max()) - float(moved.min()) > LEAST_MOVE and float(np.ptp(parted)) > 0.9):
        return NOTHING
    at, best, other = _lag(parted, course, share, most)
    if abs(at) >= most - 1 or other - best < 2.0:
        return NOTHING
    turn = _turn(parted, trace.kind)
    if _arced(trace, share, turn):
        return NOTHING
    fine = _between_samples(trace, parted, share, at)
    if not math.isfinite(fine):
        if trace.kind == "open" and at < 0:
            # A source with voltage to spare feeds the arc: the current goes on after the loss on one clock too.
            return NOTHING
        # The contradictions alone: bounce and chatter leave them several shifts to agree upon.
        u = math.hypot(1.5 * step, CHATTER_S)
        told = _events(trace, states).lag_s
        # What each channel tells by itself of the first touch or the last loss is against that shift: a bounce's.
        if abs(told - at * step) > SURE * u:
            return NOTHING
        return Quantity(at * step, u)
    return Quantity(fine * step, math.hypot(math.hypot(EVENT_U, _slow_answer(trace, share)) * step, FILTER_S))


def _slow_answer(trace: Trace, share: FloatArray) -> float:
    """Uncertainty, in samples, for a current that begins to fall only when the arc's voltage has outgrown the source's.

    A source with voltage to spare feeds the arc for a while: the fall then begins gently and late, and half of that
    time is uncertain.
    """
    if trace.kind != "open":
        return 0.0
    flows = np.flatnonzero(share > 0.5)
    if flows.size == 0:
        return 0.0
    place = int(flows[-1])
    rate = -np.diff(share)
    steep = float(rate[max(0, place - 20) : place + 5].max())
    firm = place
    while firm > 0 and rate[firm - 1] > 0.3 * steep:
        firm -= 1
    return 0.5 * max(0.0, firm - _current_knee(trace, share, firm) - GENTLE)


def _between_samples(trace: Trace, parted: FloatArray, share: FloatArray, at: int) -> float:
    """Skew in samples from the knees of both channels at the loss or the first gain, near the shift `at`."""
    turn = _turn(parted, trace.kind)
    if turn < 0:
        return math.nan
    place = min(max(turn - at, 1), share.size - 2)
    apart = _voltage_knee(trace, turn) - _current_knee(trace, share, place)
    return apart if abs(apart - at) < 4.0 else math.nan


def _turn(parted: FloatArray, kind: str) -> int:
    """First sample after the voltage's last passage to parted (opening) or first passage from it (closing); or -1."""
    half = parted > 0.5
    into = half[1:] & ~half[:-1] if kind == "open" else ~half[1:] & half[:-1]
    turns = np.flatnonzero(into)
    return int(turns[-1] if kind == "open" else turns[0]) + 1 if turns.size else -1


def _arced(trace: Trace, share: FloatArray, turn: int) -> bool:
    """Whether a closing's first touch may have passed unseen in the voltage: current flows before the voltage falls.

    A contact that bounces draws an arc, and a touch shorter than a sample leaves no trace in it. Where the voltage
    stays at the parted state's own level meanwhile, and that is not hidden by a ceiling, it is late and nothing arced.
    """
    if trace.kind != "close" or turn < 0:
        return False
    flowing = np.flatnonzero(share[:turn] > 0.03)
    if flowing.size < 2:
        return False
    volts = _filled(trace.voltage_v, 0.0)
    past = volts[_before(int(flowing[0]), trace)]
    if past.size < 4:
        return True
    level = median(past)
    meanwhile = volts[flowing[0] : turn]
    return level >= SEEN_BELOW * trace.ceiling_v or bool((np.abs(meanwhile[:-1] - level) > 0.1 * abs(level)).any())


def _covered(trace: Trace, turn: int) -> bool:
    """Whether a closing's voltage comes down from its ceiling."""
    if trace.kind != "close" or turn < 0:
        return False
    past = _filled(trace.voltage_v, 0.0)[_before(turn, trace)]
    return past.size > 0 and median(past) >= SEEN_BELOW * trace.ceiling_v


def _before(place: int, trace: Trace) -> slice:
    """Where the level before a move is read: just before a loss, to which it creeps; long before a touch.

    Before the current has moved to the arcing contact a source in its limit gives more.
    """
    many = min(max(math.ceil(ARCING_S / trace.step_s), 20), 60) if trace.kind == "open" else 200
    return slice(max(0, place - many), max(0, place - 8))


def _current_knee(trace: Trace, share: FloatArray, place: int) -> float:
    return _knee(share, place, _before(place, trace), 0.002, math.inf)


def _voltage_knee(trace: Trace, turn: int) -> float:
    opening, ceiling = trace.kind == "open", SEEN_BELOW * trace.ceiling_v
    volts = _filled(trace.voltage_v, 0.0)
    past = _before(turn, trace)
    # A momentary part-separation may run into the loss: what metal can bear is not yet the loss.
    least = 0.5 * min(METALLIC_VOLT, trace.ceiling_v) if opening else 0.02 * float(np.max(np.abs(volts)))
    knee = _knee(volts, turn, past, least, ceiling if opening else math.inf)
    return knee + (-CEILING_LATE if _covered(trace, turn) else RAMP_LATE)


@dataclass(frozen=True)
class Events:
    """Loss or first gain of the contact as the voltage and as the current shows it, each by itself, s; NaN if not.

    Attributes
    ----------
    voltage_s, current_s : float
    hidden : bool
        A closing whose first touch may have passed unseen in the voltage, if this current is its own.
    covered : bool
        A closing whose voltage comes down from its ceiling: a first touch may have passed unseen, whosever its current.
    """

    voltage_s: float
    current_s: float
    hidden: bool = False
    covered: bool = False

    @property
    def lag_s(self) -> float:
        """Voltage after its own current, s; NaN where either is not known or the first touch may be hidden."""
        return math.nan if self.hidden else self.voltage_s - self.current_s


def events_of(trace: Trace) -> Events:
    """When the voltage passes to or from the parted state, and when the current begins to fall or to rise.

    Neither instant looks at the other channel, so that those of different interrupters can be compared.
    """
    return _events(trace, _states(trace))


def both_of(trace: Trace) -> tuple[Events, Quantity]:
    """:func:`events_of` and :func:`skew_of`, which look at the same states."""
    states = _states(trace)
    return _events(trace, states), _skew(trace, states)


def _events(trace: Trace, states: States | None) -> Events:
    if states is None:
        return Events(math.nan, math.nan)
    parted, _, share = states
    turn = _turn(parted, trace.kind)
    volts = _voltage_knee(trace, turn) if turn >= 0 else math.nan
    flows = share > 0.5
    moves = np.flatnonzero(flows[1:] != flows[:-1])
    amps = math.nan
    if moves.size:
        place = int(moves[-1] if trace.kind == "open" else moves[0])
        # Back to where the current does not move yet as it does in the middle of its fall or rise.
        rate = np.abs(np.diff(share))
        steep = float(rate[max(0, place - 20) : place + 5].max())
        while place > 0 and rate[place - 1] > 0.15 * steep:
            place -= 1
        if trace.kind == "close":
            place = _first_flow(share, place, math.ceil(LONGEST_BOUNCE_S / trace.step_s))
        amps = _current_knee(trace, share, place)
    at = trace.time_s[0]
    # A bounce is over before the contact could have gone that far.
    bounced = not (volts - amps) * trace.step_s > LONGEST_BOUNCE_S
    hidden = turn >= 0 and bounced and _arced(trace, share, turn)
    return Events(
        float(at + volts * trace.step_s), float(at + amps * trace.step_s), hidden, covered=_covered(trace, turn)
    )


def _first_flow(share: FloatArray, place: int, many: int) -> int:
    """Where a bouncing contact's first touch let a current begin that its next parting ended again, or `place`.

    A source of few volts brings it up to no more than some thousandths meanwhile.
    """
    first = max(place - many, 0)
    before = share[max(first - many, 0) : first]
    if before.size < 8:
        return place
    level = median(before)
    least = max(10.0 * 1.4826 * median(np.abs(before - level)), FAINT)
    flows = share[first : place + 1] - level > least
    # Two in a row: one may be an impulse.
    begins = np.flatnonzero(flows[:-1] & flows[1:])
    return first + int(begins[0]) - 1 if begins.size and begins[0] > 0 else place


def pooled(skews: Sequence[Quantity]) -> Quantity:
    """One skew from several events of the same two channels: their median, the scatter counted in."""
    told = [s for s in skews if s]
    if not told:
        return NOTHING
    # An event that tells little must not outvote one that tells much.
    known = [s for s in told if s.u <= 2.0 * min(t.u for t in told)]
    values = np.array([s.value for s in known])
    middle = median(values)
    least = min(s.u for s in known)
    spread = 1.4826 * median(np.abs(values - middle))
    # Most of one event's uncertainty is the filters', which no number of events averages out.
    return Quantity(middle, max(0.7 * least, math.hypot(least, spread) / math.sqrt(values.size)))


def without_skew(trace: Trace, skew_s: float) -> Trace:
    """`trace` with the voltage moved onto the current's clock: what it reads now, it read `skew_s` too late."""
    if skew_s == 0.0:
        return trace
    moved = np.interp(trace.time_s + skew_s, trace.time_s, np.nan_to_num(trace.voltage_v, nan=np.inf))
    moved[~np.isfinite(moved)] = np.nan
    return replace(trace, voltage_v=moved)
