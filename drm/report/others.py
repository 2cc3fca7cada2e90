"""What else could explain a finding: a reader should be able to doubt it before acting on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drm.findings import Finding

_BY_SUBJECT = {
    "contact": (
        "a film or powder on the contacts, which a few operations can change",
        "a lead or clamp on the wrong side of a joint, so that the joint is measured with the contact",
        "a travel sensor that slips or is scaled wrongly, which moves every interrupter of the same mechanism alike",
    ),
    "timing": (
        "a coil supply that differs from one mechanism or operation to the next",
        "a reference instant that was found late or early: all interrupters of one mechanism then shift alike",
        "friction or temperature of the mechanism rather than the contacts",
    ),
    "mechanism": (
        "a travel sensor that slips, sticks or is scaled wrongly",
        "a coil or motor supply outside its usual range",
        "the stretch since the last operation: a first operation after long rest is often slower",
    ),
    "setup": ("a fault in the breaker that looks like a poor connection: repeat the test before ruling it out",),
}


def alternatives(finding: Finding) -> tuple[str, ...]:
    """Other explanations worth ruling out, by the finding's subject (common practice, no source)."""
    return _BY_SUBJECT.get(finding.subject, ())
