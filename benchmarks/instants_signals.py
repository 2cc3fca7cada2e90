"""Contact traces with known instants for benchmarks/instants.py: drawn afresh from a seed, no filter in the chain."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter
from scipy.special import ndtr

FloatArray = NDArray[np.float64]

#: Length of a record, where its middle may lie, length of the arcing zone, s.
LENGTH_S, MIDDLE_S, ZONE_S = 1.0, (0.58, 0.59), (5e-3, 10e-3)
#: Voltage when parted (the channel's ceiling), time in which the current then dies, s.
PARTED_V, DYING_S = 10.0, 0.4e-3
#: Resistance and inductance of the injecting circuit where the sense loop's inductance is to matter.
SOURCE_OHM, SOURCE_H = 25e-3, 10e-6
#: Height of an impulse, V, standard.
IMPULSE_V = 50e-3


@dataclass(frozen=True)
class Case:
    """What a record is drawn from."""

    rate_hz: float = 20e3
    amps: float = 200.0
    noise_v: float = 0.5e-3
    closed_ohm: float = 40e-6
    arcing_ohm: float = 300e-6
    move_s: float = 0.5e-3
    shape: str = "straight"
    fluctuation: float = 0.0
    memory_s: float = 0.3e-3
    slope: float = 0.0
    henry: float = 0.0
    lag_one: float = 0.0
    impulses: float = 0.0
    step_v: float = 0.0


@dataclass(frozen=True, eq=False)
class Signal:
    """One record in order of opening and its truth; arrays of shape (n,)."""

    case: Case
    time_s: FloatArray
    voltage_v: FloatArray
    current_a: FloatArray
    rate_a_s: FloatArray
    middle_s: float
    parting_s: float
    last: int


def _fingers(u: FloatArray) -> FloatArray:
    """Two fingers that leave one after the other, with 35 and 65 % of the current."""
    return 0.35 * np.clip((u + 0.27) / 0.45 + 0.5, 0.0, 1.0) + 0.65 * np.clip((u - 0.12) / 0.55 + 0.5, 0.0, 1.0)


#: Where the two fingers are half way: on the second one's slope, the first one gone.
_FINGERS_HALF = 0.12 + 0.55 * (0.15 / 0.65 - 0.5)
#: Shapes that are none of the fit's.
OTHERS: dict[str, Callable[[FloatArray], FloatArray]] = {
    "cosine": lambda u: np.sin(0.5 * np.pi * np.clip(u + 0.5, 0.0, 1.0)) ** 2,
    "fifth degree": lambda u: (x := np.clip(u + 0.5, 0.0, 1.0)) ** 3 * (10.0 - 15.0 * x + 6.0 * x * x),
    "normal law": lambda u: ndtr(4.5 * u),
    "arctan": lambda u: 0.5 + np.arctan(8.0 * u) / np.pi,
    "power 1.5": lambda u: np.clip(u + 0.5 ** (1.0 / 1.5), 0.0, 1.0) ** 1.5,
    "exponential": lambda u: 1.0 - np.exp(-np.maximum(4.0 * u + math.log(2.0), 0.0)),
    "Gumbel": lambda u: np.exp(-np.exp(-np.clip(5.0 * u - math.log(math.log(2.0)), -30.0, 300.0))),
    "two fingers": lambda u: _fingers(u + _FINGERS_HALF),
}


def share(shape: str, u: FloatArray, ratio: float) -> FloatArray:
    """Share of the rise in resistance made `u` durations after its middle, where it is one half.

    Those of `OTHERS` are none of the fit's shapes and are not to become such: they tell how it does on a move that
    nobody thought of.
    """
    x = np.clip(u + 0.5, 0.0, 1.0)
    if shape in OTHERS:
        return OTHERS[shape](u)
    if shape == "straight":
        return x
    if shape == "smoothstep":
        return x * x * (3.0 - 2.0 * x)
    if shape == "tanh":
        return 0.5 * (1.0 + np.tanh(4.0 * u))
    if shape == "conductance":
        # The conductance falls in a straight line; it passes the middle of the resistances late.
        y = np.clip(u + ratio / (1.0 + ratio), 0.0, 1.0)
        return (1.0 / (1.0 + y * (1.0 / ratio - 1.0)) - 1.0) / (ratio - 1.0)
    raise ValueError(f"no shape {shape!r}")


def _response(time: FloatArray, ohm: FloatArray, case: Case) -> tuple[FloatArray, FloatArray]:
    """Current of a stiff source behind an inductance while the contact's resistance moves, and its slope."""
    if case.henry == 0.0:
        return np.full(time.size, case.amps), np.zeros(time.size)
    # The circuit's first-order answer in exact steps, the resistance straight between samples.
    step, tau = 1.0 / case.rate_hz, SOURCE_H / SOURCE_OHM
    keep = math.exp(-step / tau)
    rise = np.diff(ohm, prepend=ohm[:1])
    w = tau / step * (1.0 - keep)
    late = lfilter([1.0], [1.0, -keep], (1.0 - keep) * (ohm - rise) + (1.0 - w) * rise, zi=[keep * ohm[0]])[0]
    amps = case.amps * (1.0 - (late - ohm[0]) / SOURCE_OHM)
    return amps, -case.amps / SOURCE_OHM * (ohm - late) / tau


def draw(case: Case, rng: np.random.Generator, *, length_s: float = LENGTH_S, middle_s: float | None = None) -> Signal:
    """One record."""
    n = round(length_s * case.rate_hz)
    time = np.arange(n) / case.rate_hz
    middle = rng.uniform(*MIDDLE_S) if middle_s is None else middle_s
    parting = middle + rng.uniform(*ZONE_S)
    h = share(case.shape, (time - middle) / case.move_s, case.arcing_ohm / case.closed_ohm)
    arcing: FloatArray | float = case.arcing_ohm
    if case.fluctuation:
        keep = math.exp(-1.0 / case.rate_hz / case.memory_s)
        own = lfilter([math.sqrt(1.0 - keep * keep)], [1.0, -keep], rng.standard_normal(n))
        arcing = case.arcing_ohm * np.exp(case.fluctuation * own)
    # By `slope` of the level over the zone, from the middle of the move on.
    arcing = arcing * (1.0 + case.slope * np.maximum(time - middle, 0.0) / (parting - middle))
    ohm = case.closed_ohm + (arcing - case.closed_ohm) * h
    amps, rate = _response(time, ohm, case)
    parted = time > parting
    last = int(np.searchsorted(time, parting, side="right")) - 1
    volts = np.where(parted, PARTED_V, ohm * amps + case.henry * rate)
    amps = np.where(parted, amps[last] * np.maximum(1.0 - (time - parting) / DYING_S, 0.0), amps)
    noise = rng.standard_normal(n)
    if case.lag_one:
        noise = lfilter([math.sqrt(1.0 - case.lag_one**2)], [1.0, -case.lag_one], noise)
    volts = volts + case.noise_v * noise
    if case.impulses:
        volts = volts + (rng.uniform(size=n) < case.impulses) * IMPULSE_V * rng.standard_normal(n)
    if case.step_v:
        volts = np.round(volts / case.step_v) * case.step_v
    return Signal(case, time, np.minimum(volts, PARTED_V), amps, rate, middle, parting, last)
