"""Auxiliary contacts in one operation: first change, settled change, bounce, and place beside the main contacts."""

from __future__ import annotations

import math
from collections.abc import Mapping

from drm.breaker import Mechanism
from drm.contact_state import NEVER, Switched, state_of, switched
from drm.kept import kept
from drm.operations import Operation
from drm.quantity import NOTHING, Quantity
from drm.record import Record

__all__ = ["auxiliary_of", "figures"]


@kept
def auxiliary_of(record: Record, mechanism: Mechanism, operation: Operation) -> dict[str, Switched]:
    """How each auxiliary contact changed: a closes with the breaker, b opens with it."""
    out: dict[str, Switched] = {}
    for role, name in mechanism.auxiliary.items():
        channel = record.channel(name)
        state = state_of(channel)
        if role in ("a", "b") and state is not None:
            to = int((role == "a") == (operation.kind == "close"))
            out[role] = switched(
                record.time_s + channel.skew_s, state, to, operation.start_s, operation.stop_s, settle_s=30e-3
            )
    return {role: change for role, change in out.items() if change is not NEVER}


def figures(changes: Mapping[str, Switched], reference_s: Quantity, contact_s: Quantity) -> dict[str, Quantity]:
    """Columns of the auxiliary contacts.

    Parameters
    ----------
    reference_s : Quantity
        Instant from which the operation's times count.
    contact_s : Quantity
        The mechanism's last main (arcing) contact, s on the record's clock; NaN where not known.
    """
    out: dict[str, Quantity] = {}
    for role, change in changes.items():
        for column, at in (("ms", change.first_s), ("settled_ms", change.last_s)):
            if at:
                out[f"auxiliary_{role}_{column}"] = Quantity(
                    1e3 * (at.value - reference_s.value), 1e3 * math.hypot(at.u, reference_s.u)
                )
        out[f"auxiliary_{role}_after_contact_ms"] = (
            Quantity(1e3 * (change.first_s.value - contact_s.value), 1e3 * math.hypot(change.first_s.u, contact_s.u))
            if change.first_s and contact_s
            else NOTHING
        )
    return out
