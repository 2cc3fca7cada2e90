"""What changed since an earlier test of the same breaker."""

from __future__ import annotations

import math
from collections.abc import Iterator

from drm.findings import Finding, Level, Subject
from drm.reference import RESISTANCES, Change, Reference, changes, evidence
from drm.rules.cautions import inspect_inside, look_at_mechanism, measure_again
from drm.rules.context import Context, joined

__all__ = ["since_then"]

_WATCH_P, _INSPECT_P = 0.05, 0.01
_WORDS = {
    "main_resistance_uohm": ("main contact's resistance", "µΩ"),
    "arcing_resistance_uohm": ("arcing contact's resistance", "µΩ"),
    "arcing_roughness_uohm": ("roughness of the arcing contact's resistance", "µΩ"),
    "arcing_wipe_mm": ("arcing wipe", "mm"),
    "arcing_wipe_ms": ("arcing wipe in time", "ms"),
    "main_contact_mm": ("position of the main contact's instant", "mm"),
    "arcing_contact_mm": ("position of the arcing contact's instant", "mm"),
    "main_contact_ms": ("main contact's instant", "ms"),
    "arcing_contact_ms": ("arcing contact's instant", "ms"),
    "parting_speed_m_s": ("speed at the arcing contact's instant", "m/s"),
}
_SAY = {
    "wipe-shorter": "the arcing wipe is shorter than in the earlier test",
    "arcing-resistance-higher": "the arcing contact is higher or rougher in resistance than in the earlier test",
    "main-resistance-higher": "the main contact is higher in resistance than in the earlier test",
    "timing": "instants or speed are not those of the earlier test",
    "changed": "readings are not those of the earlier test",
}
_ADVICE = {
    "wipe-shorter": inspect_inside(
        "What else could explain it: another travel sensor, scale or linkage than then, a main contact that now parts "
        "later. Check next: repeat the test at the same current and see the sensor's scale; then look at the arcing "
        "contact."
    ),
    "arcing-resistance-higher": inspect_inside(
        "What else could explain it: film or fluoride powder that some operations wear off, higher speed, another "
        "current. Check next: repeat the test after a few operations at the same current, slowly if the mechanism "
        "allows it."
    ),
    "main-resistance-higher": measure_again(
        "What else could explain it: clamps placed elsewhere so that a joint lies between them, temperature, film on "
        "silver after long rest, an earth at one end only then and at both now. Check next: the static resistance at "
        "100 A or more with the clamps where they were then."
    ),
    "timing": look_at_mechanism(
        "What else could explain it: another control voltage, stored energy, gas density or temperature than then, a "
        "recorder with another reference. Check next: repeat the test at the same control voltage and energy, and "
        "compare the mechanism's own figures."
    ),
    "changed": measure_again(
        "What else could explain it: leads, scales or channels connected otherwise than then. Check next: compare both "
        "tests' set-up and repeat the test."
    ),
}


def since_then(c: Context) -> Iterator[Finding]:
    """One finding for each interrupter and way in which it changed, and what could not be compared and why."""
    earlier: Reference | None = c.facts.get("reference")
    if earlier is None:
        return
    named = {str(b) for b in earlier.features["breaker"]} if "breaker" in earlier.features else set()
    if named and c.breaker.name not in named:
        yield _not(earlier, f"it is a result of another breaker, {joined(sorted(named))}", ())
        return
    found, reasons = changes(c.features, earlier, c.breaker)
    groups: dict[tuple[str, str], list[Change]] = {}
    for change in found:
        if change.p < _WATCH_P:
            groups.setdefault((change.interrupter, _way(change)), []).append(change)
    for (name, way), items in sorted(groups.items()):
        yield _changed(name, way, items, earlier)
    by_reason: dict[str, list[str]] = {}
    for (name, kind), reason in reasons.items():
        by_reason.setdefault(reason, []).append(f"{name} ({kind})")
    for reason, who in by_reason.items():
        yield _not(earlier, f"{joined(who)}: {reason}", tuple(sorted({w.split(" (")[0] for w in who})))
    if found:
        yield _compared(c, earlier, found)


def _way(c: Change) -> str:
    if c.feature.startswith("arcing_wipe"):
        return "wipe-shorter" if c.distance < 0 else "changed"
    if c.feature in ("arcing_resistance_uohm", "arcing_roughness_uohm"):
        return "arcing-resistance-higher" if c.distance > 0 else "changed"
    if c.feature == "main_resistance_uohm":
        return "main-resistance-higher" if c.distance > 0 else "changed"
    return "timing" if c.feature.endswith(("_ms", "_m_s")) else "changed"


def _told(c: Change) -> str:
    words, unit = _WORDS[c.feature]
    told = f"{words} on {c.kind} {c.now:.3g} {unit}, then {c.then:.3g} {unit}"
    if math.isfinite(c.now_20):
        told += f" (at 20 °C {c.now_20:.3g} and {c.then_20:.3g} {unit})"
    return told


def _changed(name: str, way: str, items: list[Change], earlier: Reference) -> Finding:
    p = min(i.p for i in items)
    level: Level = "inspect" if p < _INSPECT_P and way != "changed" else "watch"
    subject: Subject = "timing" if way == "timing" else "contact"
    return Finding(
        code=f"reference.{way}",
        level=level,
        subject=subject,
        message=f"{name}: {_SAY[way]} ({'; '.join(_told(i) for i in items)}).",
        basis=f"earlier test: {earlier.name}, same interrupter and kind of operation, comparable current",
        advice=_ADVICE[way],
        interrupters=(name,),
        operations=tuple(sorted({n for i in items for n in i.operations})),
        evidence={"earlier_record": earlier.name, "p": p, "changes": [dict(evidence(i)) for i in items]},
    )


def _not(earlier: Reference, why: str, who: tuple[str, ...]) -> Finding:
    return Finding(
        code="reference.not-comparable",
        level="note",
        subject="setup",
        message=f"Not compared with the earlier test {earlier.name}: {why}.",
        basis=f"earlier test: {earlier.name}",
        advice="Compare tests of the same breaker at the same current, speed and reference instant only; repeat the "
        "test as the earlier one was made, or give another earlier result.",
        interrupters=who,
        evidence={"earlier_record": earlier.name},
    )


def _compared(c: Context, earlier: Reference, found: tuple[Change, ...]) -> Finding:
    many = sum(f.p < _WATCH_P for f in found)
    ambient = (c.breaker.conditions.ambient_c, earlier.ambient_c)
    warm = (
        f" Ambient {ambient[0]:g} °C now, {ambient[1]:g} °C then: resistances are given raw and, for the bulk part, at "
        "20 °C; a change counts only as far as both show it."
        if ambient[0] is not None and ambient[1] is not None
        else " The ambient of one of the tests is not stated: resistances are compared as measured, with a share of "
        "uncertainty for it."
        if any(f.feature in RESISTANCES for f in found)
        else ""
    )
    return Finding(
        code="reference.compared",
        level="note",
        subject="setup",
        message=f"{len(found)} values of {len({f.interrupter for f in found})} interrupters were compared with the "
        f"earlier test {earlier.name}; {many} changed beyond uncertainty and reproducibility. What was worn "
        f"already then, this comparison does not show.{warm}",
        basis=f"earlier test: {earlier.name}; reproducibility from test to test is common practice, no source",
        advice="Compare with the maker's limits as well, and with the first test after commissioning or overhaul.",
        evidence={
            "earlier_record": earlier.name,
            "values_compared": len(found),
            "values_changed": many,
            "ambient_now_c": ambient[0],
            "ambient_then_c": ambient[1],
        },
    )
