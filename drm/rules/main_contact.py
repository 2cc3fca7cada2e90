"""Main contacts that do not part or touch all at once, and contacts that bounce."""

from __future__ import annotations

import math
from collections.abc import Iterator
from statistics import median

import numpy as np

from drm.findings import Finding, Level
from drm.rules.cautions import inspect_inside, look_at_mechanism
from drm.rules.context import Context, trusted

__all__ = ["bounce", "uneven"]

#: A commutation is drawn out when it takes so many times its siblings', on opening and on closing alike, and so much
#: more, mm of travel; far when so many times. Of healthy simulated contacts one kind alone may reach twice by chance,
#: both together not 1.3 times. Where only one kind was recorded it takes more. Common practice, no source.
BOTH, BOTH_MORE_MM, FAR = 1.6, 0.8, 2.5
ALONE, ALONE_MORE_MM = 3.0, 3.0
#: And by so many of its standard uncertainties: what noise or a coarse trace leaves unknown draws nothing out.
SURE = 3.0
#: mm in a millisecond where the speed is not known: rated speeds are some metres a second.
PACE_MM_MS = 4.0
#: Bounce longer than this, ms, or than so many times the siblings', is worth following: common practice, no source.
LONG_MS, TIMES = 5.0, 3.0


def uneven(c: Context) -> Iterator[Finding]:
    """Commutation drawn out against the siblings': fingers that leave or meet one after another."""
    rows = trusted(c.features, "commutation_ms")
    if rows.empty or rows["interrupter"].nunique() < 3:
        return
    paced = "parting_speed_m_s" in rows and bool(np.isfinite(rows["parting_speed_m_s"]).all())
    # In mm, so that a slower mechanism does not draw it out.
    pace = rows["parting_speed_m_s"] if paced else PACE_MM_MS
    rows = rows.assign(length=rows["commutation_ms"] * pace, spread=rows["commutation_ms_u"] * pace)
    # A handful of rows: plain lists are quicker than a frame's groups.
    lengths: dict[str, dict[str, list[float]]] = {}
    spreads: dict[tuple[str, str], list[float]] = {}
    columns = ("interrupter", "kind", "length", "spread")
    for name, kind, value, u in zip(*(rows[c] for c in columns), strict=True):
        lengths.setdefault(str(kind), {}).setdefault(str(name), []).append(float(value))
        spreads.setdefault((str(name), str(kind)), []).append(float(u))
    found: dict[str, list[tuple[float, float, float, str]]] = {}
    for kind, mine in sorted(lengths.items()):
        each = {name: median(values) for name, values in mine.items()}
        for name, value in each.items():
            others = [v for n, v in each.items() if n != name]
            if len(others) >= 2:
                usual = median(others)
                found.setdefault(name, []).append((value / usual, value, usual, kind))
    for name, hits in sorted(found.items()):
        ratio, value, usual, kind = min(hits)
        times, more = (BOTH, BOTH_MORE_MM) if len(hits) > 1 else (ALONE, ALONE_MORE_MM)
        more = max(more, SURE * median(spreads[name, kind]))
        if not (ratio > times and value - usual > more):
            continue
        level: Level = "inspect" if ratio > FAR and len(hits) > 1 else "watch"
        yield Finding(
            code="main.uneven",
            level=level,
            subject="contact",
            message=f"{name}: the current leaves or reaches the main contact over {value:.2g} mm of travel on {kind}, "
            f"its siblings' over {usual:.2g} mm: an uneven or partly engaged main contact, whose fingers part or touch "
            "one by one.",
            basis="siblings: travel of the commutation in the same record; common practice, no source",
            advice=inspect_inside(
                "What else could explain it: film that gives way gradually, a resistance of the arcing contact that "
                "rises slowly, filters of the recorder, a lower speed. Check next: the static resistance of the main "
                "contact, the test again slowly, and the position at which the main contact parts."
            ),
            interrupters=(name,),
            operations=tuple(sorted({int(n) for n in rows.loc[rows["interrupter"] == name, "operation"]})),
            evidence={"commutation_mm": value, "siblings_commutation_mm": usual, "ratio": ratio, "kinds": len(hits)},
        )


def bounce(c: Context) -> Iterator[Finding]:
    """Contacts that go on losing touch after the first on closing, longer than usual or than their siblings."""
    timing = c.facts.get("timing")
    if timing is None or not len(timing) or "bounce_ms" not in timing:
        return
    rows = timing[(timing["scope"] == "interrupter") & np.isfinite(timing["bounce_ms"].to_numpy(dtype=float))]
    if "kind" in rows:
        rows = rows[rows["kind"] == "close"]
    for number, mine in rows.groupby("operation", sort=True):
        values = {str(n): float(v) for n, v in zip(mine["name"], mine["bounce_ms"], strict=True)}
        for name, value in sorted(values.items()):
            others = [v for n, v in values.items() if n != name]
            usual = float(np.median(others)) if len(others) >= 2 else math.nan
            apart = math.isfinite(usual) and value > 2.0 and value > TIMES * max(usual, 0.5)
            if not (value > LONG_MS or apart):
                continue
            yield Finding(
                code="timing.bounce",
                level="watch",
                subject="timing",
                message=f"{name}: the contact bounces for {value:.2g} ms after its first touch in operation {number}"
                + (f", its siblings for {usual:.2g} ms." if math.isfinite(usual) else "."),
                basis="common practice, no source: some milliseconds of bounce are usual; siblings in the same record",
                advice=look_at_mechanism(
                    "What else could explain it: a clamp that loses touch with the shock, another interrupter in "
                    "series that bounces. Check next: the clamps, the closing again; then closing speed, damping and "
                    "contact force against the maker's figures."
                ),
                interrupters=(name,),
                operations=(int(str(number)),),
                evidence={"bounce_ms": value, "siblings_bounce_ms": usual if math.isfinite(usual) else None},
            )
