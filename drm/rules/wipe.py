"""An arcing contact that never carries the current alone, or that may not."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Limit
from drm.findings import Finding
from drm.rules.cautions import inspect_inside
from drm.rules.context import Context
from drm.rules.limits import judge
from drm.siblings_use import COARSE_WIPE, LEAST_A, MAIN_ALONE, NO_ARCING, NO_TRAVEL, reasons, usable

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["doubtful_wipe", "no_wipe", "only_the_order_is_doubtful", "only_the_zone_is_missing"]

_BASIS = "the arcing contact must part last and touch first, else the main contact burns"
# Where the uncertainty is larger than these, a wipe within it says that the trace is poor, not that the wipe is.
_LARGEST = {"arcing_wipe_mm": 2.0, "arcing_wipe_ms": 0.5}
# Evidence of a doubtful wipe.
_TOLD = ("arcing_wipe_mm", "arcing_wipe_ms", "arcing_resistance_uohm", "main_resistance_uohm")


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
    found &= _enough_current(rows)
    hit = rows[found]
    if hit.empty:
        return
    for name, mine in hit.groupby("interrupter", sort=True):
        values = {k: [float(v) for v in mine[k].dropna()] for k in _LARGEST if k in mine}
        yield Finding(
            code="wipe.none",
            level="hold",
            subject="contact",
            message=f"{name}: the current is nowhere seen to rest on the arcing contact; the arcing wipe is at most "
            "what this trace resolves. Reversed order, missing and burnt-off arcing contact cannot be told apart from "
            "the trace alone.",
            basis=f"physics: {_BASIS}",
            advice=_look_at("the arcing contact"),
            interrupters=(str(name),),
            operations=tuple(sorted({int(n) for n in mine["operation"]})),
            evidence=values,
        )


def doubtful_wipe(c: Context) -> Iterator[Finding]:
    """A short zone on a low level: a worn contact's, or the main contact's after the arcing contact has parted.

    Hold where either would be below the breaker file's least wipe.
    """
    rows = c.features
    if "quality" not in rows:
        return
    found = np.array([only_the_order_is_doubtful(q) for q in rows["quality"]], dtype=np.bool_) & _enough_current(rows)
    if not found.any():
        return
    others = rows["arcing_resistance_uohm"][usable(rows, "arcing_resistance_uohm")]
    siblings = float(others.median()) if len(others) else math.nan
    for name, mine in rows[found].groupby("interrupter", sort=True):
        closed = float(mine["main_resistance_uohm"].median())
        told = ""
        if siblings > 2.0 * closed:
            # Closed, both are in parallel.
            alone = 1.0 / (1.0 / closed - 1.0 / siblings)
            told = (
                f" With an arcing contact like its siblings' ({siblings:.3g} µΩ) the main contact alone would read "
                f"{alone:.3g} µΩ."
            )
        below, limit = _below_its_limit(mine, c)
        yield Finding(
            code="wipe.doubtful",
            level="hold" if below else "inspect",
            subject="contact",
            message=f"{name}: beside the parting the resistance is {_stated(mine, 'arcing_resistance_uohm')}, less "
            f"than twice the closed contact's {_stated(mine, 'main_resistance_uohm')}: either a short arcing zone on a "
            "contact of low resistance, or an arcing contact that parts first and leaves the main contact alone "
            f"(reversed order).{told} The trace alone cannot tell.{below}",
            basis=f"physics: closed contacts are in parallel, and {_BASIS}{limit}",
            advice=_look_at("the order of the contacts"),
            interrupters=(str(name),),
            operations=tuple(sorted({int(n) for n in mine["operation"]})),
            evidence={k: [float(v) for v in mine[k].dropna()] for k in _TOLD if k in mine},
        )


def _enough_current(rows: pd.DataFrame) -> NDArray[np.bool_]:
    """Rows whose injected current says something about a contact."""
    if "current_a" not in rows:
        return np.ones(len(rows), dtype=np.bool_)
    return ~np.asarray(rows["current_a"].abs() < LEAST_A, dtype=np.bool_)


def _stated(rows: pd.DataFrame, column: str) -> str:
    """Median in uOhm with the expanded uncertainty (k = 2) of one reading, in words."""
    value = f"{float(rows[column].median()):.3g}"
    u = float(rows[f"{column}_u"].median()) if f"{column}_u" in rows else math.nan
    return f"{value} ± {2.0 * u:.2g} µΩ (k = 2)" if math.isfinite(u) else f"{value} µΩ"


def _below_its_limit(rows: pd.DataFrame, c: Context) -> tuple[str, str]:
    """Why it does not matter which of the two it is, and on what basis; empty where it does."""
    for column, unit in (("arcing_wipe_mm", "mm"), ("arcing_wipe_ms", "ms")):
        limit = c.breaker.limits.get(column)
        if limit is None or limit.min is None or column not in rows:
            continue
        u = rows[f"{column}_u"] if f"{column}_u" in rows else 0.0 * rows[column]
        judged = (judge(v, w, Limit(min=limit.min)) for v, w in zip(rows[column], u, strict=True) if math.isfinite(v))
        if any(found is not None and found[0] == "outside" for found in judged):
            words = f" Either way the wipe is below the breaker file's {limit.min:.4g} {unit}."
            return words, f"; breaker file's limit: [limits.{column}]"
    return "", ""


def _look_at(what: str) -> str:
    return inspect_inside(
        "Have a qualified person look before any return to service. First rule out the test: right channel, current "
        "high enough, voltage leads across this interrupter only; repeat slowly if the mechanism allows it; then look "
        f"at {what}."
    )
