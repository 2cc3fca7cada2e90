"""Published rule for the resistance of the main contacts."""

from __future__ import annotations

from collections.abc import Iterator

from drm.findings import Finding
from drm.rules.cautions import measure_again
from drm.rules.context import Context, joined, trusted

__all__ = ["above_lowest"]

# ANSI/NETA MTS, circuit-breaker resistance: with no maker's value, investigate what is more than 50 % above the lowest.
_FACTOR = 1.5


def above_lowest(c: Context) -> Iterator[Finding]:
    """Interrupters more than 50 % above the lowest of their siblings; equality passes."""
    if "main_resistance_uohm" in c.breaker.limits:
        return
    rows = trusted(c.features, "main_resistance_uohm")
    if rows.empty:
        return
    rows = rows[rows["main_resistance_uohm"] > 0]
    values = rows.groupby("interrupter")["main_resistance_uohm"].median()
    if len(values) < 2:
        return
    lowest = float(values.min())
    high = {str(k): float(v) for k, v in values.items() if v > _FACTOR * lowest}
    if not high:
        return
    names = tuple(sorted(high))
    yield Finding(
        code="resistance.above-lowest",
        level="inspect",
        subject="contact",
        message=f"{joined(list(names))}: main resistance more than 50 % above the lowest sibling's, {lowest:.1f} µΩ.",
        basis="published limit: ANSI/NETA MTS, more than 50 % above the lowest where the maker gives no value",
        advice=measure_again(
            "Measure the static resistance again, voltage leads inside current leads, and compare with the maker's "
            "value. The rule compares poles alike in build; it passes a set that is uniformly bad."
        ),
        interrupters=names,
        operations=tuple(sorted({int(n) for n in rows.loc[rows["interrupter"].isin(names), "operation"]})),
        evidence={
            "main_resistance_uohm": high,
            "lowest_uohm": lowest,
            "lowest_interrupter": str(values.idxmin()),
            "limit_uohm": _FACTOR * lowest,
        },
    )
