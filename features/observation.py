"""What a feature is computed from: the traces and zones of one interrupter in one operation."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.quantity import Quantity

__all__ = ["Observation"]

FloatArray = NDArray[np.float64]

#: Samples after which a second-order filter at 0.4 of the sampling rate has let ten volts fade to a tenth of a
#: millivolt.
FADES = 6


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
        Standard uncertainty of a single travel reading without its scale's.
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
    main_u_mm, arcing_u_mm : float
        Standard uncertainties of the fitted readings at the instants; a single reading's where not given.
    speed_u_m_s : float
        Standard uncertainty of the speed at the arcing contact's instant from its fit.
    zero_u_mm : float
        Standard uncertainty of the closed rest position's reading, common to both instants.
    skew_s : float
        Standard uncertainty of the clock of voltage and current against that of travel and coil.
    common_s : float
        Part of the instants' standard uncertainties that both share, in the same direction.
    noise_ohm : float
        Standard deviation of the resistance's noise from sample to sample.
    slew_per_s : ndarray, shape (n,), or None
        Slope of the current over the current.
    inductance_u_h : float
        Standard uncertainty of the sense loop's inductance.
    largest_ohm : float
        Greatest resistance that touching metal can have at this current; what lies above is a parted contact.
    hum_u_ohm : float
        Standard uncertainty of the hum carried on to the arcing zone, over the current.
    loop_u_s : float
        Standard uncertainty, siemens, of the conductance of the earth loop that was taken out.
    step_ohm : float
        One step of the voltage channel as a resistance.
    parted : ndarray of bool, shape (n,), or None
        Where the voltage is such that no metal touches: there is no resistance then that could have been read.
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
    main_u_mm: float = math.nan
    arcing_u_mm: float = math.nan
    speed_u_m_s: float = math.nan
    zero_u_mm: float = 0.0
    skew_s: float = 0.0
    common_s: float = 0.0
    noise_ohm: float = 0.0
    slew_per_s: FloatArray | None = None
    inductance_u_h: float = 0.0
    largest_ohm: float = math.inf
    hum_u_ohm: float = 0.0
    loop_u_s: float = 0.0
    step_ohm: float = 0.0
    parted: NDArray[np.bool_] | None = None

    def step_s(self) -> float:
        """Sampling interval: the mean, so that a long record costs no more than a short one."""
        return float(self.time_s[-1] - self.time_s[0]) / max(self.time_s.size - 1, 1)

    def ends(self) -> tuple[float, float]:
        """Where the arcing zone begins and ends on the record's clock, the commutation's half left out; else NaN."""
        if not (self.main_s and np.isfinite(self.end_s)):
            return math.nan, math.nan
        half = 0.5 * self.commutation_s.value if self.commutation_s else 0.0
        low, high = sorted((self.main_s.value, self.end_s))
        return (low + half, high) if self.kind == "open" else (low, high - half)

    def zone(self) -> NDArray[np.intp]:
        """Indices of the arcing zone's samples in which metal touches; empty without a zone."""
        low, high = self.ends()
        if not (np.isfinite(low) and np.isfinite(high)):
            return np.empty(0, dtype=np.intp)
        a, b = int(np.searchsorted(self.time_s, low, "right")), int(np.searchsorted(self.time_s, high, "left"))
        with np.errstate(invalid="ignore"):
            metal = self.resistance_ohm[a:b] < self.largest_ohm
        if self.kind == "close":
            # A bounce's volts are a hundred times what is measured: the recorder's filter has them for some samples.
            first = max(a - FADES, 0)
            with np.errstate(invalid="ignore"):
                parted = ~(self.resistance_ohm[first : b + 1] < self.largest_ohm)
            clear = metal.copy()
            for k in np.flatnonzero(parted) + first:
                clear[max(k - 1 - a, 0) : max(k + FADES + 1 - a, 0)] = False
            if int(clear.sum()) >= 4:
                metal = clear
        return a + np.flatnonzero(metal)

    def speed_at(self, instant: Quantity) -> float:
        """Speed in m/s at `instant`; NaN without travel or instant."""
        if self.speed_m_s is None or not instant:
            return float("nan")
        return float(np.interp(instant.value, self.time_s, self.speed_m_s))

    def acceleration_at(self, instant: Quantity) -> float:
        """Change of the speed with time at `instant`, m/s^2, over a millisecond; zero without travel or instant."""
        if self.speed_m_s is None or not instant:
            return 0.0
        before, after = np.interp([instant.value - 5e-4, instant.value + 5e-4], self.time_s, self.speed_m_s)
        return float(after - before) / 1e-3 if math.isfinite(after - before) else 0.0
