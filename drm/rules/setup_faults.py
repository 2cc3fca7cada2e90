"""Faults of the test as findings: never a verdict on the breaker."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from drm.breaker import Limit
from drm.findings import Finding
from drm.rules.cautions import look_at_mechanism, measure_again
from drm.rules.context import Context, joined
from drm.rules.limits import judge
from drm.setup_doubts import Doubt
from drm.setup_fault import Fault, clock_u_ms, clocked_alone, clocked_by

__all__ = ["setup_faults", "without_spoiled"]

_SPOILED = {
    "all": " No verdict is drawn from these readings.",
    "resistance": " No verdict is drawn from these resistances.",
    "travel": " No verdict is drawn from what is read off this travel.",
    "": "",
}


def setup_faults(c: Context) -> Iterator[Finding]:
    """What was found wrong with how the test was connected, scaled or recorded."""
    faults: tuple[Fault, ...] = tuple(c.facts.get("setup_faults", ()))
    for fault in faults:
        who = f"{joined(list(fault.interrupters))}: " if fault.interrupters else ""
        advice = look_at_mechanism if fault.spoils == "travel" else measure_again
        yield Finding(
            code=f"setup.{fault.code}",
            level=fault.level,
            subject="setup",
            message=f"{who}{fault.what}.{_SPOILED[fault.spoils]}",
            basis=fault.basis,
            advice=advice(f"What else could explain it: {fault.otherwise} Check next: {fault.check}"),
            interrupters=fault.interrupters,
            operations=fault.operations,
            evidence=fault.evidence,
        )


#: Findings on lengths that are read off travel although their own column is not.
_IN_MM = ("main.uneven", "mechanism.envelope-")
#: Starts of columns that a skew makes uncertain: instants and places by themselves, not what lies between two of them.
_OF_A_CLOCK = ("main_contact", "arcing_contact", "opening_time", "closing_time", "first_ms", "last_ms", "spread")
#: Starts of the mechanisms' columns that no travel enters.
_NO_TRAVEL = ("coil_", "motor_", "armature_", "auxiliary_", "opening_time", "closing_time")


def without_spoiled(found: Iterable[Finding], c: Context) -> list[Finding]:
    """Findings without the verdicts that rest on what a fault of the test spoils.

    Rules that read the feature table pass over spoiled rows themselves; those that read the mechanisms and the times
    see numbers that came from the same leads and sensors.
    """
    faults: tuple[Fault, ...] = tuple(c.facts.get("setup_faults", ()))
    whole = {n for f in faults if f.spoils == "all" for n in f.interrupters}
    travel = {n for f in faults if f.spoils == "travel" for n in f.interrupters}
    of = {i.name: i.mechanism for i in c.breaker.interrupters}
    alone = clocked_alone(faults, of)
    moved = {of[n] for n in travel if n in of}

    def rests_on_it(f: Finding) -> bool:
        if f.subject == "setup" or f.level == "note":
            return False
        column = str(f.evidence.get("column", ""))
        if f.code.startswith("mechanism.") and "cause" in f.evidence:
            mine = set(f.interrupters)
            return bool(mine & (whole | travel)) or (bool(mine) and mine <= alone)
        if f.code.startswith(_IN_MM) and set(f.interrupters) & travel:
            return True
        about = str(f.evidence.get("mechanism", ""))
        return about in moved and bool(column) and not column.startswith(_NO_TRAVEL)

    every: Sequence[Doubt] = tuple(c.facts.get("setup_doubts", ()))
    doubts = {d.interrupter: d for d in every if d.interrupter}
    poles = {d.pole: d for d in every if d.pole}
    kept = (_connected_otherwise(f, doubts, poles) for f in found if not rests_on_it(f))
    return [g for f in kept if (g := _doubted(f, faults, of)) is not None]


def _connected_otherwise(f: Finding, doubts: Mapping[str, Doubt], poles: Mapping[str, Doubt]) -> Finding:
    """A verdict between siblings as a note, where another way of connecting the test that may be explains it."""
    doubt = doubts.get(f.interrupters[0]) if len(f.interrupters) == 1 else None
    if f.code == "siblings.pole":
        doubt = poles.get(str(f.evidence.get("pole", "")))
    if doubt is None or not f.code.startswith("siblings.") or f.level == "note":
        return f
    said = (
        f" No verdict is drawn from it: {doubt.other.what} would explain it, nobody would then stand apart, and this "
        "record cannot exclude that."
    )
    return replace(
        f,
        level="note",
        subject="setup",
        message=f.message + said,
        advice=measure_again(f"{doubt.other.check} Then read the record again, or repeat the test."),
        evidence=f.evidence | {"explained_by": doubt.other.what, "would_be": dict(doubt.evidence)},
    )


def _doubted(f: Finding, faults: tuple[Fault, ...], of: Mapping[str, str]) -> Finding | None:
    """A finding that something lies within its uncertainty of a limit, as a note where a clock in doubt widens that."""
    timing = f.code.startswith("timing.pole") and f.level == "watch"
    column = str(f.evidence.get("column", ""))
    if not timing and not (f.code.startswith("limit.straddling.") and column.startswith(_OF_A_CLOCK)):
        return f
    about = str(f.evidence.get("mechanism", ""))
    # What names neither is about the whole breaker.
    mine = {*f.interrupters, *(n for n, m in of.items() if m == about)} or set(of)
    off = [s for s in faults if set(clocked_by(s)) & mine]
    shared = [s for s in off if mine <= set(clocked_by(s))]
    if not off or (timing and shared):
        return f
    if column.startswith("spread") and shared:
        return f if _still_near(f, column, shared[0]) else None
    doubt = " Their clock is in doubt by the skew found in this test: no verdict is drawn from it."
    return replace(f, level="note", subject="setup", message=f.message + doubt)


def _still_near(f: Finding, column: str, skew: Fault) -> bool:
    """Whether a spread lies within its uncertainty of a limit without that of the clock, which both ends share."""
    u = 0.5 * float(f.evidence[f"{column}_expanded_u"] or 0.0)
    alone = math.sqrt(max(u * u - 2.0 * clock_u_ms(skew) ** 2, 0.0))
    limit = Limit(min=f.evidence["limit_min"], max=f.evidence["limit_max"])
    return judge(float(f.evidence[column]), alone, limit) is not None
