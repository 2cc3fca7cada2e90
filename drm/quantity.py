"""A value and its standard uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["NOTHING", "Quantity"]


@dataclass(frozen=True)
class Quantity:
    """A value with its standard uncertainty (k = 1); NaN where it cannot be measured."""

    value: float = math.nan
    u: float = math.nan

    def __bool__(self) -> bool:
        return math.isfinite(self.value)


NOTHING = Quantity()
