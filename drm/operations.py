"""Where in the record each operation lies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["open", "close"]


@dataclass(frozen=True)
class Operation:
    """One opening or closing in a record.

    Attributes
    ----------
    number : int
        1, 2, ... in the order in which they happen.
    kind : {'open', 'close'}
    start_s, stop_s : float
        Window of the record that belongs to it.
    reference_s : dict
        Mechanism -> instant from which its times are counted, on the record's clock.
    reference : dict
        Mechanism -> 'coil' or 'motion': what that instant is.
    """

    number: int
    kind: Kind
    start_s: float
    stop_s: float
    reference_s: dict[str, float]
    reference: dict[str, str]
