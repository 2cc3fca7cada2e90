"""Times of the whole breaker, of its poles and of its interrupters, as IEC 62271-100 defines them.

Definitions (3.7 of the standard, restated): opening time, from the release energised until the arcing contacts have
separated in all poles; closing time, from the closing circuit energised until the contacts touch in all poles;
open-close time, from separation in all poles until the first pole's touch; close-open time, from the first pole's
touch until separation in all poles.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from drm.breaker import Breaker, Interrupter
from drm.contact_state import NEVER, Switched, metallic, state_of, switched
from drm.kept import kept
from drm.median import nanmedian
from drm.operations import Operation
from drm.quantity import NOTHING, Quantity
from drm.record import Record
from drm.resistor import NO_RESISTOR, Insertion, insertion

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COLUMNS", "Contact", "contact_of", "frame", "reference_u", "timing_rows"]

#: Columns after the identity -> whether a standard uncertainty stands beside it.
COLUMNS: dict[str, bool] = {
    "opening_time_ms": True,
    "closing_time_ms": True,
    "first_ms": True,
    "last_ms": True,
    "spread_ms": True,
    "spread_limit_ms": False,
    "open_close_time_ms": True,
    "close_open_time_ms": True,
    "bounce_ms": True,
    "bounces": False,
    "resistor_insertion_ms": True,
    "resistor_duration_ms": True,
    "resistor_ohm": True,
    "latch_ms": True,
    "run_ms": True,
    "offset_ms": True,
}
IDENTITY = ("record", "breaker", "operation", "kind", "scope", "name")
WORDS = ("first", "last", "source", "why")

#: Standard uncertainty of a reference, s: of a coil's onset where its own is not known, and of a start of motion, whose
#: first quarter of a millimetre goes by so slowly that an encoder's step hides some tenths of a millisecond.
COIL_U_S, MOTION_U_S = 20e-6, 0.3e-3
#: Mechanisms of one breaker commanded further apart than this many cycles had separate commands.
ONE_COMMAND_CYCLES = 1.0


@dataclass(frozen=True)
class Contact:
    """One interrupter's contact in one operation.

    `at_s`: on opening the separation, on closing the touch, on the record's clock; `source`: 'resistance' (voltage and
    current), 'state' (the contact's state channel) or empty.
    """

    interrupter: Interrupter
    at_s: Quantity = NOTHING
    source: str = ""
    change: Switched = NEVER
    resistor: Insertion = NO_RESISTOR


def reference_u(operation: Operation, mechanism: str) -> float:
    """Standard uncertainty of the instant from which a mechanism's times count, s: coil's onset or start of motion."""
    return operation.reference_u_s.get(mechanism, COIL_U_S if operation.reference[mechanism] == "coil" else MOTION_U_S)


@kept
def contact_of(
    record: Record, interrupter: Interrupter, operation: Operation, measured: Quantity, *, gain_rel: float
) -> Contact:
    """Instant, bounce and resistor of one interrupter in one operation.

    Parameters
    ----------
    measured : Quantity
        Instant of the arcing contact from voltage and current, s on the record's clock; NaN where there is none.
    gain_rel : float
        Standard relative uncertainty of V/I.
    """
    opening = operation.kind == "open"
    out = Contact(interrupter)
    state, time = None, record.time_s
    if interrupter.state is not None:
        channel = record.channel(interrupter.state)
        state, time = state_of(channel), record.time_s + channel.skew_s
    elif measured and not opening:
        channel = record.channel(interrupter.voltage)
        time = record.time_s + channel.skew_s
        import numpy as np

        amps = np.abs(record.channel(interrupter.current).values("A"))
        late = record.time_s > operation.stop_s - 0.25 * (operation.stop_s - measured.value)
        state = metallic(record, interrupter, nanmedian(amps[late & (record.time_s <= operation.stop_s)]))
    if state is not None:
        change = switched(time, state, 0 if opening else 1, operation.start_s, operation.stop_s)
        # Momentary part-separations of the arcing contact while it opens are its wear, not bounce.
        out = replace(out, change=change if interrupter.state is not None or not opening else NEVER)
        if interrupter.state is not None and change.first_s:
            out = replace(out, at_s=change.last_s if opening else change.first_s, source="state")
    if measured:
        out = replace(out, at_s=measured, source="resistance")
    if not opening:
        out = replace(out, resistor=insertion(record, interrupter, operation.start_s, out.at_s, gain_rel=gain_rel))
    return out


def timing_rows(
    record: Record,
    breaker: Breaker,
    operations: Sequence[Operation],
    contacts: Mapping[int, Sequence[Contact]],
) -> list[dict[str, Any]]:
    """One row for the breaker, one for each pole and one for each interrupter, operation by operation.

    Parameters
    ----------
    contacts : mapping
        Operation number -> its contacts, one for each interrupter of the breaker.

    Notes
    -----
    A pole whose interrupters are in series conducts when the last of them has touched; on opening the last of them to
    separate counts as well (all arcing contacts separated). Where no coil is recorded, or one mechanism's is not, the
    instant of the command is not known and no opening or closing time is given.
    """
    rows: list[dict[str, Any]] = []
    earlier: tuple[Operation, dict[str, Quantity]] | None = None
    for op in operations:
        command, why = _command(breaker, op)
        mine = list(contacts.get(op.number, ()))
        poles = {p: _last([c.at_s for c in mine if c.interrupter.pole == p]) for p in _poles(mine)}
        named = {p: q for p, q in poles.items() if q}
        complete = bool(poles) and len(named) == len(poles)
        whole = _scope(op, "breaker", breaker.name, named, command, complete)
        whole["spread_limit_ms"] = _limit(breaker, "poles", op.kind) if len(poles) > 1 else math.nan
        if earlier is not None and complete:
            before, theirs = earlier
            if before.kind == "open" and op.kind == "close":
                whole["open_close_time_ms"] = _between(
                    max(theirs.values(), key=_value), min(named.values(), key=_value)
                )
            elif before.kind == "close" and op.kind == "open":
                whole["close_open_time_ms"] = _between(
                    min(theirs.values(), key=_value), max(named.values(), key=_value)
                )
        whole["why"] = why if not command else "" if complete else "not every interrupter's instant is known"
        whole["source"] = "+".join(sorted({c.source for c in mine if c.source}))
        rows.append(whole)
        for pole in poles:
            units = {c.interrupter.name: c.at_s for c in mine if c.interrupter.pole == pole and c.at_s}
            every = len(units) == sum(c.interrupter.pole == pole for c in mine)
            row = _scope(op, "pole", pole, units, command, every)
            row["spread_limit_ms"] = _limit(breaker, "within a pole", op.kind) if len(units) > 1 else math.nan
            row["why"] = why if not command else "" if every else "not every interrupter's instant is known"
            rows.append(row)
        rows += [_unit(op, c, command) for c in mine]
        earlier = (op, named) if complete else None
    for row in rows:
        row |= {"record": record.name, "breaker": breaker.name, "sample_ms": 1e3 / record.sample_rate_hz}
    return rows


def frame(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """The rows as a table: identity, :data:`COLUMNS` each with `NAME_u` where it is True, then words."""
    import pandas as pd

    columns = [*IDENTITY, *(c for n, u in COLUMNS.items() for c in ((n, f"{n}_u") if u else (n,))), *WORDS, "sample_ms"]
    made = []
    for row in rows:
        flat: dict[str, Any] = {k: row.get(k, "") for k in (*IDENTITY, *WORDS)}
        for name, has_u in COLUMNS.items():
            value = row.get(name, NOTHING)
            q = value if isinstance(value, Quantity) else Quantity(float(value))
            flat[name] = q.value
            if has_u:
                flat[f"{name}_u"] = q.u
        flat["sample_ms"] = row.get("sample_ms", math.nan)
        made.append(flat)
    return pd.DataFrame(made, columns=columns)


def _command(breaker: Breaker, op: Operation) -> tuple[Quantity, str]:
    """When the release was energised: the first coil's onset where all were energised by one command."""
    onsets = {m.name: op.reference_s[m.name] for m in breaker.mechanisms if op.reference[m.name] == "coil"}
    if len(onsets) < len(breaker.mechanisms):
        return NOTHING, "no coil current of every mechanism: the instant of the command is not known"
    first = min(onsets, key=lambda name: onsets[name])
    if max(onsets.values()) - onsets[first] > ONE_COMMAND_CYCLES / breaker.rated_frequency_hz:
        return NOTHING, "the mechanisms were not commanded together"
    return Quantity(onsets[first], reference_u(op, first)), ""


def _scope(
    op: Operation, scope: str, name: str, points: Mapping[str, Quantity], command: Quantity, complete: bool
) -> dict[str, Any]:
    """First and last of several instants, their spread, and the time from the command to the last."""
    row: dict[str, Any] = {"operation": op.number, "kind": op.kind, "scope": scope, "name": name}
    if not points:
        return row
    first, last = min(points, key=lambda k: points[k].value), max(points, key=lambda k: points[k].value)
    if complete:
        row[_time_of(op)] = _between(command, points[last])
        row |= {"first_ms": _between(command, points[first]), "last_ms": _between(command, points[last])}
        if len(points) > 1:
            row |= {"spread_ms": _between(points[first], points[last]), "first": first, "last": last}
    return row


def _unit(op: Operation, contact: Contact, command: Quantity) -> dict[str, Any]:
    row: dict[str, Any] = {
        "operation": op.number,
        "kind": op.kind,
        "scope": "interrupter",
        "name": contact.interrupter.name,
        "source": contact.source,
        "bounce_ms": contact.change.bounce_ms,
        "bounces": float(contact.change.bounces) if contact.change.first_s else math.nan,
        "resistor_insertion_ms": _between(command, contact.resistor.at_s),
        "resistor_duration_ms": contact.resistor.duration_ms,
        "resistor_ohm": contact.resistor.ohm,
        "why": "" if contact.at_s else "the instant is not known",
    }
    return row | {_time_of(op): _between(command, contact.at_s)}


def _time_of(op: Operation) -> str:
    return "opening_time_ms" if op.kind == "open" else "closing_time_ms"


def _poles(contacts: Sequence[Contact]) -> list[str]:
    return list(dict.fromkeys(c.interrupter.pole for c in contacts))


def _value(q: Quantity) -> float:
    return q.value


def _last(points: Sequence[Quantity]) -> Quantity:
    """The latest instant; NOTHING where one of them is not known."""
    return max(points, key=_value) if points and all(points) else NOTHING


def _between(a: Quantity, b: Quantity) -> Quantity:
    return Quantity(1e3 * (b.value - a.value), 1e3 * math.hypot(a.u, b.u)) if a and b else NOTHING


def _limit(breaker: Breaker, what: str, kind: str) -> float:
    """Published simultaneity limit at the rated frequency, ms."""
    from drm.rules.simultaneity import LIMITS_CYCLES

    return 1e3 * LIMITS_CYCLES[what, kind] / breaker.rated_frequency_hz
