"""Clean traces: impulses masked, mains hum fitted on the closed contact and carried on, curves shrunk for the eye.

Nothing here smooths what is segmented: impulses are masked (never replaced), hum is subtracted as a model fitted where
the contact is closed, and wavelet shrinkage serves only what people look at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Hum", "fit_hum", "impulses", "noise_sigma", "robust_lstsq", "shrink"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def noise_sigma(samples: FloatArray, *, resolution: float = 0.0) -> float:
    """Standard deviation of white noise, robustly, from first differences.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        A stretch without events; NaN is passed over.
    resolution : float
        Step of quantisation: the result is never below ``resolution / sqrt(12)``, since a coarse trace has a median
        deviation of zero.
    """
    steps = np.diff(samples[np.isfinite(samples)])
    floor = resolution / np.sqrt(12.0)
    if steps.size < 8:
        return float(floor)
    return float(max(1.4826 * np.median(np.abs(steps - np.median(steps))) / np.sqrt(2.0), floor))


def impulses(samples: FloatArray, *, sigma: float, threshold: float = 8.0, width: int = 7) -> BoolArray:
    """Which samples are impulses: far from the running median of their neighbours.

    Parameters
    ----------
    samples : ndarray, shape (n,)
    sigma : float
        Noise of the trace.
    threshold : float
        In `sigma`; eight leaves Gaussian noise alone in a record of any length.
    width : int
        Odd number of samples of the running median: impulses of up to ``width // 2`` samples are seen, a step is not.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    from scipy.ndimage import median_filter

    filled = np.where(np.isfinite(samples), samples, 0.0)
    middle: FloatArray = np.asarray(median_filter(filled, size=width, mode="nearest"), dtype=np.float64)
    return np.asarray(np.abs(filled - middle) > threshold * max(sigma, 1e-12), dtype=np.bool_)


@dataclass(frozen=True)
class Hum:
    """Mains hum and harmonics on a voltage trace: ``sum a_k cos(2 pi k f t) + b_k sin(2 pi k f t)``.

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
    """

    frequency_hz: float
    cosine: tuple[float, ...]
    sine: tuple[float, ...]
    resistance_ohm: float
    resistance_u_ohm: float
    sigma_v: float

    def at(self, time_s: FloatArray) -> FloatArray:
        """The hum at the instants `time_s`, shape (n,), V."""
        total = np.zeros_like(time_s)
        for k, (a, b) in enumerate(zip(self.cosine, self.sine, strict=True), start=1):
            angle = 2.0 * np.pi * k * self.frequency_hz * time_s
            total += a * np.cos(angle) + b * np.sin(angle)
        return total


def robust_lstsq(
    design: FloatArray, target: FloatArray, *, rounds: int = 12, floor: float = 0.0
) -> tuple[FloatArray, FloatArray, float]:
    """Robust least squares: least absolute deviations to begin with, then Tukey's redescending weights.

    Redescending, because the sliding roughness of a closed contact has a tail to one side.

    Parameters
    ----------
    design : ndarray, shape (n, p)
    target : ndarray, shape (n,)
    floor : float
        Least residual scale: a quantised trace sits on few levels, and none of them is an outlier.

    Returns
    -------
    coefficients : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
    scale : float
        Robust standard deviation of the residuals.
    """
    # Scaled columns make the normal equations of these few, nearly orthogonal columns as good as a decomposition, and
    # ten times as fast.
    size = np.sqrt(np.mean(np.square(design), axis=0))
    size = np.where(size > 0.0, size, 1.0)
    scaled = np.ascontiguousarray((design / size).T)
    weight: FloatArray = np.ones(target.size)
    coefficients: FloatArray = np.zeros(design.shape[1])
    normal: FloatArray = np.eye(design.shape[1])
    scale = 0.0
    for turn in range(rounds):
        weighted = scaled * weight
        normal = weighted @ scaled.T
        coefficients = np.linalg.pinv(normal, hermitian=True) @ (weighted @ target)
        rest = target - coefficients @ scaled
        scale = max(1.4826 * float(np.median(np.abs(rest - np.median(rest)))), floor)
        if scale <= 0.0:
            break
        if turn < rounds // 3:
            weight = 1.0 / np.maximum(np.abs(rest), 0.1 * scale)
        else:
            weight = np.square(np.clip(1.0 - np.square(rest / (4.685 * scale)), 0.0, 1.0))
    covariance: FloatArray = np.linalg.pinv(normal, hermitian=True) * scale**2 / np.outer(size, size)
    return np.asarray(coefficients / size, dtype=np.float64), covariance, scale


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

    The harmonics are reduced until the stretch holds at least one period and three samples a coefficient, so that a
    short stretch cannot pass resistance off as hum.

    Parameters
    ----------
    time_s, voltage_v, current_a : ndarray, shape (n,)
        The closed stretch; NaN is passed over.
    frequency_hz : float
        Nominal line frequency; refined within 1 % where the stretch is long enough.
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
    t, v, i = time_s[good], voltage_v[good], current_a[good]
    if t.size < 8:
        ratio = float(np.median(v / i)) if t.size else float("nan")
        return Hum(frequency_hz, (), (), ratio, float("nan"), float("nan"))
    span = float(t[-1] - t[0])
    orders = harmonics if span * frequency_hz >= 0.95 else 0
    orders = min(orders, max(0, (t.size // 3 - 1) // 2))

    def fit(frequency: float) -> tuple[FloatArray, FloatArray, float]:
        angles = 2.0 * np.pi * frequency * np.outer(t, np.arange(1, orders + 1))
        return robust_lstsq(np.column_stack([i, np.cos(angles), np.sin(angles)]), v, floor=resolution_v / 2.0)

    frequency = frequency_hz
    coefficients, covariance, scale = fit(frequency)
    if orders and span * frequency_hz >= 2.0:
        # The line is off its nominal value by a few tenths of a per cent at most; a parabola through three is enough.
        grid = frequency_hz * np.array([0.99, 0.995, 1.0, 1.005, 1.01])
        fits = [fit(float(f)) for f in grid]
        best = int(np.argmin([f[2] for f in fits]))
        frequency, (coefficients, covariance, scale) = float(grid[best]), fits[best]
    rest = (
        v
        - np.column_stack(
            [i]
            + [np.cos(2 * np.pi * k * frequency * t) for k in range(1, orders + 1)]
            + [np.sin(2 * np.pi * k * frequency * t) for k in range(1, orders + 1)]
        )
        @ coefficients
    )
    inflate = _correlation_factor(rest, scale)
    # Undithered, the mean of a quantised trace is off by up to half a step; noise of half a step makes it harmless.
    moved = float(np.std(v))
    coarse = resolution_v / np.sqrt(12.0) / abs(float(np.median(i))) if moved < 0.5 * resolution_v else 0.0
    return Hum(
        frequency,
        tuple(float(c) for c in coefficients[1 : 1 + orders]),
        tuple(float(c) for c in coefficients[1 + orders :]),
        float(coefficients[0]),
        float(np.hypot(np.sqrt(covariance[0, 0]) * inflate, coarse)),
        scale,
    )


def _correlation_factor(rest: FloatArray, scale: float) -> float:
    """By how much correlated residuals widen the uncertainty of a mean: sqrt((1 + r) / (1 - r)), r at lag one."""
    clipped = np.clip(rest, -4 * scale, 4 * scale)
    power = float(np.dot(clipped, clipped))
    r = float(np.dot(clipped[1:], clipped[:-1])) / power if power > 0 else 0.0
    r = min(max(r, 0.0), 0.98)
    return float(np.sqrt((1 + r) / (1 - r)))


def shrink(samples: FloatArray, *, sigma: float | None = None, levels: int | None = None) -> FloatArray:
    """Translation-invariant hard Haar shrinkage, for the eye only.

    Hard thresholding at the universal threshold ``sigma * sqrt(2 ln n)`` of the undecimated Haar transform (Coifman and
    Donoho, "Translation-invariant de-noising", 1995). With orthonormal filters and no rescaling of the levels the noise
    of every level is `sigma`, so one threshold serves all.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        NaN is kept where it is and bridged for the transform only.
    sigma : float, optional
        Noise; estimated from first differences where not given.
    levels : int, optional
        Number of levels; as many as the length carries, at most 8, where not given.

    Returns
    -------
    ndarray, shape (n,)
    """
    import pywt

    good = np.isfinite(samples)
    if int(good.sum()) < 8:
        return samples.copy()
    index = np.arange(samples.size)
    filled = np.interp(index, index[good], samples[good])
    scale = noise_sigma(filled) if sigma is None else sigma
    depth = min(8, int(np.log2(filled.size)) - 1) if levels is None else levels
    depth = max(1, depth)
    block = 2**depth
    padding = block + (-filled.size) % block
    left = padding // 2
    padded = np.pad(filled, (left, padding - left), mode="symmetric")
    threshold = scale * np.sqrt(2.0 * np.log(padded.size))
    details = pywt.swt(padded, "haar", level=depth, trim_approx=True)
    kept = [details[0], *(pywt.threshold(d, threshold, mode="hard") for d in details[1:])]
    out: FloatArray = np.asarray(pywt.iswt(kept, "haar"), dtype=np.float64)[left : left + filled.size].copy()
    out[~good] = np.nan
    return out
