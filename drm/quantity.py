"""A value, its standard uncertainty, and what that is made of."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["NOTHING", "Quantity"]


@dataclass(frozen=True)
class Quantity:
    """A value with its standard uncertainty (k = 1); NaN where it cannot be measured.

    Attributes
    ----------
    value, u : float
    parts : tuple of (str, float)
        What each independent source of error adds: the source's name, and its standard uncertainty times the value's
        derivative, with the sign of that. Their sum of squares is ``u**2``; two values of one measurement share the
        sources of one name (:func:`drm.uncertainty.covariance`). Empty where only the whole is known.
    """

    value: float = math.nan
    u: float = math.nan
    parts: tuple[tuple[str, float], ...] = ()

    def __bool__(self) -> bool:
        return math.isfinite(self.value)


NOTHING = Quantity()
