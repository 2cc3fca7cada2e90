"""Clean traces: impulses masked, mains hum fitted on the closed contact and carried on, curves shrunk for the eye.

Nothing here smooths what is segmented: impulses are masked (never replaced), hum is subtracted as a model fitted where
the contact is closed, and wavelet shrinkage serves only what people look at.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drm.hum import Hum, fit_hum
from drm.median import median

__all__ = ["THRESHOLD", "Hum", "fit_hum", "impulses", "noise_sigma", "robust_lstsq", "shrink"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Noise widths beyond which a lone sample is an impulse: Gaussian noise never is, in a record of any length.
THRESHOLD = 8.0


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
    return float(max(1.4826 * median(np.abs(steps - median(steps))) / np.sqrt(2.0), floor))


def impulses(
    samples: FloatArray, *, sigma: float | FloatArray, threshold: float = THRESHOLD, width: int = 7
) -> BoolArray:
    """Which samples are impulses: far from the running median of their neighbours.

    Parameters
    ----------
    samples : ndarray, shape (n,)
    sigma : float or ndarray, shape (n,)
        Noise of the trace.
    threshold : float
        In `sigma`; eight leaves Gaussian noise alone in a record of any length.
    width : int
        Odd number of samples of the running median: impulses of up to ``width // 2`` samples are seen, a step is not.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    from drm._trace_kernels import far_from_median

    least = np.broadcast_to(np.asarray(threshold * np.maximum(sigma, 1e-12), dtype=np.float64), samples.shape)
    return far_from_median(np.ascontiguousarray(samples, dtype=np.float64), np.ascontiguousarray(least), width)


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
        scale = max(1.4826 * median(np.abs(rest - median(rest))), floor)
        if scale <= 0.0:
            break
        if turn < rounds // 3:
            weight = 1.0 / np.maximum(np.abs(rest), 0.1 * scale)
        else:
            weight = np.square(np.clip(1.0 - np.square(rest / (4.685 * scale)), 0.0, 1.0))
    covariance: FloatArray = np.linalg.pinv(normal, hermitian=True) * scale**2 / np.outer(size, size)
    return np.asarray(coefficients / size, dtype=np.float64), covariance, scale


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
    from drm._trace_kernels import haar

    known = np.flatnonzero(np.isfinite(samples))
    if known.size < 8:
        return samples.copy()
    first, last = int(known[0]), int(known[-1]) + 1
    if last - first < samples.size:
        # What is missing at both ends stays missing, and nothing is computed for it.
        whole = np.full(samples.size, np.nan)
        whole[first:last] = shrink(samples[first:last], sigma=sigma, levels=levels)
        return whole
    good = np.isfinite(samples)
    index = np.arange(samples.size)
    filled = np.interp(index, index[good], samples[good])
    scale = noise_sigma(filled) if sigma is None else sigma
    depth = min(8, int(np.log2(filled.size)) - 1) if levels is None else levels
    depth = max(1, depth)
    block = 2**depth
    padding = block + (-filled.size) % block
    left = padding // 2
    padded = np.pad(filled, (left, padding - left), mode="symmetric")
    threshold = scale * np.sqrt(2.0 * np.log(filled.size))
    out = haar(padded, depth, threshold)[left : left + filled.size].copy()
    out[~good] = np.nan
    return out
