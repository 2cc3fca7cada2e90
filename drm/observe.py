"""Traces, zones, travel and the instrument's known parts of one interrupter, as the features want them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Instrument
from drm.denoise import Hum
from drm.features.observation import Observation
from drm.kept import kept
from drm.median import nanmedian
from drm.quantity import NOTHING, Quantity
from drm.resistance import METALLIC_VOLT, Trace, slope, without_loop
from drm.travel import Reading as TravelReading
from drm.travel import Travel, reading
from drm.zones import INDUCTANCE_U, LOOP_H, LOOP_SHARE, Zones

__all__ = ["Moving", "observe"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Moving:
    """Travel of one mechanism with its speed, for reading both at an instant."""

    travel: Travel
    time_s: FloatArray
    pace_m_s: FloatArray

    def at(self, instant: Quantity) -> TravelReading:
        """What the travel reads at `instant`; nothing without one."""
        if not instant:
            return TravelReading()
        pace = float(np.interp(instant.value, self.time_s, self.pace_m_s))
        return reading(self.travel, self.time_s, instant.value, pace_m_s=pace)


def observe(
    trace: Trace,
    zones: Zones,
    hum: Hum,
    resistance: FloatArray,
    mm: FloatArray | None,
    moving: Moving | None,
    window: slice,
    instrument: Instrument,
    reference_s: float,
    reference_u_s: float,
    step_ohm: float,
) -> Observation:
    """Traces, zones and the instrument's known parts, as the features want them."""
    rate = _rate(trace)
    level = zones.arcing_ohm if math.isfinite(zones.arcing_ohm) else hum.resistance_ohm
    # A stricter bound would pass over the momentary part-separations, which move the current too.
    steady = LOOP_H * np.abs(rate) < LOOP_SHARE * level * trace.injected_a
    main = without_loop(np.array([hum.resistance_ohm]), zones.loop_ohm)[0]
    end = zones.end_s if math.isfinite(zones.end_s) else zones.arcing_s.value
    at_main, at_arcing = (TravelReading() if moving is None else moving.at(t) for t in (zones.main_s, zones.arcing_s))
    with np.errstate(invalid="ignore", divide="ignore"):
        slew = rate / trace.current_a
    return Observation(
        time_s=trace.time_s,
        resistance_ohm=resistance,
        steady=steady,
        travel_mm=mm,
        speed_m_s=None if moving is None else moving.pace_m_s[window],
        main_mm=at_main.mm,
        arcing_mm=at_arcing.mm,
        travel_u_mm=math.nan if moving is None else moving.travel.u_mm,
        travel_rel=instrument.travel_rel,
        linkage_mm=instrument.linkage_mm,
        reference_s=reference_s,
        reference_u_s=reference_u_s,
        kind=trace.kind,
        main_s=zones.main_s,
        commutation_s=zones.commutation_s,
        arcing_s=zones.arcing_s,
        main_ohm=Quantity(float(main), math.hypot(hum.resistance_u_ohm, _drift(trace))) if main > 0.0 else NOTHING,
        gain_rel=math.hypot(instrument.voltage_gain_rel, instrument.current_gain_rel),
        offset_ohm=(hum.offset_u_v if math.isfinite(hum.offset_u_v) else instrument.voltage_offset_v)
        / trace.injected_a,
        end_s=end,
        main_u_mm=at_main.u_mm,
        arcing_u_mm=at_arcing.u_mm,
        speed_u_m_s=at_arcing.speed_u_m_s,
        zero_u_mm=0.0 if moving is None else moving.travel.zero_u_mm,
        skew_s=instrument.skew_s,
        common_s=zones.delay_u_s,
        noise_ohm=trace.sigma_v / trace.injected_a,
        slew_per_s=slew,
        inductance_u_h=INDUCTANCE_U,
        largest_ohm=METALLIC_VOLT / trace.injected_a,
        loop_u_s=zones.loop_u_rel / zones.loop_ohm,
        hum_u_ohm=_hum_u(hum, zones.main_s.value, end) / trace.injected_a,
        step_ohm=step_ohm,
        parted=np.abs(trace.voltage_v) >= min(METALLIC_VOLT, 0.98 * trace.ceiling_v),
    )


@kept
def _rate(trace: Trace) -> FloatArray:
    """dI/dt, A/s."""
    return slope(trace.time_s, trace.current_a)


def _hum_u(hum: Hum, main_s: float, end_s: float) -> float:
    """Standard uncertainty of the hum carried on to the middle of the arcing zone, V."""
    middle = 0.5 * (main_s + end_s)
    return float(hum.u_at(np.array([middle]))[0]) if math.isfinite(middle) else 0.0


def _drift(trace: Trace) -> float:
    """Standard uncertainty, ohm, from a closed resistance that moves: after a closing the contact may still settle."""
    volts, amps = trace.voltage_v[trace.rest], trace.current_a[trace.rest]
    ratio = volts / np.where(np.abs(amps) > 0.3 * trace.injected_a, amps, np.nan)
    third = ratio.size // 3
    first, last = ratio[:third], ratio[ratio.size - third :]
    if third < 8 or not (np.isfinite(first).any() and np.isfinite(last).any()):
        return 0.0
    return abs(float(nanmedian(last) - nanmedian(first))) / math.sqrt(12.0)
