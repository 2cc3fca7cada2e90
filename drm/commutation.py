"""The commutation of one operation: middle, duration, levels and inductance by maximum likelihood, each with its u."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drm.quantity import NOTHING, Quantity

if TYPE_CHECKING:
    from drm._fit_kernels import Found
    from drm._jointly_kernels import Left

__all__ = ["Commutation", "fit_commutation", "nothing_left"]

FloatArray = NDArray[np.float64]

#: What the kernel is given where no hum was taken out.
NO_SAMPLES, NO_PRIOR = np.zeros(0), np.zeros((0, 0))


@dataclass(frozen=True)
class Commutation:
    """The move of the current from the main to the arcing contact.

    Attributes
    ----------
    middle_s, duration_s : Quantity
        On the clock given; without the chain's delay.
    onset_s : float
        Start of the move, of the most likely shape; where that has tails, of its steep part.
    closed_ohm, arcing_ohm, inductance_h : Quantity
    fluctuation_ohm, memory_s : float
        Standard deviation of the arcing contact's own fluctuation and its correlation time.
    shape : int
        The most likely of :data:`drm._commutation_kernels.SHAPES`, from zero.
    """

    middle_s: Quantity = NOTHING
    duration_s: Quantity = NOTHING
    onset_s: float = math.nan
    closed_ohm: Quantity = NOTHING
    arcing_ohm: Quantity = NOTHING
    inductance_h: Quantity = NOTHING
    fluctuation_ohm: float = 0.0
    memory_s: float = 0.0
    shape: int = 0


def fit_commutation(
    time_s: FloatArray,
    voltage_v: FloatArray,
    current_a: FloatArray,
    rate_a_s: FloatArray,
    *,
    near: int,
    first: int,
    last: int,
    closed_ohm: Quantity,
    closed_scatter_ohm: float,
    sigma_v: float,
    longest_s: float,
    long_run: float = 1.0,
    scatter_v: float = 0.0,
    shapes: tuple[int, ...] | None = None,
    left: Left | None = None,
    alike_s: float = 0.0,
) -> Commutation | None:
    """Fit the move near a sample.

    Parameters
    ----------
    time_s, voltage_v, current_a, rate_a_s : ndarray, shape (n,)
        In order of opening, time increasing; NaN where missing or masked; dI/dt in A/s, zero where it is only noise.
    near : int
        Sample near which the closed level gives way to the arcing one.
    first, last : int
        First and last sample that may be used: the contact slides or rests closed from `first`, metal conducts to
        `last`.
    closed_ohm : Quantity
        Closed level from the contact at rest.
    closed_scatter_ohm : float
        Standard deviation of the sliding closed contact about it.
    sigma_v : float
        White noise of the voltage.
    longest_s : float
        Longest move to look for.
    long_run : float
        Long-run variance of the noise by its white part: above one where neighbouring samples share their noise.
    scatter_v : float
        Standard deviation of the noise, its slow part included; the white part's where not given.
    shapes : tuple of int, optional
        Only these shapes, where the move's is known.
    left : Left, optional
        What hum and offset may have left on the trace: with it a clear slope of a level is taken out and the step to
        the maximum in everything together is made; see :func:`drm.joint.fit_jointly`.
    alike_s : float
        How long the moves of like contacts in the same operation take; zero where that is not told. Where the contact
        fluctuates, a knee of the fluctuation can pass for the end of the move.

    Returns
    -------
    Commutation or None
        None where fewer than eight samples lie in reach.
    """
    from drm._commutation_kernels import SHAPES
    from drm._jointly_kernels import fitted

    asked = np.zeros(0 if shapes is None else SHAPES, dtype=np.bool_)
    if shapes is not None:
        asked[list(shapes)] = True
    time, volts, amps, rate = (np.ascontiguousarray(x) for x in (time_s, voltage_v, current_a, rate_a_s))
    found = fitted(
        time,
        volts,
        amps,
        rate,
        near,
        first,
        last,
        closed_ohm.value,
        closed_ohm.u,
        closed_scatter_ohm,
        sigma_v,
        longest_s,
        long_run,
        scatter_v,
        asked,
        left is not None,
        nothing_left() if left is None else left,
        alike_s,
    )
    return _commutation(found) if found.known else None


def nothing_left(*, sense: float = 1.0, offset_u_v: float = 1.0) -> Left:
    """As the kernel reads it: no hum was taken out of the trace."""
    from drm._jointly_kernels import Left

    return Left(0.0, 0.0, NO_SAMPLES, NO_SAMPLES, NO_SAMPLES, NO_PRIOR, sense, offset_u_v)


def _commutation(found: Found) -> Commutation:
    """What the kernels found, its values with their uncertainties."""
    return Commutation(
        middle_s=Quantity(found.middle, found.middle_u),
        duration_s=Quantity(found.duration, found.duration_u),
        onset_s=found.onset,
        closed_ohm=Quantity(found.closed, found.closed_u),
        arcing_ohm=Quantity(found.arcing, found.arcing_u),
        inductance_h=Quantity(found.henry, found.henry_u),
        fluctuation_ohm=found.spread,
        memory_s=found.memory,
        shape=found.shape,
    )
