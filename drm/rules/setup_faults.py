"""Faults of the test as findings: never a verdict on the breaker."""

from __future__ import annotations

from collections.abc import Iterator

from drm.findings import Finding
from drm.rules.cautions import look_at_mechanism, measure_again
from drm.rules.context import Context, joined
from drm.setup_fault import Fault

__all__ = ["setup_faults"]

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
