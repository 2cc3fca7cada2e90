"""A first breaker file, drafted from a record's channel names, units and phase fields; doubtful lines say so."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from drm.errors import RecordError
from drm.record import Channel, Record
from drm.units import canonical, units

__all__ = ["describe"]

_POLES = {"A": "A", "B": "B", "C": "C", "R": "A", "S": "B", "T": "C", "L1": "A", "L2": "B", "L3": "C"}
_TRAVEL = re.compile(r"^(trv|trav|travel|stroke|pos|position|displ\w*|way)$")
_TRIP = re.compile(r"^(tc|trip\w*|open\w*|yo|off)$")
_CLOSE = re.compile(r"^(cc|clos\w*|yc|on)$")
_COIL = re.compile(r"^(tc|cc|coil\w*|trip\w*|open\w*|clos\w*|yo|yc)$")
_MOTOR = re.compile(r"^(mot|motor|charg\w*)$")
_AUXILIARY = re.compile(r"^(aux\w*|52)$")
_STATE = re.compile(r"^(state|contact|ch)$")
_RESISTOR = re.compile(r"^(res|resistor|pir)$")


@dataclass(frozen=True)
class _Read:
    """A channel and what its name says: lower-case words, pole (or empty), number (or None)."""

    channel: Channel
    words: tuple[str, ...]
    pole: str
    number: int | None

    @property
    def name(self) -> str:
        return self.channel.name

    def says(self, *patterns: re.Pattern[str]) -> bool:
        return all(any(p.match(w) for w in self.words) for p in patterns)


@dataclass(frozen=True)
class _Pair:
    voltage: _Read
    current: _Read
    pole: str
    position: int
    doubt: str
    state: str = ""
    resistor: str = ""


def describe(records: Sequence[Record]) -> str:
    """Draft a breaker file from what the records call their channels.

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
    if not records:
        raise RecordError("no record to describe", mend="give at least one record")
    record = records[0]
    usable = [c for c in record.channels if record.names.count(c.name) == 1]
    channels = [_understood(c) for c in usable]
    pairs = [_with_states(p, channels) for p in _pairs(record, channels)]
    for other in records[1:]:
        for name in dict.fromkeys(n for p in pairs for n in (p.voltage.name, p.current.name)):
            if name not in other.names:
                what = f"has no channel '{name}', which '{record.name}' has"
                raise RecordError(
                    what, path=other.path, place=f"channel '{name}'", mend="describe records of one breaker together"
                )
    common = [c for c in channels if all(c.name in r.names for r in records)]
    poles = list(dict.fromkeys(p.pole for p in pairs))
    own = {c.pole for c in common if c.says(_TRAVEL) or canonical(c.channel.unit) in _moves()}
    gang = len(poles) > 1 and not own & set(poles)
    lines = ["# Drafted from the channel names of a record; check every line against the test's wiring.", "[breaker]"]
    lines += [f"name = {_quoted(record.name)}", _frequency(record), ""]
    for pole in ["all"] if gang else poles:
        lines += [*_mechanism(pole, common, gang or len(poles) == 1), ""]
    for pair in pairs:
        lines += [*_interrupter(pair, "all" if gang else pair.pole, gang), ""]
    return "\n".join(lines)


def _moves() -> tuple[str, ...]:
    return units("length") + units("angle")


def _understood(channel: Channel) -> _Read:
    """Words of a name, split where letters, digits and signs meet: ``U_A1`` -> u, a, 1."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", channel.name)
    words = [w for w in re.split(r"[^0-9A-Za-z]+", spaced) if w]
    pole, number = _POLES.get(channel.phase.strip().upper(), ""), None
    out: list[str] = []
    for n, word in enumerate(words):
        match = re.fullmatch(r"([A-Za-z]*?)(\d{0,6})", word)
        letters, digits = match.groups() if match else (word, "")
        # `IA1`, `UB`, `UTC`: a quantity's letter and a pole's, a coil's or the motor's run together.
        run = re.fullmatch(r"([UVI])([ABCRST]|TC|CC|M)", letters) if n == 0 else None
        for part in run.groups() if run else (letters,):
            if part:
                out.append(part.lower())
            # The last `a` or `b` of an auxiliary channel is the kind of contact, written small; poles are capital.
            if part in _POLES and not pole and not (n == 0 and len(words) > 1 and not run and part in "UVI"):
                pole = _POLES[part]
        if digits:
            out.append(digits)
            number = int(digits) if number is None else number
    # A lone m is the motor where it stands for the thing measured, not where it names a place.
    if out[:1] == ["m"]:
        out[0] = "motor"
    elif len(out) > 1 and out[0] in ("u", "v", "i") and out[1] == "m":
        out[1] = "motor"
    return _Read(channel, tuple(out), pole, number)


def _with_states(pair: _Pair, channels: Sequence[_Read]) -> _Pair:
    """The pair with the state channels of its contact and of its resistor's, told by pole and number."""
    digital = [c for c in channels if c.channel.digital and c.pole == pair.pole and c.number == pair.position]
    state = next((c.name for c in digital if c.says(_STATE)), "")
    return replace(pair, state=state, resistor=next((c.name for c in digital if c.says(_RESISTOR)), ""))


def _pairs(record: Record, channels: Sequence[_Read]) -> list[_Pair]:
    """Each voltage with the current of the same pole and number, else the pole's one current, else the only one."""
    aside = (_COIL, _MOTOR, _TRAVEL, _AUXILIARY)
    contact = [c for c in channels if not c.channel.digital and not any(c.says(p) for p in aside)]
    voltages = [c for c in contact if canonical(c.channel.unit) in units("voltage")]
    currents = [c for c in contact if canonical(c.channel.unit) in units("current")]
    if not voltages or not currents:
        missing = "voltage" if not voltages else "current"
        raise RecordError(
            f"no channel is a contact's {missing} by its unit and name",
            path=record.path,
            place="channels",
            mend=f"give the {missing} channels the unit {'V' if not voltages else 'A'}, or write the file by hand",
        )
    out: list[_Pair] = []
    taken: set[tuple[str, int]] = set()
    for voltage in voltages:
        found = _current_for(voltage, currents)
        if found is None:
            continue
        current, doubt = found
        pole = voltage.pole or current.pole
        if not pole:
            pole, doubt = "A", doubt or "no pole in the channel's name or phase"
        position = voltage.number if voltage.number else 1
        if voltage.number is None and sum(v.pole == voltage.pole for v in voltages) > 1:
            doubt = doubt or "no place along the pole in the channel's name"
        while (pole, position) in taken:
            position, doubt = position + 1, doubt or "another channel has the same pole and number"
        taken.add((pole, position))
        out.append(_Pair(voltage, current, pole, position, doubt))
    if not out:
        raise RecordError(
            f"none of {len(voltages)} voltages pairs with one of {len(currents)} currents",
            path=record.path,
            place=f"channel '{voltages[0].name}'",
            mend="name them alike, such as U_A1 and I_A1, or write the breaker file by hand",
        )
    return sorted(out, key=lambda p: (p.pole, p.position))


def _current_for(voltage: _Read, currents: Sequence[_Read]) -> tuple[_Read, str] | None:
    same = [c for c in currents if (c.pole, c.number) == (voltage.pole, voltage.number)]
    if len(same) == 1:
        return same[0], ""
    if same:
        return same[0], f"{len(same)} currents have this pole and number"
    pole = [c for c in currents if c.pole == voltage.pole and c.number is None]
    if len(pole) == 1 and voltage.pole:
        return pole[0], ""
    number = [c for c in currents if c.number == voltage.number and not (c.pole and voltage.pole)]
    if len(number) == 1 and voltage.number is not None:
        return number[0], "paired by number alone"
    if len(currents) == 1 and not (currents[0].pole and voltage.pole and currents[0].pole != voltage.pole):
        return currents[0], "the only current of the record, taken as injected in series"
    return None


def _mechanism(pole: str, channels: Iterable[_Read], only: bool) -> list[str]:
    mine = [c for c in channels if c.pole == pole or (only and (not c.pole or pole == "all"))]
    lines = ["[[mechanism]]", f"name = {_quoted(pole)}"]
    analogue = [c for c in mine if not c.channel.digital]
    # Length and angle have no other use in such a record, so the unit alone is enough.
    moving = [c for c in analogue if canonical(c.channel.unit) in _moves()]
    moving += [c for c in analogue if c.says(_TRAVEL) and c not in moving and canonical(c.channel.unit) not in _moves()]
    if moving:
        lines.append(_travel(moving))
    amps = [c for c in analogue if canonical(c.channel.unit) in units("current")]
    volts = [c for c in analogue if canonical(c.channel.unit) in units("voltage")]
    for key, wanted in (
        ("trip_coil", [c for c in amps if c.says(_TRIP, _COIL) and not c.says(_MOTOR)]),
        ("close_coil", [c for c in amps if c.says(_CLOSE, _COIL) and not c.says(_MOTOR) and not c.says(_TRIP)]),
        ("motor", [c for c in amps if c.says(_MOTOR)]),
        ("trip_coil_voltage", [c for c in volts if c.says(_TRIP, _COIL) and not c.says(_MOTOR)]),
        (
            "close_coil_voltage",
            [c for c in volts if c.says(_CLOSE, _COIL) and not c.says(_MOTOR) and not c.says(_TRIP)],
        ),
        ("motor_voltage", [c for c in volts if c.says(_MOTOR)]),
    ):
        if wanted:
            why = f"{len(wanted)} channels could be meant" if len(wanted) > 1 else ""
            lines.append(_line(f"{key} = {_quoted(wanted[0].name)}", why))
    contacts = [c for c in mine if c.says(_AUXILIARY)]
    kinds = {k: [c for c in contacts if c.words[-1] in (k, f"52{k}", f"aux{k}")] for k in ("a", "b")}
    if any(kinds.values()):
        inner = ", ".join(f"{k} = {_quoted(v[0].name)}" for k, v in kinds.items() if v)
        why = "several channels could be meant" if any(len(v) > 1 for v in kinds.values()) else ""
        lines.append(_line(f"auxiliary = {{ {inner} }}", why))
    return lines


def _travel(moving: Sequence[_Read]) -> str:
    first = moving[0]
    unit = canonical(first.channel.unit)
    scale, why = {"mm": 1.0, "µm": 0.001, "cm": 10.0, "m": 1000.0, "in": 25.4}.get(unit), ""
    if scale is None:
        scale, why = 1.0, f"give mm per {_told(unit or 'unit')} of the sensor, or its curve"
    elif len(moving) > 1:
        why = f"{len(moving)} channels could be meant"
    return _line(f"travel = {{ channel = {_quoted(first.name)}, scale = {scale!r} }}", why)


def _interrupter(pair: _Pair, mechanism: str, gang: bool) -> list[str]:
    shared = "no travel channel for each pole: one mechanism assumed for all" if gang else ""
    return [
        "[[interrupter]]",
        f"name = {_quoted(f'{pair.pole}{pair.position}')}",
        f"pole = {_quoted(pair.pole)}",
        f"position = {pair.position}",
        _line(f"mechanism = {_quoted(mechanism)}", shared),
        f"voltage = {_quoted(pair.voltage.name)}",
        _line(f"current = {_quoted(pair.current.name)}", pair.doubt),
        *([f"state = {_quoted(pair.state)}"] if pair.state else []),
        *([f"resistor_state = {_quoted(pair.resistor)}"] if pair.resistor else []),
    ]


def _frequency(record: Record) -> str:
    if 10.0 <= record.frequency_hz <= 400.0:
        return f"rated_frequency_hz = {record.frequency_hz:g}"
    return _line("rated_frequency_hz = 50", "the record does not state the frequency")


def _line(text: str, why: str) -> str:
    return f"{text}  # doubtful: {why}" if why else text


def _told(text: str) -> str:
    """Text safe inside a comment: TOML allows no control character there."""
    return "".join(c if c.isprintable() else "?" for c in text)


def _quoted(text: str) -> str:
    """A basic TOML string (TOML 1.0): quotes, backslashes and whatever is not printable escaped."""
    out = []
    for c in text:
        code = ord(c)
        if c in '"\\':
            out.append("\\" + c)
        elif c.isprintable():
            out.append(c)
        elif 0xD800 <= code <= 0xDFFF:
            # Half a surrogate pair has no form in TOML at all.
            out.append("\\uFFFD")
        else:
            out.append(f"\\u{code:04X}" if code <= 0xFFFF else f"\\U{code:08X}")
    return '"' + "".join(out) + '"'
