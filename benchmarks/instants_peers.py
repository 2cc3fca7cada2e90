"""Other people's ways to find a jump in R = V / I, for benchmarks/instants.py: each gives its place in samples.

All are given the conducting stretch alone, so none needs to find the parting; where a method must be told the number of
changes it is told one, and what needs a strength is given a good one. The curve fit is told the duration to start from.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from functools import cache

import numpy as np
import pywt
import ruptures
from instants_signals import Signal
from numpy.typing import NDArray
from scipy.optimize import OptimizeWarning, curve_fit
from scipy.signal import savgol_filter
from skimage.restoration import denoise_tv_chambolle

from drm.denoise import shrink
from drm.resistance import Trace

FloatArray = NDArray[np.float64]
#: Resistances in uohm, their noise, sampling rate in Hz; gives the place of the jump's middle.
Peer = Callable[[FloatArray, float, float], float]

#: Samples of the conducting stretch that the peers are given for the sake of time; for dynamic programming.
CUT, SHORT_CUT = 2000, 400
#: Strength of the total variation in noise: best of 2, 4, 8, 16, 32 on these records.
STRENGTH = 8.0
#: Arms of the wavelet, s.
ARM_S = 0.8e-3
MOVE_S, LEVEL_S = 0.5e-3, 2e-3


def resistance(signal: Signal, trace: Trace | None = None, cut: int = CUT) -> tuple[FloatArray, float]:
    """Last `cut` resistances of the conducting contact, uohm, and the first one's index.

    With a trace they are cleaned: stray samples filled in between, noise shrunk by undecimated wavelets.
    """
    start = max(0, signal.last + 1 - cut)
    part = slice(start, signal.last + 1)
    r = 1e6 * (signal.voltage_v if trace is None else trace.voltage_v)[part] / signal.current_a[part]
    if trace is None:
        return r, start
    good = np.isfinite(r)
    r = np.interp(np.arange(r.size), np.flatnonzero(good), r[good])
    return shrink(r, sigma=1e6 * trace.sigma_v / signal.case.amps), start


def passage(r: FloatArray, smooth: FloatArray, rate: float) -> float:
    """Where `smooth` passes half way between the levels: between its first and last passage upwards."""
    arm = int(LEVEL_S * rate)
    half = 0.5 * (float(np.median(r[:arm])) + float(np.median(r[-arm:])))
    up = np.flatnonzero((smooth[:-1] < half) & (smooth[1:] >= half))
    if up.size == 0:
        return math.nan
    at = up + (half - smooth[up]) / (smooth[up + 1] - smooth[up])
    return 0.5 * float(at[0] + at[-1])


def binseg(r: FloatArray, sigma: float, rate: float) -> float:
    return float(ruptures.Binseg(model="l2", jump=1, min_size=2).fit(r).predict(n_bkps=1)[0]) - 0.5


def kernel(r: FloatArray, sigma: float, rate: float) -> float:
    return float(ruptures.KernelCPD(kernel="linear", min_size=2).fit(r).predict(n_bkps=1)[0]) - 0.5


def pelt_changes(r: FloatArray, sigma: float) -> list[int]:
    """All changes at the penalty 2 sigma^2 log n."""
    found = ruptures.Pelt(model="l2", jump=5, min_size=5).fit(r).predict(pen=2.0 * sigma**2 * math.log(r.size))
    return [int(k) for k in found[:-1]]


def largest_step(r: FloatArray, changes: list[int]) -> float:
    """Of several changes the one with the greatest step of the means beside it."""
    if not changes:
        return math.nan
    means = [float(part.mean()) for part in np.split(r, changes)]
    return changes[int(np.argmax(np.abs(np.diff(means))))] - 0.5


def pelt(r: FloatArray, sigma: float, rate: float) -> float:
    return largest_step(r, pelt_changes(r, sigma))


def dynp(r: FloatArray, sigma: float, rate: float) -> float:
    """On a short cut only: its time and memory grow with the square of the samples."""
    start = max(0, r.size - SHORT_CUT)
    return start + float(ruptures.Dynp(model="l2", jump=1, min_size=2).fit(r[start:]).predict(n_bkps=1)[0]) - 0.5


def savgol(r: FloatArray, sigma: float, rate: float) -> float:
    return passage(r, np.asarray(savgol_filter(r, 2 * round(0.5 * MOVE_S * rate) + 1, 3)), rate)


def _ramp(x: FloatArray, closed: float, arcing: float, middle: float, width: float) -> FloatArray:
    return closed + (arcing - closed) * np.clip((x - middle) / width + 0.5, 0.0, 1.0)


def curve(r: FloatArray, sigma: float, rate: float) -> float:
    """Least squares of a straight move on R, started at the passage of the filtered trace."""
    arm = int(LEVEL_S * rate)
    start = savgol(r, sigma, rate)
    if not math.isfinite(start):
        return math.nan
    first = [float(np.median(r[:arm])), float(np.median(r[-arm:])), start, MOVE_S * rate]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OptimizeWarning)
        try:
            return float(curve_fit(_ramp, np.arange(float(r.size)), r, p0=first)[0][2])
        except RuntimeError:
            return math.nan


def _details(r: FloatArray, level: int) -> FloatArray:
    """Undecimated Haar details of one level, the ends extended, no scaling of the levels."""
    block = 2**level
    pad = block + (-r.size) % block
    wide = np.pad(r, (block, pad), mode="edge")
    wide = wide[: wide.size // block * block]
    return np.asarray(pywt.swt(wide, "haar", level=level, norm=False)[0][1])[block : block + r.size]


@cache
def _shift(level: int) -> float:
    """Where the details peak by where the step is."""
    step = np.where(np.arange(8 * 2**level) < 4 * 2**level, 0.0, 1.0)
    return float(np.argmax(np.abs(_details(step, level)))) - (4 * 2**level - 0.5)


def haar(r: FloatArray, sigma: float, rate: float) -> float:
    level = max(2, round(math.log2(2.0 * ARM_S * rate)))
    return float(np.argmax(np.abs(_details(r, level)))) - _shift(level)


def variation(r: FloatArray, sigma: float, rate: float) -> float:
    return passage(r, np.asarray(denoise_tv_chambolle(r, weight=STRENGTH * sigma, eps=1e-5, max_num_iter=400)), rate)


#: Those quick enough for every record, and the slow ones. With one change told, Binseg's answer is KernelCPD's.
QUICK: dict[str, Peer] = {
    "scipy curve_fit, ramp": curve,
    "scipy savgol, half level": savgol,
    "scikit-image TV, half level": variation,
    "PyWavelets Haar maximum": haar,
    "ruptures KernelCPD linear": kernel,
}
SLOW: dict[str, Peer] = {
    "ruptures Binseg, jump 1": binseg,
    "ruptures Pelt, jump 5": pelt,
    "ruptures Dynp, 400 samples": dynp,
}
