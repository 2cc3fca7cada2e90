"""What is uncertain in an arcing zone's level, beside fluctuations drawn and read (JCGM 101, propagation by draws).

The fluctuation is Gaussian and of first order, as `scipy.signal.lfilter` makes it of white noise.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from drm.features.zone_scatter import Scatter

DRAWS = 4000
#: Samples read, samples not read beside them, sampling interval by correlation time.
ZONES = [(100, 11, 0.1), (100, 43, 0.1), (100, 5, 0.02), (40, 40, 0.3), (100, 25, 1.0), (60, 7, 0.01)]


def _drawn(n: int, x: float, seed: int) -> NDArray[np.float64]:
    keep = math.exp(-x)
    white = np.random.default_rng(seed).standard_normal((DRAWS, n))
    white[:, 1:] *= math.sqrt(1.0 - keep * keep)
    return np.asarray(lfilter([1.0], [1.0, -keep], white, axis=1))


def _zone(read: int, lost: int, x: float) -> Scatter:
    return Scatter(n=read, level=0.0, spread=1.0, own=1.0, noise=0.0, x=x, missing=lost / (read + lost))


@pytest.mark.parametrize(("read", "lost", "x"), ZONES)
def test_a_mean_without_an_end_of_the_zone_is_off_by_what_is_stated(read: int, lost: int, x: float) -> None:
    z = _drawn(read + lost, x, 1)
    off = z[:, :read].mean(axis=1) - z.mean(axis=1)
    assert _zone(read, lost, x).missing_of_mean() == pytest.approx(off.std(), rel=0.06)


@pytest.mark.parametrize(("read", "lost", "x"), ZONES)
def test_a_median_without_an_end_of_the_zone_is_off_by_what_is_stated(read: int, lost: int, x: float) -> None:
    z = _drawn(read + lost, x, 2)
    off = np.median(z[:, :read], axis=1) - np.median(z, axis=1)
    # To first order in how many samples change sides.
    assert _zone(read, lost, x).missing_of_median() == pytest.approx(off.std(), rel=0.2)


def test_a_zone_read_whole_misses_nothing() -> None:
    assert _zone(50, 0, 0.1).missing_of_median() == 0.0
