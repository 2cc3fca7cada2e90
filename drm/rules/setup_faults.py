"""Faults of the test as findings: never a verdict on the breaker."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from drm.findings import Finding
from drm.rules.cautions import look_at_mechanism, measure_again
from drm.rules.context import Context, joined
from drm.setup_fault import Fault

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
    moved = {of[n] for n in travel if n in of}

    def rests_on_it(f: Finding) -> bool:
        if f.subject == "setup" or f.level == "note":
            return False
        column = str(f.evidence.get("column", ""))
        if f.code.startswith("mechanism.") and "cause" in f.evidence and set(f.interrupters) & (whole | travel):
            return True
        about = str(f.evidence.get("mechanism", ""))
        return about in moved and bool(column) and not column.startswith(_NO_TRAVEL)

    return [f for f in found if not rests_on_it(f)]
