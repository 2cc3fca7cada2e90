"""What is true of a simulated record, and the record with it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from drm.breaker import Breaker
from drm.record import Record

__all__ = ["AuxiliaryTruth", "CoilTruth", "MotionTruth", "MotorTruth", "Simulation", "StaticTruth", "Truth"]


@dataclass(frozen=True)
class Truth:
    """What is true of one interrupter in one operation, before any delay of the chain.

    `main_s`, `arcing_s` on the record's clock; `main_ms`, `arcing_ms` from the coil's onset
    (moved by a screw: from the start of motion).
    `resistor_s` is the touch of the closing resistor's contact, `resistor_ms` the time from there to the arcing touch.
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
    resistor_s: float = math.nan
    resistor_ms: float = math.nan
    resistor_ohm: float = math.nan


@dataclass(frozen=True)
class MotionTruth:
    """One operation of one mechanism: the release is energised, the contacts begin to move, and how far they go."""

    mechanism: str
    operation: int
    kind: str
    command_s: float
    start_s: float
    stroke_mm: float


@dataclass(frozen=True)
class CoilTruth:
    """One pulse of a release whose armature moves.

    `plateau_a` is what the current tends to, supply over `resistance_ohm`; `cut_s` the auxiliary contact's opening,
    `cut_a` the current then.
    """

    mechanism: str
    operation: int
    kind: str
    onset_s: float
    armature_start_s: float
    armature_stop_s: float
    cut_s: float
    plateau_a: float
    resistance_ohm: float
    cut_a: float


@dataclass(frozen=True)
class AuxiliaryTruth:
    """One change of an auxiliary contact: from `first_s` on it moves, from `settled_s` on it stays."""

    mechanism: str
    operation: int
    contact: str
    closes: bool
    first_s: float
    settled_s: float
    bounces: int


@dataclass(frozen=True)
class MotorTruth:
    """One charging of the spring.

    `running_mean_a` is the mean from 30 to 90 % of the time; `energy_j` is what the supply gave.
    """

    mechanism: str
    start_s: float
    stop_s: float
    charging_s: float
    inrush_a: float
    running_mean_a: float
    energy_j: float


@dataclass(frozen=True)
class StaticTruth:
    """A closed interrupter: resistance at the contacts' temperature and at 20 °C, and what adds to its voltage.

    `offset_v` is the instrument's and thermal EMF together; `current_a` what flows, before the instrument's error.
    """

    interrupter: str
    resistance_uohm: float
    resistance_20_uohm: float
    temperature_c: float
    current_a: float
    offset_v: float


@dataclass(frozen=True, eq=False)
class Simulation:
    """A record, the breaker that it is of, and its truth."""

    record: Record
    breaker: Breaker
    truth: tuple[Truth, ...]
    motions: tuple[MotionTruth, ...] = ()
    coils: tuple[CoilTruth, ...] = ()
    auxiliaries: tuple[AuxiliaryTruth, ...] = ()
    motors: tuple[MotorTruth, ...] = ()
    static: tuple[StaticTruth, ...] = ()
