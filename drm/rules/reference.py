"""What changed since an earlier test of the same breaker."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from drm.findings import Finding, Level, Subject
from drm.reference import RESISTANCES, Change, Reference, evidence, family
from drm.reference_figures import Gap
from drm.reference_whole import Compared, compared
from drm.rules.context import Context, joined
from drm.rules.reference_words import ADVICE, SAY, WORDS
from drm.wording import figure, title_of, unit_of

__all__ = ["INSPECT_P", "WATCH_P", "since_then"]

WATCH_P, INSPECT_P = 0.05, 0.01
#: Figures told in a finding's sentence; its evidence has all of them.
_TOLD = 4
_CONTACT = ("wipe-shorter", "arcing-resistance-higher", "main-resistance-higher", "changed",
            "static-resistance-higher", "resistor")  # fmt: skip
_AT = {
    "coil": ", coil voltages alike where recorded, resistance and current at 20 °C where both ambients are stated",
    "motor": ", supply voltages alike where known",
    "static-resistance-higher": ", as measured and at 20 °C where both ambients are stated",
    "pick-up": ", voltages between which it lies",
}
_TABLES = {
    "mechanisms": "figures of the mechanism",
    "timing": "times",
    "static": "static resistance",
    "pick_up": "pick-up voltage",
    "motors": "charging run",
}


def since_then(c: Context) -> Iterator[Finding]:
    """One finding for each part and way in which it changed, and what could not be compared and why."""
    earlier: Reference | None = c.facts.get("reference")
    since: Compared | None = c.facts.get("since")
    if earlier is None:
        return
    if since is None:
        tables = {"mechanisms": c.mechanisms} | {k: c.facts.get(k) for k in ("timing", "static", "pick_up")}
        since = compared(c.features, tables, earlier, c.breaker)
    if since.other_breakers:
        yield _not(earlier, f"it is a result of another breaker, {joined(since.other_breakers)}", ())
        return
    groups: dict[tuple[str, str, str], list[Change]] = {}
    for change in since.changes:
        if change.p < WATCH_P:
            groups.setdefault((change.of, change.interrupter, _way(change)), []).append(change)
    for (of, name, way), items in sorted(groups.items()):
        yield _changed(c, of, name, way, items, earlier)
    by_reason: dict[str, list[str]] = {}
    for (name, kind), reason in since.reasons.items():
        by_reason.setdefault(reason, []).append(f"{name} on {kind}")
    for reason, names in sorted(by_reason.items()):
        yield _not(earlier, f"{joined(names)}: {reason}", tuple(sorted({n.split(" on ")[0] for n in names})))
    yield from _gaps(since.gaps, earlier)
    if since.changes:
        yield _compared(c, earlier, since.changes)


def _way(c: Change) -> str:
    if c.table == "features":
        return _way_of_contact(c)
    if c.table == "static":
        return "static-resistance-higher" if c.distance > 0 else "changed"
    if c.table == "timing":
        way = "timing" if c.of == "interrupter" else "times"
        return "resistor" if c.feature.startswith("resistor_") else way
    return family(c)


def _way_of_contact(c: Change) -> str:
    if c.feature.startswith("arcing_wipe"):
        return "wipe-shorter" if c.distance < 0 else "changed"
    if c.feature in ("arcing_resistance_uohm", "arcing_roughness_uohm"):
        return "arcing-resistance-higher" if c.distance > 0 else "changed"
    if c.feature == "main_resistance_uohm":
        return "main-resistance-higher" if c.distance > 0 else "changed"
    return "timing" if c.feature.endswith(("_ms", "_m_s")) else "changed"


def _told(c: Change) -> str:
    words, unit = WORDS.get(c.feature, (title_of(c.feature), unit_of(c.feature)))
    on = f" on {c.kind}{f' after {c.after}' if c.after else ''}" if c.kind in ("open", "close") else ""
    now, then, now_20, then_20 = (figure(x, digits=3) for x in (c.now, c.then, c.now_20, c.then_20))
    told = f"{words}{on} {now} {unit}, then {then} {unit}"
    if math.isfinite(c.now_20):
        told += f" (at 20 °C {now_20} and {then_20} {unit})"
    return told


def _changed(c: Context, of: str, name: str, way: str, items: list[Change], earlier: Reference) -> Finding:
    items = sorted(items, key=lambda i: i.p) if way not in _CONTACT else items
    p = min(i.p for i in items)
    level: Level = "inspect" if p < INSPECT_P and way != "changed" else "watch"
    subject: Subject = "contact" if way in _CONTACT else "timing" if way in ("timing", "times") else "mechanism"
    more = len(items) - _TOLD
    told = "; ".join(_told(i) for i in items[:_TOLD]) + (f"; and {more} more" if more > 0 else "")
    same = "same interrupter and kind of operation, comparable current" if of == "interrupter" else f"same {of}"
    same += "" if of == "interrupter" else ", kind of operation and place in the sequence"
    return Finding(
        code=f"reference.{way}",
        level=level,
        subject=subject,
        message=f"{f'Mechanism {name}' if of == 'mechanism' else f'Pole {name}' if of == 'pole' else name}: "
        f"{SAY[way]} ({told}).",
        basis=f"earlier test: {earlier.name}, {same}{_AT.get(way, '')}",
        advice=ADVICE[way],
        interrupters=_concerned(c, of, name),
        operations=tuple(sorted({n for i in items for n in i.operations})),
        evidence={"earlier_record": earlier.name, "p": p}
        | ({} if of == "interrupter" else {of: name})
        | {"changes": [dict(evidence(i)) for i in items]},
    )


def _concerned(c: Context, of: str, name: str) -> tuple[str, ...]:
    if of == "interrupter":
        return (name,)
    units = c.breaker.interrupters
    return tuple(i.name for i in units if of == "breaker" or name == (i.mechanism if of == "mechanism" else i.pole))


def _gaps(gaps: Iterable[Gap], earlier: Reference) -> Iterator[Finding]:
    """What else was not compared: by its reason, and in one line what only one of the two tests has."""
    by_reason: dict[str, set[str]] = {}
    once: set[str] = set()
    for g in gaps:
        what = _TABLES[g.table] if not g.column and g.table in _TABLES else title_of(g.column)
        if g.why.startswith(("not in", "in the earlier", "no value")):
            once.add(f"{what} of {g.name}" + (f" on {g.kind}" if g.kind in ("open", "close") else ""))
        else:
            by_reason.setdefault(f"{g.name}: {{}}: {g.why}", set()).add(what)
    for reason, columns in sorted(by_reason.items()):
        yield _not(earlier, reason.format(joined(sorted(columns))), ())
    if once:
        some = sorted(once)
        more = f" and {len(some) - 6} more" if len(some) > 6 else ""
        yield _not(earlier, f"only one of the two tests has {', '.join(some[:6])}{more}", ())


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
    many = sum(f.p < WATCH_P for f in found)
    contacts = [f for f in found if f.table == "features"]
    others = len(found) - len(contacts)
    ambient = (c.breaker.conditions.ambient_c, earlier.ambient_c)
    warm = (
        f" Ambient {ambient[0]:g} °C now, {ambient[1]:g} °C then: resistances are given raw and, for the bulk part, at "
        "20 °C; a change counts only as far as both show it."
        if ambient[0] is not None and ambient[1] is not None
        else " The ambient of one of the tests is not stated: resistances are compared as measured, with a share of "
        "uncertainty for it."
        if any(f.feature in (*RESISTANCES, "static_resistance_uohm", "coil_resistance_ohm") for f in found)
        else ""
    )
    return Finding(
        code="reference.compared",
        level="note",
        subject="setup",
        message=f"{len(contacts)} values of {len({f.interrupter for f in contacts})} interrupters"
        f"{f' and {others} figures of mechanisms and times' if others else ''} were compared with the earlier test "
        f"{earlier.name}; {many} changed beyond uncertainty and reproducibility. What was worn "
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
