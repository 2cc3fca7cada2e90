"""What is uncertain in figures read from the samples of one arcing zone.

The contact's own fluctuation is what is measured, not an error of it. Errors are the noise, what the contact does
between two samples, the zone's ends, and samples that could not be read. The fluctuation is taken as Gaussian and
first-order in time, with x the sampling interval over its correlation time and r = exp(-x) from one sample to the next.

A median moves by how many samples lie on either side of it, and two samples lie on the same side with covariance
arcsin(r) / (2 pi). The sum of arcsin(r^k) over all lags, less its integral pi ln 2 / x for the continuous course, is
the variance of the sampled median about the continuous one, in s^2 / n. It is far below the (1 + r) / (1 - r) that the
median would have as an estimate of a population's, where sampling is dense.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drm.features.observation import Observation

__all__ = ["Scatter", "grouped", "middle", "scatter_of", "weights_of_unread", "zone_index"]

FloatArray = NDArray[np.float64]

#: Fewest samples from which a zone's level is read.
LEAST = 3
#: A step of the voltage channel counts beyond this share of the median deviation.
STEPPED = 0.3
#: The median's standard deviation over the mean's, of Gaussian samples: sqrt(pi / 2).
MEDIAN = math.sqrt(0.5 * math.pi)


@dataclass(frozen=True, eq=False)
class Scatter:
    """Level and fluctuation of one arcing zone, ohm.

    Attributes
    ----------
    n : int
        Samples read.
    level, spread : float
        Median, and robust standard deviation of everything.
    own : float
        Of it, what is the contact's and not the noise's.
    noise : float
    x : float
        Sampling interval over the fluctuation's correlation time.
    unread : shape (k,)
        As :func:`weights_of_unread` gives it; empty where the whole zone was read.
    """

    n: int
    level: float
    spread: float
    own: float
    noise: float
    x: float
    unread: FloatArray = field(repr=False)

    def noise_of_median(self) -> float:
        """Standard uncertainty of the median from noise, ohm: less than the mean's where the contact scatters more.

        Only samples that noise can carry across the median move it: n E[p (1 - p)] with p the probability of that,
        which for Gaussian noise and scatter is 1/4 - arcsin(own^2 / spread^2) / (2 pi).
        """
        whole = math.hypot(self.own, self.noise)
        if whole <= 0.0:
            return 0.0
        across = 0.25 - math.asin(min((self.own / whole) ** 2, 1.0)) / (2.0 * math.pi)
        return whole * math.sqrt(2.0 * math.pi * max(across, 0.0) / self.n)

    def sampling_of_median(self) -> float:
        """Standard deviation of the samples' median about that of the continuous course, ohm."""
        return self.own * math.sqrt(max(_sides(self.x) - math.pi * math.log(2.0) / self.x, 0.0) / self.n)

    def missing_of_median(self) -> float:
        """Standard deviation of the median of what was read about that of the whole zone, ohm."""
        return self.own * math.sqrt(self._unread(sides=True))

    def sampling_of_mean(self) -> float:
        """Standard deviation of the samples' mean about that of the continuous course, ohm."""
        return self.own * math.sqrt(max(1.0 / math.tanh(0.5 * self.x) - 2.0 / self.x, 0.0) / self.n)

    def missing_of_mean(self) -> float:
        """Standard deviation of the mean of what was read about that of the whole zone, ohm."""
        return self.own * math.sqrt(self._unread(sides=False))

    def _unread(self, *, sides: bool) -> float:
        """Variance, by the fluctuation's, of what was read of the zone about the whole of it."""
        if self.unread.size == 0:
            return 0.0
        r = np.exp(-self.x * np.arange(1.0, self.unread.size))
        alone = 0.5 * math.pi if sides else 1.0
        shared = np.arcsin(r) if sides else r
        return max(float(alone * self.unread[0] + 2.0 * (self.unread[1:] @ shared)), 0.0)

    def end_of_median(self, samples: float) -> float:
        """Move of the median where the zone's end moves by so many samples, ohm."""
        return MEDIAN * self.spread * samples / self.n


def middle(samples: FloatArray) -> float:
    """Median of some finite samples, without the general one's cost of a tenth of a millisecond."""
    ordered = np.sort(samples)
    half = ordered.size // 2
    return float(ordered[half]) if ordered.size % 2 else 0.5 * float(ordered[half - 1] + ordered[half])


def grouped(samples: FloatArray, step: float) -> float:
    """Median of samples that were rounded to steps: each stands for all that lies within half a step of it.

    The usual median of such samples is one of the steps.
    """
    if step <= 0.0:
        return middle(samples)
    # Half of the samples' mass lies below: straight between where one sample's share of it begins or ends.
    at = np.concatenate([samples - 0.5 * step, samples + 0.5 * step])
    order = np.argsort(at, kind="stable")
    density = np.cumsum(np.where(order < samples.size, 1.0, -1.0)) / step
    below = np.concatenate([[0.0], np.cumsum(density[:-1] * np.diff(at[order]))])
    return float(np.interp(0.5 * samples.size, below, at[order]))


def _sides(x: float) -> float:
    """Sum of arcsin(exp(-|k| x)) over all whole k."""
    lags = np.arange(1.0, max(2.0, 12.0 / x))
    return 0.5 * math.pi + 2.0 * float(np.sum(np.arcsin(np.exp(-x * lags))))


def weights_of_unread(read: NDArray[np.bool_], there: NDArray[np.bool_] | None = None) -> FloatArray:
    """Products, summed at each lag, of the weights that samples have in what was read less those in the whole zone.

    A stretch that could not be read differs from what lies beside it the less the shorter it is, and several that lie
    apart make up for one another: with the course's correlation at each lag these sums give its variance.

    Parameters
    ----------
    read : bool, shape (n,)
        Which samples of the zone were read.
    there : bool, shape (n,), optional
        At which there was something to be read; all where not given.

    Returns
    -------
    ndarray, shape (n,) or (0,)
        Empty where all were.
    """
    whole = np.ones(read.size, dtype=np.bool_) if there is None else there | read
    if not bool((whole & ~read).any()):
        return np.zeros(0)
    weights = read / read.sum() - whole / whole.sum()
    # The sums at all lags at once, padded so that the end does not meet the beginning (Wiener and Khinchin).
    spectrum = np.fft.rfft(weights, 2 * read.size)
    return np.asarray(np.fft.irfft(np.abs(spectrum) ** 2, 2 * read.size)[: read.size])


def zone_index(o: Observation) -> NDArray[np.intp]:
    """Samples of the arcing zone, those where the current is steady if enough of the zone is.

    On closing the current rises through the sense loop's inductance, and what is left of that voltage after its fitted
    part is taken out can be as large as the contact's own.
    """
    index = o.zone()
    steady = index[o.steady[index]]
    return steady if steady.size >= max(2 * LEAST, 0.2 * index.size) else index


def scatter_of(o: Observation, index: NDArray[np.intp]) -> Scatter:
    """Level and fluctuation of the samples `index`, at least :data:`LEAST`."""
    zone = o.resistance_ohm[index]
    level = middle(zone)
    if o.step_ohm > STEPPED * middle(np.abs(zone - level)):
        level = grouped(zone, o.step_ohm)
    rest = zone - level
    spread = 1.4826 * middle(np.abs(rest))
    noise = min(o.noise_ohm, spread)
    own = math.sqrt(max(spread**2 - noise**2, 0.0))
    rest = np.clip(rest, -3 * spread, 3 * spread)
    power = float(rest @ rest) / rest.size - noise**2
    lag = float(rest[1:] @ rest[:-1]) / rest.size
    r = lag / power if power > 0.0 else 0.0
    return Scatter(
        index.size,
        level,
        spread,
        own,
        noise,
        -math.log(min(max(r, 0.01), 0.995)),
        weights_of_unread(*_read(o, index)),
    )


def _read(o: Observation, index: NDArray[np.intp]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which samples between the zone's ends are among `index`, and at which metal touched; shape (n,)."""
    low, high = o.ends()
    before = min(int(max((o.time_s[index[0]] - low) / o.step_s(), 0.0)), int(index[0]))
    after = min(int(max((high - o.time_s[index[-1]]) / o.step_s(), 0.0)), o.time_s.size - 1 - int(index[-1]))
    begin = int(index[0]) - before
    read = np.zeros(int(index[-1]) + 1 + after - begin, dtype=np.bool_)
    read[index - begin] = True
    there = np.ones(read.size, dtype=np.bool_) if o.parted is None else ~o.parted[begin : begin + read.size]
    return read, there
