"""What an encoder's steps and noise leave in a quadratic fitted to travel.

The rounding error of an encoder is a sawtooth: the fit averages over its periods. Periods within the fit are the steps
gone through, or their beat with the sampling where several steps go by between two samples. The shares below were
simulated over random phases and 10 to 1000 samples; `tests/test_travel.py` holds them to it.
"""

from __future__ import annotations

import math

__all__ = ["level_u", "slope_u"]


def _periods(step: float, per_sample: float, n: int) -> float:
    f = per_sample / step
    return max(n * abs(f - round(f)), 1e-9)


def level_u(step_mm: float, noise_mm: float, *, per_sample_mm: float, n: int) -> float:
    """Standard uncertainty of the middle of a quadratic fitted to `n` samples, mm.

    Parameters
    ----------
    step_mm : float
        Of the encoder; 0 without.
    noise_mm : float
        Standard deviation of what is independent from sample to sample.
    per_sample_mm : float
        Travel from one sample to the next.
    n : int
        Samples in the fit.

    Notes
    -----
    A slow sawtooth leaves 0.6 / periods^2 of a single reading's ``step / sqrt(12)``, never more than all of it;
    independent errors leave 1.5 / sqrt(n), the variance 9 / (4 n) of a quadratic's middle.
    """
    steps = 0.0
    if step_mm > 0.0:
        share = math.hypot(0.6 / _periods(step_mm, per_sample_mm, n) ** 2, 1.5 / math.sqrt(n))
        steps = step_mm / math.sqrt(12.0) * min(1.0, share)
    return math.hypot(steps, 1.5 * noise_mm / math.sqrt(n))


def slope_u(step_mm: float, noise_mm: float, *, per_sample_mm: float, n: int, step_s: float) -> float:
    """Standard uncertainty of the slope in the middle of a quadratic fitted to `n` samples `step_s` apart, m/s.

    Notes
    -----
    Over half the window a slow sawtooth leaves 0.8 / periods of ``step / sqrt(12)``, independent errors sqrt(3 / n).
    """
    white, steps = math.sqrt(3.0 / n), 0.0
    if step_mm > 0.0:
        share = math.hypot(0.8 / _periods(step_mm, per_sample_mm, n), white)
        steps = step_mm / math.sqrt(12.0) * min(1.0, share)
    return 1e-3 * math.hypot(steps, noise_mm * white) / (0.5 * n * step_s)
