"""Where the time to a contact's instant goes: latch, run of the mechanism, place of the contact; what a shift means."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from drm.breaker_times import Contact, reference_u
from drm.median import median
from drm.operations import Operation
from drm.quantity import Quantity
from drm.stroke import Moved, crossing, start_of

__all__ = ["CAUSES", "HEALTHY_MS", "Explanation", "explain", "parts_of"]

#: Healthy scatter of each part between mechanisms or contacts of one breaker, ms; common practice, no source.
HEALTHY_MS = {"latch_ms": 0.5, "run_ms": 0.3, "offset_ms": 0.2}
#: What a part that is longer or shorter than its siblings' means.
CAUSES = {
    ("latch_ms", 1): "slow latch",
    ("latch_ms", -1): "quick latch",
    ("run_ms", 1): "slow mechanism",
    ("run_ms", -1): "fast mechanism",
    ("offset_ms", 1): "misadjusted contact",
    ("offset_ms", -1): "misadjusted contact",
}
#: A part carries the shift when it is at least this share of it, and no other half as much.
SHARE, OTHER_SHARE = 0.6, 0.4


@dataclass(frozen=True)
class Explanation:
    """Why one contact's instant lies off its siblings'.

    Attributes
    ----------
    interrupter : str
    operation : int
    shift_ms : Quantity
        Of the whole instant, from the siblings' median.
    cause : str
        One of :data:`CAUSES`' words, or 'several causes'.
    evidence : dict
        Each part's departure from the siblings' median and its standard uncertainty, ms; the armature's stop beside it
        where the coil shows one.
    """

    interrupter: str
    operation: int
    shift_ms: Quantity
    cause: str
    evidence: dict[str, Any] = field(default_factory=dict)


def parts_of(
    operation: Operation, contacts: Sequence[Contact], motions: Mapping[str, Moved | None]
) -> dict[str, dict[str, Quantity]]:
    """Interrupter -> ``latch_ms, run_ms, offset_ms``, which add up to the time from the coil's onset to the contact.

    Latch: from the coil's onset to the start of motion. Run: from there to the place at which the breaker's contacts
    part or touch, the median of all. Offset: from the passage of that place to this contact's own instant. Without
    travel, coil or instant an interrupter has no parts.
    """
    ways: dict[str, float] = {}
    for c in contacts:
        m = motions.get(c.interrupter.mechanism)
        if m is not None and m.moves and c.at_s and m.time_s[0] <= c.at_s.value <= m.time_s[-1]:
            ways[c.interrupter.name] = float(np.interp(c.at_s.value, m.time_s, m.way_mm))
    if not ways:
        return {}
    place = median(list(ways.values()))
    out: dict[str, dict[str, Quantity]] = {}
    n = len(ways)
    for c in contacts:
        name = c.interrupter.mechanism
        m = motions.get(name)
        if c.interrupter.name not in ways or m is None or operation.reference[name] != "coil":
            continue
        onset, start, passed = operation.reference_s[name], start_of(m), crossing(m, place)
        if not start or not passed:
            continue
        out[c.interrupter.name] = {
            "latch_ms": Quantity(1e3 * (start.value - onset), 1e3 * math.hypot(start.u, reference_u(operation, name))),
            "run_ms": Quantity(
                1e3 * (passed.value - start.value), 1e3 * math.hypot(passed.u, start.u, c.at_s.u * math.sqrt(1.0 / n))
            ),
            # The place is the median of the contacts' own, so that a share of this one's error is in both.
            "offset_ms": Quantity(
                1e3 * (c.at_s.value - passed.value), 1e3 * math.hypot(passed.u, c.at_s.u * math.sqrt(1.0 - 1.0 / n))
            ),
        }
    return out


def explain(
    rows: Sequence[Mapping[str, Any]], operation: int, *, armature_stop_ms: Mapping[str, float] | None = None
) -> tuple[Explanation, ...]:
    """Contacts whose instant lies off their siblings', and what carries the shift.

    Parameters
    ----------
    rows : sequence of mapping
        One for each interrupter of one operation: ``name, mechanism, latch_ms, run_ms, offset_ms`` each with ``_u``.
    operation : int
    armature_stop_ms : mapping, optional
        Mechanism -> armature's stop, ms from the coil's onset: tells whether a slow latch waits for its release.

    Returns
    -------
    tuple of Explanation
        Empty where fewer than three contacts can be compared. An instant counts as shifted beyond three times its
        uncertainty and healthy scatter together.
    """
    parts = tuple(HEALTHY_MS)
    known = [r for r in rows if all(math.isfinite(float(r.get(p, math.nan))) for p in parts)]
    if len(known) < 3:
        return ()
    out: list[Explanation] = []
    # Interrupters of one mechanism share its latch and run, so each mechanism counts once. The median of all is that of
    # the sound ones as long as most are sound; of two mechanisms nobody can say which is off.
    once = list({str(r["mechanism"]): r for r in known}.values())
    usual = {p: median([float(r[p]) for r in (known if p == "offset_ms" else once)]) for p in parts}
    for row in known:
        away = {p: float(row[p]) - usual[p] if p == "offset_ms" or len(once) > 2 else 0.0 for p in parts}
        u = {p: math.hypot(float(row[f"{p}_u"]), HEALTHY_MS[p]) for p in parts}
        total = sum(away.values())
        # Start and passage are shared by neighbouring parts, so the whole is known better than they add up to.
        whole_u = math.sqrt(sum(v * v for v in HEALTHY_MS.values()) + float(row["offset_ms_u"]) ** 2)
        if abs(total) <= 3.0 * whole_u:
            continue
        shares = {p: away[p] / total for p in parts}
        first = max(parts, key=lambda p: shares[p])
        rest = max(abs(shares[p]) for p in parts if p != first)
        alone = shares[first] >= SHARE and rest <= OTHER_SHARE and abs(away[first]) > 2.0 * u[first]
        cause = CAUSES[first, 1 if away[first] > 0 else -1] if alone else "several causes"
        evidence: dict[str, Any] = {f"{p}_departure": away[p] for p in parts} | {
            f"{p}_departure_u": u[p] for p in parts
        }
        stops = armature_stop_ms or {}
        mine = stops.get(str(row["mechanism"]), math.nan)
        others_stop = [v for k, v in stops.items() if k != row["mechanism"] and math.isfinite(v)]
        if math.isfinite(mine) and others_stop:
            evidence["armature_stop_departure_ms"] = mine - median(others_stop)
        out.append(Explanation(str(row["name"]), operation, Quantity(total, whole_u), cause, evidence))
    return tuple(out)
