"""Mains hum on a voltage trace: fitted where the contact is closed, carried on with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.median import median

__all__ = ["Hum", "fit_hum"]

FloatArray = NDArray[np.float64]

#: Standard deviation of the line's frequency about its nominal value, relative: systems that hold it within 1 %.
LINE_REL = 0.005
#: Least number of block means to a period of the highest harmonic, and in all.
BLOCKS_A_PERIOD, BLOCKS = 20, 200


@dataclass(frozen=True, eq=False)
class Hum:
    """Mains hum and harmonics on a voltage trace: ``sum a_k cos(2 pi k f (t - t0)) + b_k sin(2 pi k f (t - t0))``.

    Attributes
    ----------
    frequency_hz : float
    cosine, sine : tuple of float
        Amplitudes in V of harmonics 1, 2, ...
    resistance_ohm : float
        The closed resistance fitted beside the hum.
    resistance_u_ohm : float
        Its statistical standard uncertainty, scaled by the residual's correlation.
    sigma_v : float
        Robust standard deviation of what is left.
    origin_s : float
        The instant t0: the middle of the stretch fitted.
    covariance : ndarray, shape (2 m + 1, 2 m + 1), or None
        Of the m cosines, the m sines (V) and the frequency (Hz); None without hum.
    offset_v, offset_u_v : float
        The channel's offset and its standard uncertainty, from a stretch without current; NaN where there is none.
    """

    frequency_hz: float
    cosine: tuple[float, ...]
    sine: tuple[float, ...]
    resistance_ohm: float
    resistance_u_ohm: float
    sigma_v: float
    origin_s: float = 0.0
    covariance: FloatArray | None = None
    offset_v: float = float("nan")
    offset_u_v: float = float("nan")

    def at(self, time_s: FloatArray) -> FloatArray:
        """The hum at the instants `time_s`, shape (n,), V."""
        if not self.cosine:
            return np.zeros_like(time_s)
        # Horner's scheme in exp(i w t): one sine and cosine for all harmonics.
        turn = np.exp(2j * np.pi * self.frequency_hz * (time_s - self.origin_s))
        total = np.zeros_like(turn)
        for a, b in zip(reversed(self.cosine), reversed(self.sine), strict=True):
            total += complex(a, -b)
            total *= turn
        return np.ascontiguousarray(total.real)

    def u_at(self, time_s: FloatArray) -> FloatArray:
        """Standard uncertainty of the hum carried on to the instants `time_s`, shape (n,), V.

        It grows with the distance from the stretch fitted, as the frequency's uncertainty turns the phase.
        """
        if self.covariance is None:
            return np.zeros_like(time_s)
        rows = self.columns(time_s)
        return np.asarray(np.sqrt(np.maximum(np.einsum("in,ij,jn->n", rows, self.covariance, rows), 0.0)))

    def columns(self, time_s: FloatArray) -> FloatArray:
        """By how much each cosine, each sine and the frequency moves the hum at `time_s`, shape (2 m + 1, n)."""
        from drm._hum_kernels import columns

        past, one = np.ascontiguousarray(time_s - self.origin_s), np.ones(2 * len(self.cosine) + 1)
        return columns(past, self.frequency_hz, np.array(self.cosine), np.array(self.sine), one).T


def fit_hum(
    time_s: FloatArray,
    voltage_v: FloatArray,
    current_a: FloatArray,
    *,
    frequency_hz: float,
    harmonics: int = 5,
    resolution_v: float = 0.0,
) -> Hum:
    """Fit closed resistance, hum and harmonics together on a closed stretch, with the current as regressor.

    The harmonics are reduced until the stretch holds at least one period and three values a coefficient, so that a
    short stretch cannot pass resistance off as hum. Fitted are means over blocks far shorter than the highest
    harmonic's period (its loss of amplitude in them is known and given back): they say all that the samples say, and
    the mean of a coarse trace is read without bias where noise or hum dithers it.

    Parameters
    ----------
    time_s, voltage_v, current_a : ndarray, shape (n,)
        The closed stretch; NaN is passed over.
    frequency_hz : float
        Nominal line frequency; its true value is fitted, with 0.5 % about the nominal one as prior knowledge.
    harmonics : int
        How many of them are fitted at the most.
    resolution_v : float
        The voltage's step of quantisation. Where noise and hum do not carry the trace across several steps the closed
        resistance is known only to a step's uniform distribution.

    Returns
    -------
    Hum
    """
    good = np.isfinite(voltage_v) & np.isfinite(current_a)
    many = int(np.count_nonzero(good))
    if many < 8:
        ratio = median(voltage_v[good] / current_a[good]) if many else float("nan")
        return Hum(frequency_hz, (), (), ratio, float("nan"), float("nan"))
    from drm._hum_kernels import block_means, solve

    span = float(time_s[-1] - time_s[0])
    step = span / (time_s.size - 1)
    orders = harmonics if span * frequency_hz >= 0.95 else 0
    size = min(int(1.0 / (BLOCKS_A_PERIOD * harmonics * frequency_hz * step)) if orders else 1, many // BLOCKS)
    size = max(1, size)
    origin = 0.5 * float(time_s[0] + time_s[-1])
    clock, volts, amps = (np.ascontiguousarray(x, dtype=np.float64) for x in (time_s - origin, voltage_v, current_a))
    t, v, i = block_means(clock, volts, amps, size)
    if t.size < 8:
        size = 1
        t, v, i = block_means(clock, volts, amps, 1)
    orders = min(orders, max(0, (t.size // 3 - 1) // 2))
    unit = LINE_REL * frequency_hz
    x, covariance, scale = solve(t, v, i, frequency_hz, unit, orders, 0.5 * resolution_v / np.sqrt(size), 16)
    frequency = float(x[-1])
    kept = np.sinc(frequency * np.arange(1, orders + 1) * size * step)
    cosine, sine = x[1 : 1 + orders] / kept, x[1 + orders : 1 + 2 * orders] / kept
    hum = Hum(frequency, tuple(map(float, cosine)), tuple(map(float, sine)), float(x[0]), 0.0, 0.0, origin)
    left = np.asarray(volts[good] - x[0] * amps[good] - hum.at(time_s[good]))
    sigma = max(1.4826 * median(np.abs(left - median(left))), 0.5 * resolution_v)
    inflate = _correlation_factor(v - x[0] * i - Hum.at(hum, t + origin), scale)
    # Undithered, the mean of a quantised trace is off by up to half a step; noise of half a step makes it harmless.
    moved = float(np.std(volts[good]))
    coarse = resolution_v / np.sqrt(12.0) / abs(median(i)) if moved < 0.5 * resolution_v else 0.0
    scaled = np.concatenate([1.0 / kept, 1.0 / kept, [1.0]]) * inflate
    return Hum(
        frequency,
        hum.cosine,
        hum.sine,
        hum.resistance_ohm,
        float(np.hypot(np.sqrt(covariance[0, 0]) * inflate, coarse)),
        sigma,
        origin,
        covariance[1:, 1:] * np.outer(scaled, scaled) if orders else None,
    )


def _correlation_factor(rest: FloatArray, scale: float) -> float:
    """By how much correlated residuals widen the uncertainty of a mean: sqrt((1 + r) / (1 - r)), r at lag one."""
    clipped = np.clip(rest, -4 * scale, 4 * scale)
    power = float(np.dot(clipped, clipped))
    r = float(np.dot(clipped[1:], clipped[:-1])) / power if power > 0 else 0.0
    r = min(max(r, 0.0), 0.98)
    return float(np.sqrt((1 + r) / (1 - r)))
