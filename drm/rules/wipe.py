"""An arcing contact that never carries the current alone, or that may not."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from drm.findings import Finding
from drm.rules.cautions import inspect_inside
from drm.rules.context import Context
from drm.siblings_use import COARSE_WIPE, LEAST_A, MAIN_ALONE, NO_ARCING, NO_TRAVEL, reasons, usable

__all__ = ["doubtful_wipe", "no_wipe", "only_the_order_is_doubtful", "only_the_zone_is_missing"]

# Where the uncertainty is larger than these, a wipe within it says that the trace is poor, not that the wipe is.
_LARGEST = {"arcing_wipe_mm": 2.0, "arcing_wipe_ms": 0.5}


def only_the_zone_is_missing(quality: object) -> bool:
    """Nothing but the missing arcing zone (and perhaps travel) is wrong with a row: nothing cut its zone short."""
    why = reasons(quality)
    if any(r.startswith(NO_ARCING) for r in why):
        # What little is read of a wipe is as uncertain as it may be.
        why = tuple(r for r in why if not r.startswith(COARSE_WIPE))
    return all(r.startswith((NO_ARCING, NO_TRAVEL)) for r in why)


def only_the_order_is_doubtful(quality: object) -> bool:
    """A low level beside the parting, and nothing else that could explain it."""
    why = reasons(quality)
    only = all(r.startswith((MAIN_ALONE, NO_TRAVEL, COARSE_WIPE)) for r in why)
    return only and any(r.startswith(MAIN_ALONE) for r in why)


def no_wipe(c: Context) -> Iterator[Finding]:
    """Hold where the wipe is at most its expanded uncertainty (k = 2), or no arcing zone is seen."""
    rows = c.features
    texts = list(rows["quality"]) if "quality" in rows else [""] * len(rows)
    found = np.array([any(r.startswith(NO_ARCING) for r in reasons(q)) for q in texts], dtype=np.bool_)
    for column, largest in _LARGEST.items():
        if column in rows:
            wide = 2.0 * np.asarray(rows[column + "_u"].fillna(0.0) if column + "_u" in rows else 0.0 * rows[column])
            value = np.asarray(rows[column], dtype=np.float64)
            found |= (value <= 0.0) | ((value <= wide) & (wide <= largest))
    found &= np.array([only_the_zone_is_missing(q) for q in texts], dtype=np.bool_)
    if "current_a" in rows:
        found &= ~np.asarray(rows["current_a"].abs() < LEAST_A, dtype=np.bool_)
    hit = rows[found]
    if hit.empty:
        return
    for name, mine in hit.groupby("interrupter", sort=True):
        values = {k: [float(v) for v in mine[k].dropna()] for k in _LARGEST if k in mine}
        yield Finding(
            code="wipe.none",
            level="hold",
            subject="contact",
            message=f"{name}: the current never rests on the arcing contact; the arcing wipe is at most the "
            "resolution. Reversed order, missing and burnt-off arcing contact cannot be told apart from the trace "
            "alone.",
            basis="physics: the arcing contact must part last and touch first, else the main contact burns",
            advice=inspect_inside(
                "Have a qualified person look before any return to service. First rule out the test: right channel, "
                "current high enough, voltage leads across this interrupter only; repeat slowly if the mechanism "
                "allows it; then look at the arcing contact."
            ),
            interrupters=(str(name),),
            operations=tuple(sorted({int(n) for n in mine["operation"]})),
            evidence=values,
        )


def doubtful_wipe(c: Context) -> Iterator[Finding]:
    """A short zone on a low level: a worn contact's, or the main contact's after the arcing contact has parted."""
    rows = c.features
    if "quality" not in rows:
        return
    found = [only_the_order_is_doubtful(q) for q in rows["quality"]]
    hit, others = rows[found], rows[usable(rows, "arcing_resistance_uohm")]
    for name, mine in hit.groupby("interrupter", sort=True):
        seen = float(mine["arcing_resistance_uohm"].median())
        closed = float(mine["main_resistance_uohm"].median())
        column = "arcing_wipe_mm" if "arcing_wipe_mm" in mine else "arcing_wipe_ms"
        told = ""
        siblings = float(others["arcing_resistance_uohm"].median()) if len(others) else math.nan
        if siblings > 2.0 * closed:
            # Closed, both are in parallel.
            alone = 1.0 / (1.0 / closed - 1.0 / siblings)
            told = (
                f" With an arcing contact like its siblings' ({siblings:.3g} µΩ) the main contact alone would read "
                f"{alone:.3g} µΩ."
            )
        yield Finding(
            code="wipe.doubtful",
            level="inspect",
            subject="contact",
            message=f"{name}: beside the parting the resistance is {seen:.3g} µΩ, less than twice the closed contact's "
            f"{closed:.3g} µΩ: either a short arcing zone on a contact of low resistance, or an arcing contact that "
            f"parts first and leaves the main contact alone (reversed order).{told} The trace alone cannot tell.",
            basis="physics: closed contacts are in parallel, and the arcing contact must part last and touch first, "
            "else the main contact burns",
            advice=inspect_inside(
                "Have a qualified person look before any return to service. First rule out the test: right channel, "
                "current high enough, voltage leads across this interrupter only; repeat slowly if the mechanism "
                "allows it; then look at the order of the contacts."
            ),
            interrupters=(str(name),),
            operations=tuple(sorted({int(n) for n in mine["operation"]})),
            evidence={
                column: [float(v) for v in mine[column].dropna()],
                "arcing_resistance_uohm": seen,
                "main_resistance_uohm": closed,
            },
        )
