"""Voltages that no sound contact bears: softening and melting of the contact's metal."""

from __future__ import annotations

import math
from collections.abc import Iterator
from statistics import median

from drm.findings import Finding
from drm.rules.cautions import inspect_inside, measure_again
from drm.rules.context import Context, joined, trusted

__all__ = ["melting", "softening"]

# Holm, Electric Contacts: U^2 = 4 L (Tm^2 - T0^2) with L = 2.44e-8 V^2/K^2 and T0 = 293 K. Silver softens at 0.095 V,
# copper at 0.112 V (0.12 V in his tables) and melts at 0.414 V.
SILVER_SOFTENS_V, COPPER_SOFTENS_V, COPPER_MELTS_V = 0.095, 0.12, 0.414

_HOLM = "physics: contact voltage against softening and melting, U² = 4L(T² − T0²), Holm, Electric Contacts"


def _volts(c: Context, column: str) -> dict[tuple[str, str], tuple[float, float, tuple[int, ...]]]:
    """(interrupter, kind) -> voltage across the contact and its standard uncertainty, V, and the operations."""
    rows = trusted(c.features, column)
    if rows.empty or "current_a" not in rows:
        return {}
    us = rows[column + "_u"] if column + "_u" in rows else rows[column] * math.nan
    # A handful of rows: plain lists are quicker than a frame's groups.
    seen: dict[tuple[str, str], list[tuple[float, float, float, int]]] = {}
    names = ("interrupter", "kind", "current_a", column, "operation")
    for (name, kind, amps, value, number), u in zip(zip(*(rows[n] for n in names), strict=True), us, strict=True):
        seen.setdefault((str(name), str(kind)), []).append((abs(float(amps)), float(value), float(u), int(number)))
    out: dict[tuple[str, str], tuple[float, float, tuple[int, ...]]] = {}
    for key, hits in sorted(seen.items()):
        amps, value, u = (median(h[k] for h in hits) for k in range(3))
        numbers = tuple(sorted({h[3] for h in hits}))
        out[key] = (1e-6 * amps * value, 1e-6 * amps * (u if math.isfinite(u) else 0.0), numbers)
    return out


def melting(c: Context) -> Iterator[Finding]:
    """Contacts that carry the current at a voltage above the one at which they soften (main) or melt (arcing)."""
    for column, limit, code, who, metal in (
        ("main_resistance_uohm", SILVER_SOFTENS_V, "physics.main-softens", "main", "silver softens"),
        ("arcing_resistance_uohm", COPPER_MELTS_V, "physics.arcing-melts", "arcing", "copper melts"),
    ):
        by_name: dict[str, list[tuple[float, float, str, tuple[int, ...]]]] = {}
        for (name, kind), (volts, u, numbers) in _volts(c, column).items():
            if volts - 2.0 * u > limit:
                by_name.setdefault(name, []).append((volts, u, kind, numbers))
        for name, hits in by_name.items():
            volts, u, kind, _ = max(hits)
            yield Finding(
                code=code,
                level="inspect",
                subject="contact",
                message=f"{name}: the {who} contact drops {volts:.3f} V on {kind} at the test current, above the "
                f"{limit:.3f} V at which {metal}: film, powder, erosion or too little contact force rather than metal.",
                basis=_HOLM,
                advice=inspect_inside(
                    "What else could explain it: a wrong scale of the voltage, a joint or a loose clamp within the "
                    "leads, an arcing contact of a metal that melts higher (tungsten 1.15 V). Check next: scale and "
                    "clamps, then the test again after a few operations, slowly if the mechanism allows it."
                ),
                interrupters=(name,),
                operations=tuple(sorted({n for h in hits for n in h[3]})),
                evidence={"contact_voltage_v": volts, "contact_voltage_expanded_u_v": 2.0 * u, "limit_v": limit},
            )


def softening(c: Context) -> Iterator[Finding]:
    """Arcing contacts that soften at the test current: what they read belongs to this current alone."""
    soft = {
        name: v
        for (name, _), (v, u, _) in sorted(_volts(c, "arcing_resistance_uohm").items())
        if v - 2.0 * u > COPPER_SOFTENS_V
    }
    if soft:
        yield Finding(
            code="physics.arcing-softens",
            level="note",
            subject="setup",
            message=f"{joined(sorted(soft))}: the arcing contact drops more than {COPPER_SOFTENS_V:.2f} V at the test "
            "current, at which copper softens: its resistance is lower than at a smaller current, and belongs to this "
            "current alone.",
            basis=_HOLM,
            advice=measure_again("Compare resistances of the arcing contact at equal current only."),
            interrupters=tuple(sorted(soft)),
            evidence={"contact_voltage_v": soft, "limit_v": COPPER_SOFTENS_V},
        )
