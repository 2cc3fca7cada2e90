"""Limits that the breaker's own documents set, as its file states them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from drm.breaker import Limit
from drm.coverage import NORMAL, factor_of
from drm.findings import Finding, Level, Subject
from drm.frames import rows_of
from drm.mechanism_columns import TIMING_LIMITED
from drm.rules.cautions import inspect_inside, look_at_mechanism, measure_again
from drm.rules.context import Context, trusted

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["file_limits", "judge"]

# Too little wipe lets the main contacts interrupt the current.
_HOLD_BELOW = {"arcing_wipe_mm", "arcing_wipe_ms"}


def judge(value: float, u: float, limit: Limit, *, k: float = NORMAL) -> tuple[str, float] | None:
    """'outside' or 'straddling' and the bound concerned; None inside by more than the expanded uncertainty ``k u``.

    A value exactly on a limit whose uncertainty is zero passes.
    """
    wide = k * u if math.isfinite(u) else 0.0
    worst: tuple[str, float] | None = None
    for bound, sign in ((limit.min, -1.0), (limit.max, 1.0)):
        if bound is None:
            continue
        beyond = sign * (value - bound)
        if beyond > wide:
            return "outside", bound
        if beyond > -wide:
            worst = "straddling", bound
    return worst


def file_limits(c: Context) -> Iterator[Finding]:
    """Every limit of the breaker file against every trusted value, worst case per interrupter or mechanism."""
    for column in sorted(c.breaker.limits):
        measured = False
        for rows, key in (
            (trusted(c.features, column), "interrupter"),
            (c.mechanisms, "mechanism"),
            (_times(c, column), "name"),
        ):
            if column in rows and key in rows:
                measured |= bool(rows[column].notna().any())
                for name, mine in rows.groupby(key, sort=True):
                    for f in _judged(str(name), key, column, mine, c.breaker.limits[column]):
                        yield f if key != "name" else replace(f, interrupters=_units_of(c, str(name)))
        if not measured:
            yield Finding(
                code=f"limit.not-measured.{column}",
                level="note",
                subject="setup",
                message=f"The breaker file limits {column}, but no value that can be trusted was measured.",
                basis=f"breaker file's limit: [limits.{column}]",
                advice=measure_again("Record the channels that this value needs, and see the name of the limit."),
                evidence={"column": column},
            )


def _times(c: Context, column: str) -> pd.DataFrame:
    """Times of breaker, poles and interrupters, as far as the other tables do not hold the column already."""
    timing: pd.DataFrame | None = c.facts.get("timing")
    return timing if timing is not None and column in TIMING_LIMITED else c.mechanisms.iloc[:0]


def _units_of(c: Context, name: str) -> tuple[str, ...]:
    """Interrupters that a name of the times stands for: one, those of a pole, or none for the whole breaker."""
    return tuple(i.name for i in c.breaker.interrupters if name in (i.name, i.pole))


def _judged(name: str, key: str, column: str, rows: pd.DataFrame, limit: Limit) -> Iterator[Finding]:
    u_name = column + "_u"
    us = rows[u_name] if u_name in rows else rows[column] * math.nan
    factors = [factor_of(row, column) for row in rows_of(rows)]
    seen: dict[str, list[tuple[float, int, float, float, float, float]]] = {}
    for value, u, k, number in zip(rows[column], us, factors, rows["operation"], strict=True):
        verdict = judge(float(value), float(u), limit, k=k) if math.isfinite(value) else None
        if verdict:
            state, bound = verdict
            seen.setdefault(state, []).append((abs(value - bound), int(number), float(value), float(u), bound, k))
    for state in ("outside", "straddling"):
        if state in seen:
            hits = seen[state] + seen.get("straddling", []) * (state == "outside")
            worst = max(seen[state]) if state == "outside" else min(seen[state])
            yield _finding(name, key, column, state, worst, tuple(sorted({h[1] for h in hits})), limit)
            return


def _finding(
    name: str,
    key: str,
    column: str,
    state: str,
    worst: tuple[float, int, float, float, float, float],
    operations: tuple[int, ...],
    limit: Limit,
) -> Finding:
    _, _, value, u, bound, k = worst
    below = bound == limit.min and value <= bound
    outside = state == "outside"
    level: Level = "watch" if not outside else "hold" if below and column in _HOLD_BELOW else "inspect"
    mechanical = key == "mechanism"
    subject: Subject = "mechanism" if mechanical else "timing" if column in _TIMING else "contact"
    unknown = "" if math.isfinite(u) else " The uncertainty is not known and was taken as nil."
    how = ("below" if below else "above") if outside else "too near, within the uncertainty, to"
    advice = look_at_mechanism if mechanical or key == "name" else inspect_inside if outside else measure_again
    return Finding(
        code=f"limit.{state}.{column}",
        level=level,
        subject=subject,
        message=f"{name}: {column} {value:.4g} is {how} the limit {bound:.4g} of the breaker file.{unknown}",
        basis=f"breaker file's limit: [limits.{column}], expanded uncertainty (k = {k:.3g}) taken into account",
        advice=advice(
            "Repeat the test to confirm, check the sensor's scale and the connections, and see that the limit applies "
            "to this test's current and conditions; then follow the breaker's documents."
        ),
        interrupters=() if mechanical else (name,),
        operations=operations,
        evidence={
            "column": column,
            key: name,
            column: value,
            column + "_expanded_u": k * u if math.isfinite(u) else None,
            "limit_min": limit.min,
            "limit_max": limit.max,
        },
    )


_TIMING = {"main_contact_ms", "arcing_contact_ms", "commutation_ms", *TIMING_LIMITED} - {"resistor_ohm"}
