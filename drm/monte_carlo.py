"""Propagation of distributions by a Monte Carlo method: JCGM 101:2008.

For models that the law of propagation cannot take through: medians, extremes, order, anything bent within the range of
its inputs. Where both can be used this one checks the other (JCGM 101, clause 8).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Distribution", "coverage_interval", "simulate"]

FloatArray = NDArray[np.float64]

#: Batches before the figures are asked whether they stand: two or three may agree by chance.
LEAST = 10


@dataclass(frozen=True)
class Distribution:
    """What the draws say about the output.

    Attributes
    ----------
    value, u : float
        Mean and standard deviation.
    low, high : float
        Coverage interval.
    draws : int
    stable : bool
        Whether all four stand to the digits asked for.
    """

    value: float
    u: float
    low: float
    high: float
    draws: int
    stable: bool


def coverage_interval(samples: FloatArray, *, coverage: float = 0.95, shortest: bool = False) -> tuple[float, float]:
    """Ends of the interval that holds the share `coverage` of `samples` (JCGM 101, 7.7 and 5.3).

    Parameters
    ----------
    samples : ndarray, shape (n,)
    coverage : float
    shortest : bool
        The shortest such interval instead of the probabilistically symmetric one: they differ where the distribution
        is skewed.
    """
    y = np.sort(samples)
    n = y.size
    q = min(n - 1, math.floor(coverage * n + 0.5))
    r = int(np.argmin(y[q:] - y[: n - q])) if shortest else (n - q) // 2
    r = min(r, n - 1 - q)
    return float(y[r]), float(y[r + q])


def simulate(
    draw: Callable[[np.random.Generator, int], FloatArray],
    *,
    rng: np.random.Generator,
    coverage: float = 0.95,
    shortest: bool = False,
    digits: int = 2,
    most: int = 5_000_000,
) -> Distribution:
    """Distribution of a model's output, drawn until its figures stand (the adaptive procedure of JCGM 101, 7.9).

    Parameters
    ----------
    draw : callable
        ``draw(rng, n)`` draws the inputs n times and returns the model's outputs, shape (n,).
    rng : numpy.random.Generator
    coverage : float
    shortest : bool
        As :func:`coverage_interval` takes it.
    digits : int
        Significant digits of the standard uncertainty that are to stand, with the value and both ends to the same
        decimal.
    most : int
        Draws after which it ends all the same, with `stable` False.

    Returns
    -------
    Distribution
        From all the draws together.
    """
    batch = max(math.ceil(100.0 / (1.0 - coverage)), 10_000)
    taken: list[FloatArray] = []
    figures: list[tuple[float, float, float, float]] = []
    stable = False
    while not stable and (len(taken) < 2 or (len(taken) + 1) * batch <= most):
        y = np.asarray(draw(rng, batch), dtype=np.float64)
        taken.append(y)
        ends = coverage_interval(y, coverage=coverage, shortest=shortest)
        figures.append((float(y.mean()), float(y.std(ddof=1)), *ends))
        if len(taken) >= LEAST:
            # Twice the standard deviation of each figure's mean over the batches, against half a unit of the last
            # digit (JCGM 101, 7.9.4 and 7.9.2).
            sizes = np.std(np.array(figures), axis=0, ddof=1) / math.sqrt(len(figures))
            total = float(np.mean([f[1] for f in figures]))
            stable = bool((2.0 * sizes <= _half_unit(total, digits)).all())
    every = np.concatenate(taken)
    low, high = coverage_interval(every, coverage=coverage, shortest=shortest)
    return Distribution(float(every.mean()), float(every.std(ddof=1)), low, high, every.size, stable)


def _half_unit(u: float, digits: int) -> float:
    """Half a unit in the last of `digits` significant digits of `u`."""
    return 0.5 * 10.0 ** (math.floor(math.log10(u)) - digits + 1) if u > 0.0 else math.inf
