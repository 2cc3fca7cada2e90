"""One interrupter in one operation: its traces and zones as they are shown, and its row of the feature table."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Breaker, Instrument, Interrupter
from drm.breaker_times import reference_u
from drm.denoise import Hum, shrink
from drm.features.registry import FEATURES, measure
from drm.kept import kept
from drm.observe import Moving, observe
from drm.operations import Operation
from drm.record import Record
from drm.resistance import Trace, resistance_of, without_loop
from drm.siblings_use import COARSE_WIPE, MAIN_ALONE, NO_ARCING
from drm.units import factor
from drm.zones import Zones

__all__ = ["ALONE", "Reading", "read_interrupter"]

FloatArray = NDArray[np.float64]

#: Standard uncertainty of a start of motion, s, and as a share of the time since: encoder steps hide it, the longer
#: the slower it moves.
MOTION_U, MOTION_SHARE = 300e-6, 0.02
#: A wipe of a greater standard uncertainty, mm, is flagged: 1.5 mm, by which a wipe may be short and matter, are nearly
#: four of them, for contacts' fluctuations have heavier tails than the normal law.
COARSE_WIPE_MM = 0.4
#: An arcing contact of more than twice the closed resistance that parts first leaves the main contact on less than so
#: many times that (circuit law), alone for less than this: mm, and without travel ms. Common practice, no source.
TWICE, EARLY_MM, EARLY_MS = 2.0, 8.0, 2.0
ALONE = f"{MAIN_ALONE} the closed contact's: a short arcing zone, or in reversed order the main contact alone"

#: Record -> (window, reference) -> times from it: what the interrupters of one mechanism share.
_CLOCKS: WeakKeyDictionary[Record, dict[tuple[int, int, float], FloatArray]] = WeakKeyDictionary()


@dataclass(frozen=True, eq=False)
class Reading:
    """One interrupter in one operation: its traces and zones.

    Attributes
    ----------
    time_ms : ndarray, shape (n,)
        From the operation's reference instant.
    voltage_v, current_a : ndarray, shape (n,)
        Cleaned traces (impulses masked as NaN, hum removed, polarity positive).
    resistance_uohm : ndarray, shape (n,)
        V/I where a metallic contact carries enough current, else NaN.
    shown_uohm : ndarray, shape (n,)
        The same after wavelet shrinkage: for the eye only, never for a number.
    travel_mm : ndarray, shape (n,), or None
        From the closed position, positive towards open.
    zones : Zones
    step_uohm : float
        Of the voltage channel's quantisation, at the injected current; zero where it is not known.
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
    step_uohm: float = 0.0


@kept
def read_interrupter(
    record: Record,
    breaker: Breaker,
    operation: Operation,
    interrupter: Interrupter,
    trace: Trace | None,
    zones: Zones,
    hum: Hum | None,
    moving: Moving | None,
    clock_u_s: float,
) -> tuple[Reading | None, dict[str, Any]]:
    """One row of the feature table, and the reading behind it where there is one."""
    row = _identity(record, breaker, operation, interrupter)
    reasons = list(zones.reasons)
    if hum is not None and hum.resistance_u_ohm > 0.03 * hum.resistance_ohm:
        reasons.append("the voltage channel's steps or noise are coarse against the closed contact's drop")
    if moving is None:
        recorded = any(m.travel for m in breaker.mechanisms if m.name == interrupter.mechanism)
        what = "no travel channel that moves" if recorded else "no travel channel"
        reasons.append(f"{what}: nothing in mm can be measured")
    if trace is None or hum is None:
        for feature in FEATURES:
            row[feature.name] = row[f"{feature.name}_u"] = math.nan
        return None, row | {"current_a": math.nan, "quality": ";".join(reasons)}
    reference = operation.reference_s[interrupter.mechanism]
    resistance = without_loop(resistance_of(trace, inductance_h=zones.inductance_h), zones.loop_ohm)
    # A voltage at its channel's ceiling is a least value, no reading.
    resistance = np.where(np.abs(trace.voltage_v) < 0.98 * trace.ceiling_v, resistance, np.nan)
    window = slice(
        int(np.searchsorted(record.time_s, trace.time_s[0])),
        int(np.searchsorted(record.time_s, trace.time_s[0])) + trace.time_s.size,
    )
    mm = None if moving is None else moving.travel.mm[window]
    step_uohm = _step_uohm(record, interrupter, trace)
    observation = observe(
        trace,
        zones,
        hum,
        resistance,
        mm,
        moving,
        window,
        _with_clock(breaker.instrument, clock_u_s),
        reference,
        _reference_u(operation, interrupter.mechanism, zones),
        1e-6 * step_uohm,
    )
    row |= measure(observation)
    short = row["arcing_wipe_mm"] < EARLY_MM if moving is not None else row["arcing_wipe_ms"] < EARLY_MS
    if zones.rise < TWICE and short and not any(r.startswith(NO_ARCING) for r in reasons):
        reasons.append(ALONE)
    if row["arcing_wipe_mm_u"] > COARSE_WIPE_MM:
        reasons.append(f"{COARSE_WIPE} {2.0 * row['arcing_wipe_mm_u']:.1f} mm (k = 2) only")
    row["current_a"] = trace.injected_a
    row["quality"] = ";".join(reasons)
    conducting = np.where(_metallic(trace, zones), 1e6 * resistance, np.nan)
    reading = Reading(
        interrupter,
        operation,
        _clock_ms(record, window, reference),
        trace.voltage_v,
        trace.current_a,
        conducting,
        shrink(conducting, sigma=1e6 * trace.sigma_v / trace.injected_a),
        mm,
        zones,
        step_uohm,
    )
    return reading, row


def _step_uohm(record: Record, interrupter: Interrupter, trace: Trace) -> float:
    channel = record.channel(interrupter.voltage)
    return 1e6 * channel.resolution * factor(channel.unit, "V", channel=channel.name) / trace.injected_a


def _identity(record: Record, breaker: Breaker, operation: Operation, interrupter: Interrupter) -> dict[str, Any]:
    return {
        "record": record.name,
        "breaker": breaker.name,
        "operation": operation.number,
        "kind": operation.kind,
        "pole": interrupter.pole,
        "interrupter": interrupter.name,
        "position": interrupter.position,
        "mechanism": interrupter.mechanism,
        "reference": operation.reference[interrupter.mechanism],
    }


def _clock_ms(record: Record, window: slice, reference_s: float) -> FloatArray:
    """Times of an operation from its reference, ms; one array for all that share both."""
    known = _CLOCKS.setdefault(record, {})
    key = (window.start, window.stop, reference_s)
    if key not in known:
        known[key] = 1e3 * (record.time_s[window] - reference_s)
    return known[key]


def _with_clock(instrument: Instrument, clock_u_s: float) -> Instrument:
    """`instrument` with what an unknown clock adds to its skew: it moves both instants alike, at the speed of each."""
    return replace(instrument, skew_s=math.hypot(instrument.skew_s, clock_u_s))


def _reference_u(operation: Operation, mechanism: str, zones: Zones) -> float:
    """Standard uncertainty of the instant from which times are counted, s."""
    if operation.reference[mechanism] == "coil":
        return reference_u(operation, mechanism)
    since = abs(zones.main_s.value - operation.reference_s[mechanism]) if zones.main_s else 0.0
    return max(MOTION_U, MOTION_SHARE * since)


def _metallic(trace: Trace, zones: Zones) -> NDArray[np.bool_]:
    """Samples on the metallic side of the arcing contact's instant, or of where the current was cut off."""
    end = zones.arcing_s.value if zones.arcing_s else zones.end_s
    if not math.isfinite(end):
        return np.isfinite(trace.time_s)
    after = trace.time_s > end
    return ~after if trace.kind == "open" else after
