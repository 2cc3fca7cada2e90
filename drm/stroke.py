"""Figures of one stroke: its start, stroke, overtravel, rebound, speeds and damping."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Damping, SpeedZone
from drm.clock import interval
from drm.kept import kept
from drm.median import median, running_median
from drm.motion import carried_back
from drm.quantity import NOTHING, Quantity
from drm.travel import Travel, pace_of, speed

__all__ = ["SPEED_ZONE", "Moved", "figures", "moved", "start_of", "zone_words"]

FloatArray = NDArray[np.float64]

#: Default zone of the mean speed, as shares of the stroke from the closed position. Makers state their own zones; this
#: one lies clear of both end positions. Common practice, no source.
SPEED_ZONE = (0.25, 0.75)
#: Where the damper is taken to begin when nothing is stated: this share of the stroke before its end; and what counts
#: as rest: this share of the stroke about the last position. Common practice, no source.
DAMPER_SHARE, REST_SHARE = 0.10, 0.01
#: Over how long before a place the speed there is taken, s: a damper bends the speed at once, so no fit may run across.
BEFORE_S = 2e-3
#: Phases of an encoder's steps over which their rounding is averaged.
PHASES = (np.arange(16) + 0.5) / 16.0
#: Samples on either side of an instant in the fit that reads the way there.
HALF = 4


@dataclass(frozen=True, eq=False)
class Moved:
    """One mechanism's motion in one operation.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
        From the operation's reference to its end, missing samples left out.
    way_mm : ndarray, shape (n,)
        From the rest position that is left, positive in the direction of the operation.
    stroke_mm : float
        Between the rest positions.
    at_rest : bool
        Whether it had come to rest at the end.
    kind : {'open', 'close'}
    begin_mm : float
        Travel of the rest position that is left, from the closed position.
    step_mm, u_mm : float
        Encoder's step, and standard uncertainty of one reading.
    """

    time_s: FloatArray
    way_mm: FloatArray
    stroke_mm: float
    at_rest: bool
    kind: str
    begin_mm: float
    step_mm: float
    u_mm: float

    @property
    def moves(self) -> bool:
        """Whether there is a stroke worth the name."""
        return self.stroke_mm >= max(1.0, 10.0 * self.step_mm)

    def way_to(self, travel_mm: float) -> float:
        """Way from the rest position left to a travel counted from the closed position, mm."""
        return travel_mm - self.begin_mm if self.kind == "open" else self.begin_mm - travel_mm


def moved(
    time_s: FloatArray, travel: Travel, kind: str, *, start_s: float, reference_s: float, until_s: float, coil: bool
) -> Moved | None:
    """The motion between an operation's reference and `until_s`; None where too little of it was recorded.

    Parameters
    ----------
    start_s : float
        Where the operation's part of the record begins, the mechanism being at rest.
    coil : bool
        Whether the reference is a coil's onset: nothing moves before it. A start of motion is not known to the sample.
    """
    inside = (time_s >= reference_s) & (time_s <= until_s) & np.isfinite(travel.mm)
    before = (time_s >= start_s) & (time_s < reference_s - (0.0 if coil else 1e-3)) & np.isfinite(travel.mm)
    t = time_s[inside]
    if t.size < 16:
        return None
    x = running_median(travel.mm[inside], 3)
    first = travel.mm[before]
    begin = median(first) if first.size >= 3 else float(x[0])
    rest = x[t > until_s - 0.25 * (until_s - reference_s)]
    if rest.size == 0:
        return None
    toward = 1.0 if kind == "open" else -1.0
    stroke = toward * (median(rest) - begin)
    still = float(np.ptp(rest)) < max(0.02 * stroke, 4.0 * travel.resolution_mm)
    return Moved(t, toward * (x - begin), stroke, still, kind, begin, travel.resolution_mm, travel.u_mm)


@kept
def figures(
    m: Moved,
    travel: Travel,
    time_s: FloatArray,
    *,
    rel: float,
    zones: Sequence[SpeedZone] = (),
    share: tuple[float, float] = SPEED_ZONE,
    damping: Damping | None = None,
) -> dict[str, Quantity]:
    """Every figure that one motion gives, by column.

    Parameters
    ----------
    travel, time_s : Travel, ndarray
        The whole record's, for the speed at each instant.
    rel : float
        Standard relative uncertainty of the travel's scale.
    zones : sequence of SpeedZone
        As the breaker file names them; the first of the operation's kind without a name gives ``speed_m_s``, named
        ones ``speed_NAME_m_s``.
    share : tuple of float
        Part of the stroke for ``speed_m_s`` where the file names none.

    Notes
    -----
    Stroke: between the rest positions before and after. Overtravel: how far the travel goes beyond the rest position
    that it ends in. Rebound: how far it comes back from there after the first overtravel. Damping time: from the
    damper's position until the travel stays within 1 % of the stroke of its last position. Damping speeds: means over
    the 2 ms before the damper's position, and before the last position is first reached within 1 % of the stroke.
    """
    u = math.sqrt(2.0) * m.u_mm
    out = {"stroke_mm": Quantity(m.stroke_mm, math.hypot(u, rel * m.stroke_mm))}
    if not m.moves:
        return out
    pace = pace_of(travel, time_s)
    mine = [z for z in zones if z.kind == m.kind]
    low, high = sorted(share)
    out["speed_m_s"] = mean_speed(m, low * m.stroke_mm, high * m.stroke_mm, None, rel)
    for zone in mine:
        column = f"speed_{zone.name}_m_s" if zone.name else "speed_m_s"
        out[column] = zone_speed(m, zone, rel)
    out["speed_max_m_s"] = _greatest(m, pace, time_s, rel)
    if m.at_rest:
        beyond = m.way_mm - m.stroke_mm
        peak = int(np.argmax(beyond))
        over, back = max(0.0, float(beyond[peak])), max(0.0, -float(np.min(beyond[peak:])))
        out["overtravel_mm"] = Quantity(over, math.hypot(u, rel * over))
        out["rebound_mm"] = Quantity(back, math.hypot(u, rel * back))
        stated = None if damping is None else damping.open_mm if m.kind == "open" else damping.close_mm
        out |= _damping(m, DAMPER_SHARE * m.stroke_mm if stated is None else stated, rel)
    return out


def zone_words(zones: Sequence[SpeedZone], kind: str) -> str:
    """Over what ``speed_m_s`` is taken, in words."""
    for z in zones:
        if z.kind == kind and not z.name:
            return (
                f"{z.from_mm:g} to {z.to_mm:g} mm" if z.to_mm is not None else f"{z.for_ms:g} ms from {z.from_mm:g} mm"
            )
    return f"{SPEED_ZONE[0]:.0%} to {SPEED_ZONE[1]:.0%} of the stroke"


def zone_speed(m: Moved, zone: SpeedZone, rel: float) -> Quantity:
    """Mean speed over a zone stated in mm: an error of the scale moves the zone's ends as well."""

    def over(scale: float) -> Quantity:
        begin = m.way_to(scale * zone.from_mm)
        end = None if zone.to_mm is None else m.way_to(scale * zone.to_mm)
        if end is not None:
            begin, end = sorted((begin, end))
        return mean_speed(m, begin, end, zone.for_ms, 0.0)

    value, other = over(1.0), over(1.0 + rel)
    if not value or not other:
        return value and Quantity(value.value, math.hypot(value.u, rel * value.value))
    return Quantity(value.value, math.hypot(value.u, value.value - other.value / (1.0 + rel)))


def mean_speed(m: Moved, begin_mm: float, end_mm: float | None, for_ms: float | None, rel: float) -> Quantity:
    """Mean speed from one way to another, or from one way on for a time, m/s; NOTHING where it does not get there."""
    first = crossing(m, begin_mm)
    if not first:
        return NOTHING
    if end_mm is not None:
        second = crossing(m, end_mm)
        distance = end_mm - begin_mm
    elif for_ms is not None:
        second = Quantity(first.value + 1e-3 * for_ms, 0.0)
        if second.value > m.time_s[-1]:
            return NOTHING
        distance = _local(m, second.value)[0] - begin_mm
    else:
        return NOTHING
    if not second or not second.value > first.value or not distance > 0.0:
        return NOTHING
    value = 1e-3 * distance / (second.value - first.value)
    u = math.hypot(_local(m, first.value)[1], _local(m, second.value)[1])
    return Quantity(value, value * math.hypot(rel, u / distance))


def _local(m: Moved, t: float) -> tuple[float, float, float]:
    """Way (mm), its standard uncertainty from steps and noise, and speed (mm/s) at an instant.

    From a parabola through the samples about it, past the encoder's steps. A damper bends the motion within eight
    samples, so that a straight line would be off; where they span few steps only a straight line is to be had.
    """
    k = int(np.searchsorted(m.time_s, t))
    a, b = max(0, k - HALF), min(m.time_s.size, k + HALF)
    u, y = m.time_s[a:b] - t, m.way_mm[a:b]
    wide = float(np.ptp(u)) or 1.0
    order = 2 if u.size >= 6 and float(np.ptp(y)) >= 6.0 * math.sqrt(12.0) * m.u_mm else 1
    design = np.vander(u / wide, order + 1, increasing=True)
    solve = np.linalg.pinv(design)
    fit = solve @ y
    noise = math.sqrt(max(m.u_mm**2 - m.step_mm**2 / 12.0, 0.0)) * float(np.linalg.norm(solve[0]))
    return float(fit[0]), math.hypot(noise, _rounding(design @ fit, solve[0], m.step_mm)), float(fit[1]) / wide


def _rounding(smooth: FloatArray, weights: FloatArray, step: float) -> float:
    """Root mean square of what rounding to `step` leaves in a weighted sum, over every phase of the steps."""
    if step <= 0.0:
        return 0.0
    at = smooth / step + PHASES[:, None]
    return step * float(np.sqrt(np.mean(np.square((np.round(at) - at) @ weights))))


def crossing(m: Moved, way_mm: float) -> Quantity:
    """First instant at which the way passes `way_mm`, between the samples and past the encoder's steps."""
    over = np.flatnonzero(m.way_mm >= way_mm)
    if over.size == 0 or int(over[0]) == 0:
        return NOTHING
    k = int(over[0])
    least, most = float(m.time_s[max(0, k - HALF)]), float(m.time_s[min(k + HALF, m.time_s.size) - 1])
    at, u_s = float(m.time_s[k]), float(m.time_s[k] - m.time_s[k - 1])
    for _ in range(3):
        way, u_mm, pace = _local(m, at)
        if pace <= 0.0:
            return Quantity(float(m.time_s[k]), float(m.time_s[k] - m.time_s[k - 1]))
        at, u_s = min(max(at - (way - way_mm) / pace, least), most), min(u_mm / pace, 0.5 * (most - least))
    return Quantity(at, u_s)


def _slope_u(m: Moved, step_s: float) -> float:
    """Standard uncertainty of a slope over 2 ms, m/s: a line through that many readings."""
    n = max(5, round(2e-3 / step_s))
    return 1e-3 * m.u_mm * math.sqrt(12.0 / (n * (n * n - 1.0))) / step_s


def _greatest(m: Moved, pace: FloatArray, time_s: FloatArray, rel: float) -> Quantity:
    part = (time_s >= m.time_s[0]) & (time_s <= m.time_s[-1])
    inside = pace[part]
    if not bool(np.isfinite(inside).any()):
        return NOTHING
    # A slope over a window flattens a round peak by the square of the window's width, one that a damper cuts off by the
    # width itself. What half and whole window differ by is three times or once what half of it costs: which is unknown.
    wide = np.abs(speed(m.way_mm, m.time_s, window_s=4e-3))
    narrow = float(np.nanmax(np.abs(speed(m.way_mm, m.time_s, window_s=2e-3))))
    flattened = max(0.0, narrow - float(np.nanmax(wide))) * 2.0 / 3.0
    value = float(np.nanmax(inside)) + flattened
    step = interval(time_s)
    return Quantity(value, math.sqrt((rel * value) ** 2 + _slope_u(m, step) ** 2 + flattened**2 / 12.0))


def _damping(m: Moved, before_mm: float, rel: float) -> dict[str, Quantity]:
    """Speeds into and out of the damper, and how long it takes to come to rest."""
    band = max(REST_SHARE * m.stroke_mm, 2.0 * m.step_mm)
    entry, end = crossing(m, m.stroke_mm - before_mm), crossing(m, m.stroke_mm - band)
    out: dict[str, Quantity] = {}
    step = interval(m.time_s)
    # An error of the scale moves the damper's position, which is stated in mm; the end is a share of the stroke.
    for column, at, stated_mm in (("damping_entry_m_s", entry, before_mm), ("damping_end_m_s", end, 0.0)):
        got, bend = _pace_before(m, at)
        if got:
            # Both places count from the rest at the end, which is known to a step like the one that was left.
            place = bend * math.sqrt(2.0) * m.u_mm
            scale = rel * (got.value + bend * stated_mm)
            out[column] = Quantity(got.value, math.sqrt(got.u**2 + place**2 + scale**2))
    off = np.flatnonzero(np.abs(m.way_mm - m.stroke_mm) > band)
    # A swing that all but touches the band may count or not: both answers must be covered.
    doubt = 2.2 * math.sqrt(2.0) * m.u_mm
    last = [np.flatnonzero(np.abs(m.way_mm - m.stroke_mm) > band + d) for d in (-doubt, doubt)]
    ends = [float(m.time_s[k[-1]]) for k in last if k.size]
    swing = 0.5 * (max(ends) - min(ends)) if len(ends) == 2 else 0.0
    if entry and off.size and int(off[-1]) + 1 < m.time_s.size:
        k = int(off[-1])
        a, b = max(0, k - 4), min(m.time_s.size, k + 5)
        rate = abs(float(np.polyfit(m.time_s[a:b], m.way_mm[a:b], 1)[0]))
        rest_u = max(min(math.sqrt(2.0) * m.u_mm / rate, 0.1) if rate > 0.0 else 0.1, swing)
        rest = (float(m.time_s[k]) + float(m.time_s[k + 1])) / 2.0
        if rest > entry.value:
            out["damping_time_ms"] = Quantity(
                1e3 * (rest - entry.value), 1e3 * math.sqrt(entry.u**2 + rest_u**2 + step**2 / 12.0)
            )
    return out


def _pace_before(m: Moved, at: Quantity) -> tuple[Quantity, float]:
    """Mean speed over the time before an instant, m/s, and by how much it changes with the place of that, m/s per mm.

    With what steps and noise leave; NOTHING where the time before is shorter.
    """
    if not at or at.value - BEFORE_S <= float(m.time_s[0]):
        return NOTHING, 0.0
    (far, far_u, fast), (near, near_u, slow) = _local(m, at.value), _local(m, at.value - BEFORE_S)
    bend = 1e-3 * (fast - slow) / BEFORE_S / fast if fast > 0.0 else 0.0
    return Quantity(1e-3 * (far - near) / BEFORE_S, 1e-3 * math.hypot(far_u, near_u) / BEFORE_S), bend


@kept
def start_of(m: Moved) -> Quantity:
    """Start of the motion, s on the record's clock: the first few per cent of the stroke carried back to rest.

    :func:`drm.motion.carried_back` has the laws.
    """
    if not m.moves:
        return NOTHING
    return carried_back(m.time_s, m.way_mm, m.stroke_mm, step_mm=m.step_mm, u_mm=m.u_mm)
