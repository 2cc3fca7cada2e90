"""What a feature is computed from: the traces and zones of one interrupter in one operation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.quantity import Quantity

__all__ = ["Observation"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Observation:
    """Traces, instants and the known parts of the uncertainty, with nothing of files or breakers.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
        On the record's clock.
    resistance_ohm : ndarray, shape (n,)
        NaN where it means nothing.
    steady : ndarray of bool, shape (n,)
        Where the current moves so slowly that the sense loop's inductance does not matter to the resistance.
    travel_mm, speed_m_s : ndarray, shape (n,), or None
        From the closed position, positive towards open; speed is the magnitude of its slope.
    main_mm, arcing_mm : float
        Travel at the instants, fitted over the encoder's steps; NaN without travel or instant.
    travel_u_mm : float
        Standard uncertainty of a travel reading without its scale's.
    travel_rel : float
        Standard relative uncertainty of the travel's scale.
    linkage_mm : float
        Standard uncertainty of the linkage between sensor and contact; common to all instants of one interrupter.
    reference_s, reference_u_s : float
        Instant from which times are counted.
    kind : {'open', 'close'}
    main_s, commutation_s, arcing_s : Quantity
        As the zones have them; NaN where not measured.
    main_ohm : Quantity
        Closed contact at rest, statistical uncertainty only.
    gain_rel, offset_ohm : float
        Standard relative uncertainty of V/I, and the voltage offset's share in ohm.
    end_s : float
        Where the arcing zone ends for the resistance: the arcing instant, or where the current was cut off.
    """

    time_s: FloatArray
    resistance_ohm: FloatArray
    steady: NDArray[np.bool_]
    travel_mm: FloatArray | None
    speed_m_s: FloatArray | None
    main_mm: float
    arcing_mm: float
    travel_u_mm: float
    travel_rel: float
    linkage_mm: float
    reference_s: float
    reference_u_s: float
    kind: str
    main_s: Quantity
    commutation_s: Quantity
    arcing_s: Quantity
    main_ohm: Quantity
    gain_rel: float
    offset_ohm: float
    end_s: float

    def zone(self) -> NDArray[np.intp]:
        """Indices of the arcing zone's samples, the commutation's half left out; empty without a zone."""
        if not (self.main_s and np.isfinite(self.end_s)):
            return np.empty(0, dtype=np.intp)
        half = 0.5 * self.commutation_s.value if self.commutation_s else 0.0
        low, high = sorted((self.main_s.value, self.end_s))
        low, high = (low + half, high) if self.kind == "open" else (low, high - half)
        return np.flatnonzero((self.time_s > low) & (self.time_s < high) & np.isfinite(self.resistance_ohm))

    def speed_at(self, instant: Quantity) -> float:
        """Speed in m/s at `instant`; NaN without travel or instant."""
        if self.speed_m_s is None or not instant:
            return float("nan")
        return float(np.interp(instant.value, self.time_s, self.speed_m_s))
