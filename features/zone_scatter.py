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
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.features.observation import Observation

__all__ = ["Scatter", "middle", "scatter_of", "zone_index"]

FloatArray = NDArray[np.float64]

#: Fewest samples from which a zone's level is read.
LEAST = 3
#: The median's standard deviation over the mean's, of Gaussian samples: sqrt(pi / 2).
MEDIAN = math.sqrt(0.5 * math.pi)


@dataclass(frozen=True)
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
    missing : float
        Share of the zone that could not be read.
    """

    n: int
    level: float
    spread: float
    own: float
    noise: float
    x: float
    missing: float

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
        return self.own * math.sqrt(_unread(self.n, self.missing, self.x, sides=True))

    def sampling_of_mean(self) -> float:
        """Standard deviation of the samples' mean about that of the continuous course, ohm."""
        return self.own * math.sqrt(max(1.0 / math.tanh(0.5 * self.x) - 2.0 / self.x, 0.0) / self.n)

    def missing_of_mean(self) -> float:
        """Standard deviation of the mean of what was read about that of the whole zone, ohm."""
        return self.own * math.sqrt(_unread(self.n, self.missing, self.x, sides=False))

    def end_of_median(self, samples: float) -> float:
        """Move of the median where the zone's end moves by so many samples, ohm."""
        return MEDIAN * self.spread * samples / self.n


def middle(samples: FloatArray) -> float:
    """Median of some finite samples, without the general one's cost of a tenth of a millisecond."""
    ordered = np.sort(samples)
    half = ordered.size // 2
    return float(ordered[half]) if ordered.size % 2 else 0.5 * float(ordered[half - 1] + ordered[half])


def _sides(x: float) -> float:
    """Sum of arcsin(exp(-|k| x)) over all whole k."""
    lags = np.arange(1.0, max(2.0, 12.0 / x))
    return 0.5 * math.pi + 2.0 * float(np.sum(np.arcsin(np.exp(-x * lags))))


def _summed(n: float, x: float, *, sides: bool) -> float:
    """Variance of the sum of `n` neighbours, their own being one; of the sum of their sides where `sides` is true."""
    lags = np.arange(1.0, max(2.0, min(n, 12.0 / x)))
    r = np.exp(-x * lags)
    alone = 0.5 * math.pi if sides else 1.0
    return alone * n + 2.0 * float(np.sum(np.maximum(n - lags, 0.0) * (np.arcsin(r) if sides else r)))


def _unread(n: int, missing: float, x: float, *, sides: bool) -> float:
    """Variance, by the fluctuation's, of what was read of a zone about the whole of it: a stretch beside the rest.

    The stretch differs from what lies beside it the less the shorter it is.
    """
    if missing <= 0.0:
        return 0.0
    lost = missing * n / (1.0 - missing)
    read, gone, whole = (_summed(k, x, sides=sides) for k in (n, lost, n + lost))
    both = whole - read - gone
    return max(missing**2 * (read / n**2 + gone / lost**2 - both / (n * lost)), 0.0)


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
    rest = zone - level
    spread = 1.4826 * middle(np.abs(rest))
    noise = min(o.noise_ohm, spread)
    own = math.sqrt(max(spread**2 - noise**2, 0.0))
    rest = np.clip(rest, -3 * spread, 3 * spread)
    power = float(rest @ rest) / rest.size - noise**2
    lag = float(rest[1:] @ rest[:-1]) / rest.size
    r = lag / power if power > 0.0 else 0.0
    low, high = o.ends()
    whole = (high - low) / o.step_s()
    return Scatter(
        index.size,
        level,
        spread,
        own,
        noise,
        -math.log(min(max(r, 0.01), 0.995)),
        min(max(1.0 - (index.size + 1.0) / whole, 0.0), 0.9) if whole > 0.0 else 0.0,
    )
