"""What a closed breaker is, and what a contact's state channel shows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drm.record import Channel
from drm.synthetic.errors import Drawn
from drm.synthetic.passages import Passages
from drm.synthetic.scenario import Scenario
from drm.synthetic.truth import StaticTruth
from drm.synthetic.unit import temperature_factor
from drm.synthetic.wiring import Wired, current_channel

__all__ = ["states", "static_truth"]

BoolArray = NDArray[np.bool_]


def states(s: Scenario, contacts: Passages) -> list[Channel]:
    """Digital channels of the interrupters and of their closing resistors' contacts, where they are recorded."""
    if not s.chain.contact_states:
        return []

    def digital(name: str, state: BoolArray) -> Channel:
        return Channel(name, "", state[:: s.chain.oversampling].astype(np.float64), digital=True)

    out = []
    for name in s.interrupters:
        out.append(digital(f"STATE_{name}", contacts.metal[name]))
        if s.contact.resistor_ohm > 0.0:
            # Its contact stays closed with the others until the next opening.
            out.append(digital(f"RES_{name}", contacts.metal[name] | contacts.inserted[name]))
    return out


def static_truth(s: Scenario, contacts: Passages, wired: Wired, drawn: Drawn) -> tuple[StaticTruth, ...]:
    """Truth of a record without operations."""
    warm = temperature_factor(s.contact.temperature_c)
    rows = []
    for name in s.interrupters:
        ohm = contacts.units[name].main_ohm
        rows.append(
            StaticTruth(
                name,
                resistance_uohm=1e6 * ohm,
                resistance_20_uohm=1e6 * ohm / warm,
                temperature_c=s.contact.temperature_c,
                current_a=float(np.max(wired.current_a[current_channel(s, name)])),
                offset_v=drawn.offset_v[name] + 1e-6 * s.chain.offset_uv,
            )
        )
    return tuple(rows)
