"""The signal core as benchmarks/instants.py asks it: the fit alone with the shape told, and the whole segmentation."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from instants_signals import PARTED_V, Signal

from drm._change_kernels import arcing_from
from drm.commutation import Commutation, fit_commutation
from drm.denoise import noise_sigma
from drm.masking import stray_samples
from drm.parting import DELAY, DELAY_U, EARLY
from drm.quantity import Quantity
from drm.resistance import METALLIC_VOLT, Trace
from drm.zones import Zones, segment

#: Share of a record in which the contact is known to rest; longest move looked for, s.
REST, LONGEST_S = 0.3, 1.5e-3
#: What is kept clear before the move where the closed level is read, s.
CLEAR_S = 4e-3


def trace_of(signal: Signal) -> Trace:
    """The record as the program passes it to the zones: noise from the rest, stray samples masked."""
    rest = slice(0, int(REST * signal.time_s.size))
    sigma = noise_sigma(signal.voltage_v[rest], resolution=signal.case.step_v)
    volts = signal.voltage_v.copy()
    stray = stray_samples(
        volts,
        signal.current_a,
        rest,
        kind="open",
        closed_ohm=float(np.median(volts[rest] / signal.current_a[rest])),
        sigma_v=sigma,
        step_s=1.0 / signal.case.rate_hz,
    )
    volts[stray] = np.nan
    return Trace(signal.time_s, volts, signal.current_a, "open", rest, signal.case.amps, sigma, PARTED_V)


def fitted(signal: Signal, shapes: tuple[int, ...] | None = None) -> Commutation | None:
    """The fit alone: closed level by least squares from all before the move, the last metallic sample told."""
    v, i, step = signal.voltage_v, signal.current_a, 1.0 / signal.case.rate_hz
    rest = slice(0, int(REST * v.size))
    sigma = noise_sigma(v[rest], resolution=signal.case.step_v)
    near = arcing_from(v, i, float(np.median(v[rest] / i[rest])), sigma, signal.last, METALLIC_VOLT)
    before = slice(0, near - math.ceil(CLEAR_S / step))
    power = float(i[before] @ i[before])
    rate = np.gradient(i, signal.time_s) if signal.case.henry else np.zeros(v.size)
    return fit_commutation(
        signal.time_s,
        v,
        i,
        rate,
        near=near,
        first=0,
        last=signal.last,
        closed_ohm=Quantity(float(v[before] @ i[before]) / power, sigma / math.sqrt(power)),
        closed_scatter_ohm=0.0,
        sigma_v=sigma,
        longest_s=LONGEST_S,
        shapes=shapes,
    )


@dataclass(frozen=True)
class Found:
    """What the segmentation says, with the allowance for the chain's filter taken back: these records had none.

    The middle gets its DELAY back. The parting gets half of it: without a filter no sample is caught on the way up, and
    then half a DELAY is what was taken off. The middle's uncertainty is without the delay's part.
    """

    middle_s: float
    middle_u_s: float
    parting_s: float
    closed_ohm: float


def found_by(zones: Zones, step_s: float) -> Found:
    u2 = zones.main_s.u**2 - (DELAY_U * step_s) ** 2
    return Found(
        zones.main_s.value + DELAY * step_s,
        math.sqrt(max(u2, 0.0)),
        zones.arcing_s.value + EARLY * step_s,
        zones.main_ohm.value,
    )


def segmented(signal: Signal) -> Found:
    return found_by(segment(trace_of(signal)), 1.0 / signal.case.rate_hz)
