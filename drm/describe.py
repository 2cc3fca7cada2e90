"""A first breaker file, drafted from what a record's channels are called and from what their signals show.

Words come first: names, units, phase and component fields. Where they say nothing the signals do, as far as physics
tells the channels apart; where they contradict the signals the line says so. Only doubtful lines are marked.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from drm.describe_contacts import contacts
from drm.describe_draft import Draft, Line, either, key, quoted, told
from drm.describe_instants import instants_of
from drm.describe_mechanisms import KEYS, Moved, Moving, mechanisms
from drm.describe_motion import Test
from drm.describe_names import said
from drm.describe_roles import Role, merged, roles
from drm.describe_seen import Course
from drm.describe_signals import parts
from drm.errors import RecordError
from drm.record import Record
from drm.units import canonical

__all__ = ["describe", "draft"]

_MM = {"mm": 1.0, "µm": 0.001, "cm": 10.0, "m": 1000.0, "in": 25.4}


def describe(records: Sequence[Record]) -> str:
    """Draft a breaker file from the channels of records.

    Parameters
    ----------
    records : sequence of Record
        Records of one breaker. Channels are taken from the first; the others must have those that the draft names.

    Returns
    -------
    str
        TOML that :meth:`drm.breaker.Breaker.load` reads. Lines that rest on a guess end in ``# doubtful: why``.

    Raises
    ------
    RecordError
        If there is no record, or no voltage can be paired with a current, or the records differ in what is named.
    """
    return draft(records).text


def draft(records: Sequence[Record]) -> Draft:
    """As :func:`describe`, with the lines one by one."""
    if not records:
        raise RecordError("no record to describe", mend="give at least one record")
    record = records[0]
    words = said([c for c in record.channels if record.names.count(c.name) == 1])
    names = {w.name for w in words}
    looks = [parts(r, [c for c in r.channels if c.name in names and r.names.count(c.name) == 1]) for r in records]
    every = roles(words, merged([look for look, _ in looks]))
    _refuse_without(record, every)
    tests = [_tested(r, courses, every) for r, (_, courses) in zip(records, looks, strict=True)]
    found = contacts(every, tests)
    if not found:
        _refuse_unpaired(record, every)
    _same_channels(records, [n for c in found for n in (c.voltage.name, c.current.name)])
    common = [r for r in every if all(r.name in other.names for other in records)]
    moving, moved = mechanisms(common, found, tests)
    return Draft(tuple(_lines(record, moving, moved, every)))


def _tested(record: Record, courses: tuple[Course, ...], every: Sequence[Role]) -> Test:
    here = [r for r in every if record.names.count(r.name) == 1]
    volts, amps = (
        [record.channel(r.name) for r in here if r.quantity == q and r.role == q] for q in ("voltage", "current")
    )
    return Test(record, courses, tuple(instants_of(record, courses, volts, amps)))


def _refuse_without(record: Record, every: Sequence[Role]) -> None:
    for quantity, unit in (("voltage", "V"), ("current", "A")):
        if not any(r.quantity == quantity and r.role == quantity for r in every):
            raise RecordError(
                f"no channel is a contact's {quantity} by its unit, name or signal",
                path=record.path,
                place="channels",
                mend=f"give the {quantity} channels the unit {unit}, or write the file by hand",
            )


def _refuse_unpaired(record: Record, every: Sequence[Role]) -> None:
    volts = [r for r in every if r.quantity == r.role == "voltage"]
    amps = [r for r in every if r.quantity == r.role == "current"]
    raise RecordError(
        f"none of {len(volts)} voltages pairs with one of {len(amps)} currents",
        path=record.path,
        place=f"channel '{volts[0].name}'",
        mend="name them alike, such as U_A1 and I_A1, or write the breaker file by hand",
    )


def _same_channels(records: Sequence[Record], named: Iterable[str]) -> None:
    for other in records[1:]:
        for name in dict.fromkeys(named):
            if name not in other.names:
                raise RecordError(
                    f"has no channel '{name}', which '{records[0].name}' has",
                    path=other.path,
                    place=f"channel '{name}'",
                    mend="describe records of one breaker together",
                )


def _lines(record: Record, moving: Sequence[Moving], moved: Sequence[Moved], every: Sequence[Role]) -> Iterable[Line]:
    yield Line("# Drafted from the channels of a record; check it against the test's wiring.")
    yield Line("[breaker]")
    yield key("name", record.name)
    yield _frequency(record)
    for m in moving:
        yield Line("")
        yield from _mechanism(m)
    for one in moved:
        yield Line("")
        yield from _interrupter(one)
    yield from _left(record, moving, moved, every)


def _mechanism(m: Moving) -> Iterable[Line]:
    yield Line("[[mechanism]]")
    yield key("name", m.name, m.doubt)
    if "travel" in m.channels:
        yield _travel(*m.channels["travel"])
    for name in KEYS:
        if name in m.channels:
            role, doubt = m.channels[name]
            yield key(name, role.name, doubt or role.doubt)
    kinds = {k: m.channels[k] for k in ("a", "b") if k in m.channels}
    if kinds:
        inner = ", ".join(f"{k} = {quoted(role.name)}" for k, (role, _) in kinds.items())
        doubts = dict.fromkeys(d for role, doubt in kinds.values() if (d := doubt or role.doubt))
        yield Line(f"auxiliary = {{ {inner} }}", "; ".join(doubts))


def _travel(role: Role, doubt: str) -> Line:
    unit = canonical(role.said.channel.unit)
    scale, why = _MM.get(unit, 1.0), ""
    if unit not in _MM:
        why = f"give mm per {unit or 'unit'} of the sensor, or its curve"
    whole = "; ".join(dict.fromkeys(d for d in (doubt, role.doubt, why) if d))
    return Line(f"travel = {{ channel = {quoted(role.name)}, scale = {scale!r} }}", whole)


def _interrupter(one: Moved) -> Iterable[Line]:
    c = one.contact
    yield Line("[[interrupter]]")
    yield key("name", f"{c.pole}{c.position}")
    yield key("pole", c.pole, c.pole_doubt)
    yield Line(f"position = {c.position}", c.position_doubt)
    yield key("mechanism", one.mechanism, one.doubt)
    yield key("voltage", c.voltage.name, c.voltage_doubt)
    yield key("current", c.current.name, c.current_doubt)
    if c.state:
        yield key("state", c.state)
    if c.resistor:
        yield key("resistor_state", c.resistor)


def _frequency(record: Record) -> Line:
    if 10.0 <= record.frequency_hz <= 400.0:
        return Line(f"rated_frequency_hz = {record.frequency_hz:g}")
    return Line("rated_frequency_hz = 50", "the record does not state the frequency")


def _left(record: Record, moving: Sequence[Moving], moved: Sequence[Moved], every: Sequence[Role]) -> Iterable[Line]:
    """Channels that no line names: those that may belong to one are for a hand, the rest is listed."""
    used = {r.name for m in moving for r, _ in m.channels.values()}
    for one in moved:
        c = one.contact
        used |= {c.voltage.name, c.current.name, c.state, c.resistor}
    left = [r for r in every if r.name not in used]
    open_ = [r for r in left if not r.still and (r.role or r.doubt)]
    if any(r.role == r.quantity == "current" for r in open_):
        # A current without a voltage, and a voltage that shows nothing: a lead may be off.
        open_ += [r for r in left if r.still and r.quantity == "voltage"]
    twice = sorted({n for n in record.names if record.names.count(n) > 1})
    if left or twice:
        yield Line("")
    for name in twice:
        yield Line("", f"several channels are called {either([name])}: none of them can be named here")
    for r in open_:
        unit = canonical(r.said.channel.unit)
        what = f"channel {either([r.name])}{f' in {unit}' if unit else ''} is named nowhere"
        why = "it shows nothing, and a current is left: a lead may be off" if r.still else f"no place for it ({r.role})"
        yield Line("", f"{what}: {r.doubt or why}")
    rest = [r for r in left if r not in open_]
    if rest:
        yield Line(told("# Not used, they show nothing or nothing that is known: " + ", ".join(r.name for r in rest)))
