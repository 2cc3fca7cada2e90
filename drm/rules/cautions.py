"""Cautions that go with every advice to do something at a breaker."""

from __future__ import annotations

__all__ = ["INTERNAL", "LOCAL", "MEASURE", "MECHANISM", "inspect_inside", "look_at_mechanism", "measure_again"]

LOCAL = "Local codes, the maker's documents and licensed practice come first."
MEASURE = (
    "Before connecting: isolate, secure, prove dead, earth and short-circuit, guard live parts nearby; keep both ends "
    "earthed, lift an earth only under a permit to test; earthed conductors can carry dangerous induced voltage; "
    "breaking the injection loop gives a high voltage (L di/dt). "
)
INTERNAL = (
    "Before opening a chamber: isolate, secure, prove dead, earth; discharge and lock springs and accumulators; "
    "recover the gas; arced SF6 leaves toxic, corrosive products. "
)
MECHANISM = (
    "Before reaching into the mechanism: isolate, prove dead, earth, take off the control supply, and discharge and "
    "lock springs and accumulators: stored energy can move it at any time. "
)


def measure_again(what: str) -> str:
    """Advice to repeat or add a measurement, with its cautions."""
    return f"{what} {MEASURE}{LOCAL}"


def inspect_inside(what: str) -> str:
    """Advice that leads to opening a chamber, with its cautions."""
    return f"{what} {MEASURE}{INTERNAL}{LOCAL}"


def look_at_mechanism(what: str) -> str:
    """Advice that leads to work at the mechanism or linkage, with its cautions."""
    return f"{what} {MEASURE}{MECHANISM}{LOCAL}"
