"""Resistance from voltage and current, with the sense loop's inductance taken out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from drm.median import nanmedian

__all__ = ["Trace", "inductance", "moving_rate", "resistance_of", "slope", "without_loop"]

FloatArray = NDArray[np.float64]

#: Above this no metallic contact survives between tungsten surfaces at any current: U^2 = 4 L (Tm^2 - T0^2), Holm.
METALLIC_VOLT = 1.1
#: Samples that tell a noise as well as all of them.
ENOUGH = 1000


@dataclass(frozen=True, eq=False)
class Trace:
    """Voltage and current of one interrupter over one operation, polarity positive, on one clock.

    Attributes
    ----------
    time_s, voltage_v, current_a : ndarray, shape (n,)
        NaN where a sample is missing or masked.
    kind : {'open', 'close'}
    rest : slice
        Samples in which the contact is closed and at rest.
    injected_a : float
        Median current there.
    sigma_v : float
        Noise of the voltage there.
    ceiling_v : float
        Greatest voltage the channel can hold, infinite where it was never reached.
    """

    time_s: FloatArray
    voltage_v: FloatArray
    current_a: FloatArray
    kind: str
    rest: slice
    injected_a: float
    sigma_v: float
    ceiling_v: float

    @cached_property
    def step_s(self) -> float:
        """Median sampling interval, of the first samples."""
        return nanmedian(np.diff(self.time_s[:ENOUGH]))


def slope(time_s: FloatArray, samples: FloatArray) -> FloatArray:
    """Central difference, shape (n,), in units of `samples` a second."""
    from drm._resistance_kernels import slope as kernel

    return kernel(np.ascontiguousarray(time_s), np.ascontiguousarray(samples))


def resistance_of(trace: Trace, *, inductance_h: float = 0.0, least_share: float = 0.3) -> FloatArray:
    """``(V - L dI/dt) / I`` in ohm, shape (n,); NaN where the current is too small to divide by.

    Parameters
    ----------
    inductance_h : float
        Of the sense loop.
    least_share : float
        Least current, as a share of the injected one, at which a resistance means something.
    """
    enough = trace.current_a > least_share * trace.injected_a
    with np.errstate(invalid="ignore", divide="ignore"):
        drop = trace.voltage_v
        if inductance_h != 0.0:
            drop = drop - inductance_h * moving_rate(trace)
        return np.where(enough, drop / trace.current_a, np.nan)


def moving_rate(trace: Trace) -> FloatArray:
    """dI/dt where it stands clear of its noise, else zero: noise must not be multiplied in.

    The noise is read at rest, or over the whole where nothing rests.
    """
    from drm._resistance_kernels import moving_rate as kernel

    rest = (trace.time_s[trace.rest][:ENOUGH], trace.current_a[trace.rest][:ENOUGH])
    return kernel(*(np.ascontiguousarray(x) for x in (trace.time_s, trace.current_a, *rest)))


def inductance(trace: Trace, part: slice, *, largest_h: float = 5e-6) -> tuple[float, float]:
    """Inductance of the sense loop from a conducting stretch: V regressed on I and dI/dt, redescending weights.

    Parameters
    ----------
    part : slice
        Samples in which metal conducts while the current changes.
    largest_h : float
        A sense loop of a metre or two has about a microhenry; a fit above this is something else and is refused.

    Returns
    -------
    inductance_h, u_h : float
        Zero and infinity where the stretch cannot tell it.
    """
    from drm._resistance_kernels import steep
    from drm.denoise import robust_lstsq

    time, current, voltage = (np.ascontiguousarray(x[part]) for x in (trace.time_s, trace.current_a, trace.voltage_v))
    # Only where the current moves by its whole in a few milliseconds: elsewhere the contact's fluctuation rules.
    rate, good, many = steep(time, current, voltage, trace.injected_a / 2e-3, METALLIC_VOLT)
    if many < 4:
        return 0.0, np.inf
    coefficients, covariance, _ = robust_lstsq(np.column_stack([current[good], rate[good]]), voltage[good])
    value, u = float(coefficients[1]), float(np.sqrt(max(covariance[1, 1], 0.0)))
    return (value, u) if 0.0 < value < largest_h and value > 4.0 * u else (0.0, np.inf)


def without_loop(resistance_ohm: FloatArray, loop_ohm: float) -> FloatArray:
    """Contact's own resistance where an earth loop `loop_ohm` lies in parallel: ``R Rp / (Rp - R)``."""
    if not np.isfinite(loop_ohm):
        return resistance_ohm
    with np.errstate(invalid="ignore", divide="ignore"):
        own = resistance_ohm * loop_ohm / (loop_ohm - resistance_ohm)
        return np.where(resistance_ohm < 0.95 * loop_ohm, own, np.nan)
