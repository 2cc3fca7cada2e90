"""What is uncertain in an arcing zone's level, beside fluctuations drawn and read (JCGM 101, propagation by draws).

The fluctuation is Gaussian and of first order, as `scipy.signal.lfilter` makes it of white noise.
"""

from __future__ import annotations

import math
import statistics

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from drm.features.zone_scatter import Scatter, grouped, weights_of_unread

DRAWS = 4000
#: Samples read, samples not read beside them, sampling interval by correlation time.
ZONES = [(100, 11, 0.1), (100, 43, 0.1), (100, 5, 0.02), (40, 40, 0.3), (100, 25, 1.0), (60, 7, 0.01)]


def _drawn(n: int, x: float, seed: int) -> NDArray[np.float64]:
    keep = math.exp(-x)
    white = np.random.default_rng(seed).standard_normal((DRAWS, n))
    white[:, 1:] *= math.sqrt(1.0 - keep * keep)
    return np.asarray(lfilter([1.0], [1.0, -keep], white, axis=1))


#: Stretches not read, from and to, in a zone of so many samples, and the sampling interval by the correlation time.
HOLES = [(120, [(50, 60)], 0.1), (120, [(10, 14), (60, 70), (100, 103)], 0.1), (100, [(0, 8), (92, 100)], 0.03)]


def _zone(read: NDArray[np.bool_], x: float) -> Scatter:
    return Scatter(n=int(read.sum()), level=0.0, spread=1.0, own=1.0, noise=0.0, x=x, unread=weights_of_unread(read))


def _ended(read: int, lost: int) -> NDArray[np.bool_]:
    return np.arange(read + lost) < read


def _holed(n: int, holes: list[tuple[int, int]]) -> NDArray[np.bool_]:
    at = np.arange(n)
    return ~np.any([(low <= at) & (at < high) for low, high in holes], axis=0)


CASES = [(_ended(read, lost), x) for read, lost, x in ZONES] + [(_holed(n, holes), x) for n, holes, x in HOLES]


@pytest.mark.parametrize(("read", "x"), CASES)
def test_a_mean_without_a_part_of_the_zone_is_off_by_what_is_stated(read: NDArray[np.bool_], x: float) -> None:
    z = _drawn(read.size, x, 1)
    off = z[:, read].mean(axis=1) - z.mean(axis=1)
    assert _zone(read, x).missing_of_mean() == pytest.approx(off.std(), rel=0.06)


@pytest.mark.parametrize(("read", "x"), CASES)
def test_a_median_without_a_part_of_the_zone_is_off_by_what_is_stated(read: NDArray[np.bool_], x: float) -> None:
    z = _drawn(read.size, x, 2)
    off = np.median(z[:, read], axis=1) - np.median(z, axis=1)
    # To first order in how many samples change sides.
    assert _zone(read, x).missing_of_median() == pytest.approx(off.std(), rel=0.2)


def test_a_zone_read_whole_misses_nothing() -> None:
    assert _zone(np.ones(50, dtype=np.bool_), 0.1).missing_of_median() == 0.0


def test_what_was_not_there_is_not_missing() -> None:
    """While a bouncing contact is parted it has no resistance."""
    read = _holed(100, [(40, 50)])
    assert _zone(read, 0.1).missing_of_median() > 0.0
    assert weights_of_unread(read, read).size == 0


def test_the_median_of_grouped_data_is_that_of_the_handbook() -> None:
    """L + (n / 2 - F) / f * w: the ages in the documentation of Python's statistics.median_grouped, and its answer."""
    ages = np.repeat([25.0, 35.0, 45.0, 55.0, 65.0], [172, 484, 387, 22, 6])
    assert grouped(ages, 10.0) == pytest.approx(statistics.median_grouped(ages.tolist(), 10.0))
    assert grouped(ages, 10.0) == pytest.approx(37.5, abs=0.1)


@pytest.mark.parametrize("level", [3.1, 3.3, 3.5, 3.7])
def test_steps_of_the_recorder_do_not_move_the_median_to_one_of_them(level: float) -> None:
    z = np.round(level + 0.6 * np.random.default_rng(3).standard_normal(4000))
    assert grouped(z, 1.0) == pytest.approx(level, abs=0.06)
    assert abs(float(np.median(z)) - level) > 0.09
