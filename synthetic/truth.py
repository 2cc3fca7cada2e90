"""What is true of a simulated record, and the record with it."""

from __future__ import annotations

from dataclasses import dataclass

from drm.breaker import Breaker
from drm.record import Record

__all__ = ["Simulation", "Truth"]


@dataclass(frozen=True)
class Truth:
    """What is true of one interrupter in one operation, before any delay of the chain.

    `main_s`, `arcing_s` on the record's clock; `main_ms`, `arcing_ms` from the coil's onset
    (moved by a screw: from the start of motion).
    NaN where there is none.
    """

    interrupter: str
    pole: str
    operation: int
    kind: str
    command_s: float
    main_s: float
    arcing_s: float
    main_ms: float
    arcing_ms: float
    main_travel_mm: float
    arcing_travel_mm: float
    arcing_wipe_mm: float
    arcing_resistance_uohm: float
    main_resistance_uohm: float
    commutation_ms: float
    faults: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Simulation:
    """A record, the breaker that it is of, and its truth."""

    record: Record
    breaker: Breaker
    truth: tuple[Truth, ...]
