"""Interrupters, poles and places that stand apart from their siblings."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from drm.findings import Finding, Level
from drm.rules.cautions import inspect_inside, look_at_mechanism, measure_again
from drm.rules.context import Context, joined
from drm.siblings import Contribution, Shift
from drm.wording import figure

__all__ = ["interrupters_apart", "shifts"]

# One healthy breaker in twenty has a finding, one in two hundred one at `inspect` (benchmarks/siblings.py).
_WATCH_P, _INSPECT_P = 0.05, 0.005
# Below this many healthy standard deviations a wipe counts as unchanged.
_UNCHANGED_SD = 2.0

_WORDS = {
    "main_resistance_uohm": ("resistance of the main contact", "µΩ"),
    "arcing_resistance_uohm": ("resistance of the arcing contact", "µΩ"),
    "arcing_roughness_uohm": ("roughness of the arcing contact's resistance", "µΩ"),
    "arcing_resistance_peak_uohm": ("greatest resistance of the arcing contact", "µΩ"),
    "arcing_area_uohm_mm": ("resistance over travel of the arcing contact", "µΩ mm"),
    "commutation_ms": ("duration of the commutation", "ms"),
    "parting_speed_m_s": ("speed at the arcing contact's instant", "m/s"),
    "arcing_wipe_mm": ("arcing wipe", "mm"),
    "arcing_wipe_ms": ("arcing wipe in time", "ms"),
    "main_contact_mm": ("position of the main contact's instant", "mm"),
    "arcing_contact_mm": ("position of the arcing contact's instant", "mm"),
    "main_contact_ms": ("main contact's instant", "ms"),
    "arcing_contact_ms": ("arcing contact's instant", "ms"),
}
_MAIN = ("main_contact_mm", "main_contact_ms")
_ARCING = ("arcing_contact_mm", "arcing_contact_ms")
_WIPE = ("arcing_wipe_mm", "arcing_wipe_ms")
_ROUGH = ("arcing_resistance_uohm", "arcing_roughness_uohm", "arcing_resistance_peak_uohm")
_AREA = "arcing_area_uohm_mm"
_SPEED = "parting_speed_m_s"

_ADVICE = {
    "wipe-short": inspect_inside(
        "Repeat the test at the same current to see whether it holds; compare with the maker's wipe and with earlier "
        "tests; then look at the arcing contact. A travel sensor or linkage that reads differently for this "
        "interrupter, or a main contact that parts late, gives the same figure."
    ),
    "wipe-long": look_at_mechanism(
        "Repeat the test; check that the travel belongs to this interrupter and its scale, and look whether the main "
        "contact parts early (worn or set back main contact) or the arcing contact late."
    ),
    "arcing-resistance": inspect_inside(
        "Repeat the test, at a higher current where the source allows, and compare at equal current only. Film or "
        "fluoride powder, a softened or eroded arcing contact, little contact force, and high speed (momentary "
        "part-separation) all raise or roughen it; a slow opening helps to tell them apart."
    ),
    "main-resistance": measure_again(
        "Repeat the static resistance at 100 A or more after a few operations, with the voltage leads inside the "
        "current leads; a bolted joint within the leads, film on silver, temperature and a parallel earth all change "
        "it. Compare with the maker's value."
    ),
    "linkage": look_at_mechanism(
        "Check the adjustment and play of the linkage between the travel sensor and this interrupter, and the "
        "sensor's zero; a reading taken from another mechanism's travel gives the same picture."
    ),
    "other": measure_again(
        "Repeat the test and check connections, channel assignment and scaling of this interrupter first; a parallel "
        "path or a lead on the wrong side of a joint lowers a resistance."
    ),
}
_SAY = {
    "wipe-short": "short arcing wipe compared with its siblings",
    "wipe-long": "long arcing wipe compared with its siblings",
    "arcing-resistance": "arcing contact higher or rougher in resistance than its siblings",
    "main-resistance": "main contact higher in resistance than its siblings",
    "linkage": "main and arcing contact shifted together, wipe unchanged: a misadjusted linkage rather than a contact",
    "other": "differs from its siblings",
}


def interrupters_apart(c: Context) -> Iterator[Finding]:
    """One finding per interrupter and way of differing; p < 0.05 watch, p < 0.005 inspect."""
    for name in sorted(c.comparison.contributions):
        items = c.comparison.contributions[name]
        groups: dict[str, list[Contribution]] = {}
        for item in items:
            if item.p < _WATCH_P:
                groups.setdefault(_way(item, items), []).append(item)
        # Positions that differ because the wipe does are evidence for the wipe, not findings of their own.
        wipe = next((w for w in ("wipe-short", "wipe-long") if w in groups), None)
        if wipe and "position" in groups:
            groups[wipe] += groups.pop("position")
        if "position" in groups:
            groups.setdefault("other", []).extend(groups.pop("position"))
        # Resistance over travel follows from the wipe and the resistance.
        if "area" in groups:
            of = wipe or ("arcing-resistance" if "arcing-resistance" in groups else "other")
            groups.setdefault(of, []).extend(groups.pop("area"))
        for way in sorted(groups):
            yield _apart(name, way, groups[way], c.comparison.scale)
        if not groups:
            yield from _otherwise(c, name)
    if c.comparison.unjudged:
        yield _ranked(c)


def _way(item: Contribution, items: tuple[Contribution, ...]) -> str:
    """Which way of differing a contribution speaks for."""
    if item.feature in _WIPE:
        return "wipe-short" if item.score < 0 else "wipe-long"
    if item.feature in _ROUGH and item.score > 0:
        return "arcing-resistance"
    if item.feature == "main_resistance_uohm" and item.score > 0:
        return "main-resistance"
    if item.feature == _AREA:
        return "area"
    if item.feature in _MAIN + _ARCING:
        return "linkage" if _together(item, items) else "position"
    return "other"


def _together(item: Contribution, items: tuple[Contribution, ...]) -> bool:
    """Main and arcing contact moved the same way by much the same, in this kind, the wipe unchanged."""
    other = _ARCING if item.feature in _MAIN else _MAIN
    mates = [i for i in items if i.kind == item.kind and i.feature in other and i.feature[-2:] == item.feature[-2:]]
    wipes = [i for i in items if i.kind == item.kind and i.feature in _WIPE]
    moved = any(m.score * item.score > 0 and abs(m.deviation) > 0.5 * abs(item.deviation) for m in mates)
    still = all(abs(w.score) < _UNCHANGED_SD or abs(w.deviation) < 0.25 * abs(item.deviation) for w in wipes)
    return moved and bool(wipes) and still


def _level(p: float) -> Level:
    return "inspect" if p < _INSPECT_P else "watch"


def _apart(name: str, way: str, items: list[Contribution], scale: str) -> Finding:
    p, most = min(i.p for i in items), max(items, key=lambda i: abs(i.score))
    level: Level = "watch" if way == "other" else _level(p)
    told = "; ".join(dict.fromkeys(_told(i) for i in items))
    few = " Few siblings: the judgement rests mostly on the healthy scatter assumed." if most.siblings < 6 else ""
    return Finding(
        code=f"siblings.{way}",
        level=level,
        subject="mechanism" if way == "linkage" else "contact",
        message=f"{name}: {_SAY[way]} ({told}).{few}",
        basis=f"siblings: {most.siblings} interrupters of this breaker, {scale}",
        advice=_ADVICE[way],
        interrupters=(name,),
        operations=tuple(sorted({n for i in items for n in i.operations})),
        evidence={
            "sibling_p": p,
            "sibling_score_sd": abs(most.score),
            "contributions": [evidence(i) for i in items],
        },
    )


def _told(i: Contribution) -> str:
    words, unit = _WORDS.get(i.feature, (i.feature, ""))
    away = f"{abs(i.score):.1f} sd {i.direction}"
    value, expected = (figure(x, digits=3) for x in (i.value, i.expected))
    return f"{words} on {i.kind} {value} {unit} where {expected} is expected, {away}"


def evidence(i: Contribution) -> dict[str, Any]:
    """A contribution as numbers; the unit of value, expected and deviation ends the feature's name."""
    return {
        "feature": i.feature,
        "kind": i.kind,
        "value": i.value,
        "expected": i.expected,
        "deviation": i.deviation,
        "ratio": None if math.isnan(i.ratio) else i.ratio,
        "score_sd": i.score,
        "direction": i.direction,
        "p": i.p,
    }


def _otherwise(c: Context, name: str) -> Iterator[Finding]:
    """An interrupter that no single feature names: off in a combination, or in the shape of its curve."""
    joint = c.comparison.joint.get(name)
    shapes = [d for d in c.comparison.curves if d.interrupter == name and d.p < _WATCH_P]
    if joint is not None and joint.p < _WATCH_P:
        first = " and ".join(_WORDS.get(f, (f, ""))[0] for f, _ in joint.features[:2])
        yield Finding(
            code="siblings.together",
            level="watch",
            subject="contact",
            message=f"{name}: no single figure stands apart, but all together do, most by {first}.",
            basis=f"siblings: all features together, {c.comparison.scale}",
            advice=_ADVICE["other"],
            interrupters=(name,),
            operations=tuple(sorted({n for i in c.comparison.contributions[name] for n in i.operations})),
            evidence={"sibling_p": joint.p, "sibling_score_sd": joint.score, "parts": dict(joint.features)},
        )
    if shapes:
        d = shapes[0]
        where = f"from {d.start:.3g} to {d.end:.3g} {d.unit}" + (
            ", one half against the other" if d.form == "trend" else ""
        )
        yield Finding(
            code="siblings.shape",
            level=_level(d.p),
            subject="contact",
            message=f"{name}: the curve of resistance in the {d.zone} contact's zone has another shape than its "
            f"siblings' on {d.kind}: x {d.ratio:.2f} {where} ({abs(d.score):.1f} sd).",
            basis=f"siblings: {d.siblings} curves of this breaker, {c.comparison.scale}",
            advice=_ADVICE["arcing-resistance" if d.zone == "arcing" else "main-resistance"],
            interrupters=(name,),
            operations=d.operations,
            evidence={
                "sibling_p": d.p,
                "sibling_score_sd": abs(d.score),
                "zone": d.zone,
                "kind": d.kind,
                f"start_{d.unit}": d.start,
                f"end_{d.unit}": d.end,
                "ratio": d.ratio,
            },
        )


def _ranked(c: Context) -> Finding:
    """Too few siblings and no scale: the order is given, a judgement is not."""
    first = sorted(c.comparison.contributions, key=lambda n: -abs(c.comparison.contributions[n][0].score))
    return Finding(
        code="siblings.ranked-only",
        level="note",
        subject="setup",
        message=f"{c.comparison.unjudged}. Furthest from the others first: {joined(first)}.",
        basis="siblings",
        advice="Give the healthy scatter of this type in a population file, or compare with an earlier test.",
        evidence={"order": first},
    )


def shifts(c: Context) -> Iterator[Finding]:
    """Poles that differ as a whole, and places along the poles that do (a note: by design more often than not)."""
    groups: dict[tuple[str, str], list[Shift]] = {}
    for s in c.comparison.shifts:
        groups.setdefault((s.what, s.name), []).append(s)
    for (what, name), items in groups.items():
        p = min(s.p for s in items)
        told = "; ".join(_shift_told(s) for s in items)
        pole = what == "pole"
        mechanical = all(s.feature in (*_MAIN, *_ARCING, _SPEED) for s in items)
        members = tuple(sorted({n for s in items for n in s.interrupters}))
        level: Level = _level(p) if pole else "note"
        yield Finding(
            code=f"siblings.{what}",
            level=level,
            subject="mechanism" if mechanical else "contact",
            message=f"{what} {name} differs as a whole from the others, all of {joined(list(members))} alike: {told}.",
            basis=f"siblings: the poles of this breaker, {c.comparison.scale}",
            advice=look_at_mechanism(
                "Look first for what the interrupters of this group have in common: mechanism, linkage, travel sensor "
                "and its scale, injection current, leads; then compare with earlier tests and the maker's values."
            ),
            # The group is the subject: none of its interrupters is named as the odd one.
            evidence={
                "sibling_p": p,
                what: name,
                "shifts": [
                    {
                        "feature": s.feature,
                        "kind": s.kind,
                        "ratio" if s.log else "shift": s.amount,
                        "score_sd": s.score,
                        "p": s.p,
                    }
                    for s in items
                ],
            },
        )


def _shift_told(s: Shift) -> str:
    words, unit = _WORDS.get(s.feature, (s.feature, ""))
    amount = f"x {s.amount:.2f}" if s.log else f"{s.amount:+.2f} {unit}"
    return f"{words} on {s.kind} {amount} ({abs(s.score):.1f} sd)"
