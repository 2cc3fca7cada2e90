"""Zones of one operation: main contact, commutation, arcing contact, parted."""

from __future__ import annotations

from dataclasses import dataclass

from drm.quantity import NOTHING, Quantity


@dataclass(frozen=True)
class Zones:
    """Instants and levels of one interrupter in one operation.

    Instants are seconds on the record's clock.
    """

    main_s: Quantity = NOTHING
    commutation_s: Quantity = NOTHING
    arcing_s: Quantity = NOTHING
    main_ohm: Quantity = NOTHING
    reasons: tuple[str, ...] = ()
