"""Mechanisms against one another and against a reference: shifted instants, outliers, envelope, sensors."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from drm.breaker import ReferenceTravel
from drm.findings import Finding, Level
from drm.frames import rows_of
from drm.median import median, nanmedian
from drm.rules.cautions import look_at_mechanism, measure_again
from drm.rules.context import Context, joined
from drm.setup_fault import clocked_alone
from drm.shift import explain

if TYPE_CHECKING:
    import pandas as pd

    from drm.reference import Reference

__all__ = ["envelope", "mechanisms_apart", "resistors", "sensors", "shifted_instants"]

#: Healthy scatter between the mechanisms of one breaker, standard deviations: (absolute, share of the value); common
#: practice, no source.
HEALTHY: dict[str, tuple[float, float]] = {
    "motion_start_ms": (0.5, 0.0),
    "stroke_mm": (1.0, 0.01),
    "speed_m_s": (0.0, 0.025),
    "overtravel_mm": (0.7, 0.0),
    "rebound_mm": (0.7, 0.0),
    "damping_time_ms": (2.0, 0.05),
    "armature_stop_ms": (0.7, 0.0),
    "coil_plateau_a": (0.0, 0.04),
    "coil_resistance_ohm": (0.0, 0.04),
    "motor_running_a": (0.0, 0.06),
    "motor_duration_s": (0.0, 0.06),
}
#: A mechanism stands apart beyond so many standard deviations, and is worth a closer look beyond so many.
APART, FAR = 3.5, 6.0
#: The main contact counts as in its place where it is off by less than this share of what the arcing contact is.
MAIN_SHARE = 0.3
#: A resistor may lie this share off its stated value beyond its uncertainty; common practice, no source.
RESISTOR_SHARE = 0.10

_WHAT = {
    "slow latch": "the mechanism starts late and then runs like its siblings: coil, latch or its lubrication",
    "quick latch": "the mechanism starts early and then runs like its siblings",
    "slow mechanism": "it starts in time and runs slowly: stored energy, friction, damper or linkage",
    "fast mechanism": "it starts in time and runs fast: stored energy, damper or a loose linkage",
    "misadjusted contact": "the mechanism runs like its siblings and the contact parts or touches elsewhere in its "
    "travel: contact or linkage adjustment, or a worn contact",
    "arcing contact alone": "mechanism and main contact run like their siblings, the arcing contact parts or touches "
    "elsewhere in its travel: worn, short, long or missing",
    "several causes": "no part of the time carries the shift alone",
}


def _rows(frame: pd.DataFrame, scope: str) -> list[dict[str, Any]]:
    return [r for r in rows_of(frame) if r["scope"] == scope]


def shifted_instants(c: Context) -> Iterator[Finding]:
    """Contacts off their siblings' instant, with the part of the time that carries the shift."""
    timing = c.facts.get("timing")
    if timing is None or not len(timing):
        return
    of = {i.name: i.mechanism for i in c.breaker.interrupters}
    # What one interrupter's clock shifts is no shift of the mechanism that it shares.
    alone = clocked_alone(c.facts.get("setup_faults", ()), of)
    gathered: dict[tuple[str, str, str], list[tuple[int, float, float, dict[str, Any]]]] = {}
    rows = [r | {"mechanism": of.get(str(r["name"]), "")} for r in _rows(timing, "interrupter")]
    for number in sorted({int(r["operation"]) for r in rows}):
        mine = [r for r in rows if int(r["operation"]) == number]
        stops: dict[str, float] = {}
        if "armature_stop_ms" in c.mechanisms:
            at = c.mechanisms[c.mechanisms["operation"] == number]
            stops = {str(m): float(v) for m, v in zip(at["mechanism"], at["armature_stop_ms"], strict=True)}
        for e in explain(mine, number, armature_stop_ms=stops):
            if e.interrupter in alone:
                continue
            # What the mechanism does is one finding for all that it drives.
            who = of[e.interrupter] if "latch" in e.cause or e.cause.endswith("mechanism") else ""
            cause = e.cause
            if cause == "misadjusted contact" and _main_in_place(c, e.interrupter, number):
                cause = "arcing contact alone"
            key = (cause, who or e.interrupter, str(mine[0]["kind"]))
            gathered.setdefault(key, []).append((number, e.shift_ms.value, e.shift_ms.u, e.evidence))
    names_of: dict[str, tuple[str, ...]] = {}
    for name, mechanism in of.items():
        names_of[mechanism] = (*names_of.get(mechanism, ()), name)
    for (cause, who, kind), seen in sorted(gathered.items(), key=lambda k: k[0]):
        mechanical = "latch" in cause or cause.endswith("mechanism")
        worst = max(seen, key=lambda s: abs(s[1]))
        late = "late" if worst[1] > 0 else "early"
        label = f"mechanism {who}" if mechanical else who
        armature = worst[3].get("armature_stop_departure_ms", math.nan)
        coil = ""
        if "latch" in cause and math.isfinite(armature):
            share = armature / worst[3]["latch_ms_departure"]
            coil = (
                " The armature stops as late as that too: look at the coil and its supply first."
                if share > 0.6
                else " The armature stops in time: the latch itself is slow."
            )
        yield Finding(
            code=f"mechanism.{cause.replace(' ', '-')}",
            level="watch" if abs(worst[1]) < 3.0 else "inspect",
            subject="mechanism" if mechanical else "contact" if cause == "arcing contact alone" else "timing",
            message=f"{label} is {abs(worst[1]):.2f} ms {late} on {kind}: {cause}. In words: {_WHAT[cause]}.{coil}",
            basis="its siblings in the same operation; healthy scatter is common practice, no source",
            advice=look_at_mechanism(
                "Repeat the test; compare coil voltage, stored energy and the maker's times before adjusting."
            ),
            interrupters=names_of.get(who, ()) if mechanical else (who,),
            operations=tuple(sorted({s[0] for s in seen})),
            evidence={"cause": cause, "shift_ms": worst[1], "shift_expanded_u_ms": 2.0 * worst[2]} | worst[3],
        )


def _main_in_place(c: Context, interrupter: str, operation: int) -> bool:
    """Whether the main contact stands where its siblings' do although the arcing contact does not."""
    wanted = ("main_contact_mm", "arcing_contact_mm")
    if not len(c.features) or any(w not in c.features for w in wanted):
        return False
    rows = c.features[c.features["operation"] == operation]
    away = []
    for column in wanted:
        values = rows[column].to_numpy(dtype=float)
        mine = values[(rows["interrupter"] == interrupter).to_numpy(dtype=bool)]
        if mine.size != 1 or not math.isfinite(float(mine[0])):
            return False
        away.append(float(mine[0]) - nanmedian(values))
    return abs(away[0]) < MAIN_SHARE * abs(away[1])


def mechanisms_apart(c: Context) -> Iterator[Finding]:
    """Figures of one mechanism far from those of the others in the same operation; three are needed."""
    m = c.mechanisms
    if not len(m) or m["mechanism"].nunique() < 3:
        return
    numbers, mechanisms = m["operation"].to_numpy(), list(m["mechanism"])
    for column, (absolute, share) in HEALTHY.items():
        if column not in m or column in c.breaker.limits:
            continue
        found: dict[str, list[tuple[float, int, float, float]]] = {}
        every = m[column].to_numpy(dtype=float)
        every_u = m[f"{column}_u"].to_numpy(dtype=float) if f"{column}_u" in m else np.zeros_like(every)
        for number in np.unique(numbers[np.isfinite(every)]):
            good = np.flatnonzero((numbers == number) & np.isfinite(every))
            if good.size < 3:
                continue
            values = every[good]
            us = np.where(np.isnan(every_u[good]), 0.0, every_u[good])
            for k, name in enumerate(mechanisms[i] for i in good):
                others = np.delete(values, k)
                middle = median(others)
                spread = math.sqrt(absolute**2 + (share * middle) ** 2 + float(us[k]) ** 2)
                away = (float(values[k]) - middle) / spread
                # Of three, the odd one is off both others; the other two are off one another's middle.
                if abs(away) > APART and float(np.ptp(others)) < 0.4 * abs(float(values[k]) - middle):
                    found.setdefault(str(name), []).append((away, int(str(number)), float(values[k]), middle))
        for name, hits in sorted(found.items()):
            away, number, value, middle = max(hits, key=lambda h: abs(h[0]))
            level: Level = "inspect" if abs(away) > FAR else "watch"
            yield Finding(
                code=f"mechanism.apart.{column}",
                level=level,
                subject="mechanism",
                message=f"Mechanism {name}: {column} {value:.4g} where the others have {middle:.4g} "
                f"({abs(away):.1f} healthy standard deviations).",
                basis="the other mechanisms in the same operation; healthy scatter is common practice, no source",
                advice=look_at_mechanism("Repeat the test and compare with the maker's figures and an earlier test."),
                interrupters=tuple(i.name for i in c.breaker.interrupters if i.mechanism == name),
                operations=tuple(sorted({h[1] for h in hits})),
                evidence={"column": column, "mechanism": name, column: value, "others": middle, "distance": away},
            )


def envelope(c: Context) -> Iterator[Finding]:
    """Travel outside the envelope about the reference curve that the breaker file names, else the earlier test's."""
    bands = {m.name: m.reference_travel for m in c.breaker.mechanisms if m.reference_travel is not None}
    earlier: Reference | None = c.facts.get("reference")
    if (not bands and earlier is None) or "envelope_above_percent" not in c.mechanisms:
        return
    for row in rows_of(c.mechanisms):
        band = bands.get(str(row["mechanism"]))
        about, basis = "the reference curve", "reference curve in the breaker file"
        if band is None:
            if earlier is None:
                continue
            # Only its curve can have given a figure.
            band, about = ReferenceTravel(""), "the earlier test's curve"
            basis = f"travel curve of the earlier test {earlier.name}, since the breaker file names no reference curve"
        for side, most in (("above", band.above_percent), ("below", band.below_percent)):
            value, u = float(row[f"envelope_{side}_percent"]), float(row[f"envelope_{side}_percent_u"])
            if not math.isfinite(value) or value <= most - 2.0 * u or value == 0.0:
                continue
            outside = value > most + 2.0 * u
            if not outside and value <= most + u:
                continue
            yield Finding(
                code=f"mechanism.envelope-{side}",
                level="inspect" if outside else "watch",
                subject="mechanism",
                message=f"Mechanism {row['mechanism']}, operation {row['operation']} ({row['kind']}): travel lies "
                f"{value:.1f} % of the total travel {side} {about}, where {most:g} % is allowed"
                f"{'' if outside else ', nearer to it than its uncertainty'}.",
                basis=f"{basis}; IEC 62271-100, envelope 10 % of total travel (from memory)",
                advice=look_at_mechanism(
                    "See that the reference is of this breaker, at equal pressure, voltage and stored energy; repeat."
                ),
                interrupters=tuple(i.name for i in c.breaker.interrupters if i.mechanism == row["mechanism"]),
                operations=(int(row["operation"]),),
                evidence={"percent": value, "expanded_u_percent": 2.0 * u, "allowed_percent": most},
            )


def sensors(c: Context) -> Iterator[Finding]:
    """Travel that the sensor and not the mechanism made."""
    if "travel_flags" not in c.mechanisms:
        return
    gathered: dict[tuple[str, str], list[int]] = {}
    for flags, name, number in zip(*(c.mechanisms[n] for n in ("travel_flags", "mechanism", "operation")), strict=True):
        for flag in str(flags).split(";"):
            if flag:
                gathered.setdefault((str(name), flag), []).append(int(number))
    for (name, flag), numbers in sorted(gathered.items()):
        yield Finding(
            code="setup.travel-sensor",
            level="note",
            subject="setup",
            message=f"Travel of mechanism {name}: {flag}. Travel and speed of this operation are not to be relied on.",
            basis="a mechanism has mass: it neither stops dead and goes on as before, nor moves within one sample",
            advice=measure_again("Look at the sensor's coupling, its range and its cable, and repeat the test."),
            interrupters=tuple(i.name for i in c.breaker.interrupters if i.mechanism == name),
            operations=tuple(sorted(set(numbers))),
            evidence={"mechanism": name, "flag": flag},
        )


def resistors(c: Context) -> Iterator[Finding]:
    """Pre-insertion resistors against the value that the breaker file states."""
    timing = c.facts.get("timing")
    stated = {i.name: i.resistor_ohm for i in c.breaker.interrupters if i.resistor_ohm is not None}
    if timing is None or not stated:
        return
    closings = [r for r in _rows(timing, "interrupter") if r["kind"] == "close" and r["name"] in stated]
    off: dict[str, tuple[float, float, int]] = {}
    missing: dict[str, int] = {}
    for r in closings:
        value, u, nominal = float(r["resistor_ohm"]), float(r["resistor_ohm_u"]), float(stated[r["name"]] or math.nan)
        if math.isfinite(value):
            if abs(value - nominal) > RESISTOR_SHARE * nominal + 2.0 * u:
                off[str(r["name"])] = (value, u, int(r["operation"]))
        elif not math.isfinite(float(r["resistor_duration_ms"])):
            missing[str(r["name"])] = int(r["operation"])
    for name, (value, u, number) in sorted(off.items()):
        yield Finding(
            code="contact.resistor-value",
            level="inspect",
            subject="contact",
            message=f"{name}: pre-insertion resistor {value:.4g} ohm, stated {stated[name]:.4g} ohm.",
            basis="breaker file's value; 10 % beyond the uncertainty is common practice, no source",
            advice=measure_again("Measure the resistor by itself and compare with the maker's tolerance."),
            interrupters=(name,),
            operations=(number,),
            evidence={"resistor_ohm": value, "resistor_expanded_u_ohm": 2.0 * u, "stated_ohm": stated[name]},
        )
    if missing:
        names = sorted(missing)
        yield Finding(
            code="setup.resistor-not-seen",
            level="note",
            subject="setup",
            message=f"{joined(names)}: the breaker file states a pre-insertion resistor, but nothing in the record "
            "shows its insertion.",
            basis="the record itself",
            advice=measure_again("Record the resistor contact's state, or the voltage across the open gap on closing."),
            interrupters=tuple(names),
            operations=tuple(sorted(set(missing.values()))),
            evidence={"stated_ohm": {n: stated[n] for n in names}},
        )
