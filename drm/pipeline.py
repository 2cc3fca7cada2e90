"""The job from a record to a result, stage by stage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Breaker, Interrupter
from drm.findings import Finding
from drm.operations import Operation
from drm.record import Record
from drm.zones import Zones

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Reading:
    """One interrupter in one operation: its traces and zones.

    Attributes
    ----------
    time_ms : ndarray, shape (n,)
        From the operation's reference instant.
    voltage_v, current_a : ndarray, shape (n,)
        Cleaned traces (impulses masked as NaN, hum and offset removed).
    resistance_uohm : ndarray, shape (n,)
        V/I where a metallic contact carries enough current, else NaN.
    shown_uohm : ndarray, shape (n,)
        The same after wavelet shrinkage: for the eye only, never for a number.
    travel_mm : ndarray, shape (n,), or None
        From the closed position, positive towards open.
    zones : Zones
    """

    interrupter: Interrupter
    operation: Operation
    time_ms: FloatArray
    voltage_v: FloatArray
    current_a: FloatArray
    resistance_uohm: FloatArray
    shown_uohm: FloatArray
    travel_mm: FloatArray | None
    zones: Zones


@dataclass(frozen=True, eq=False)
class Result:
    """What one record says about one breaker."""

    record: Record
    breaker: Breaker
    operations: tuple[Operation, ...]
    readings: tuple[Reading, ...]
    features: pd.DataFrame
    mechanisms: pd.DataFrame
    findings: tuple[Finding, ...]
    provenance: dict[str, Any]
