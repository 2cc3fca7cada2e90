"""What a channel is, from its words and its signal together, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from drm.describe_names import Said
from drm.describe_seen import Part
from drm.units import canonical, units

__all__ = ["Role", "kind_of_unit", "merged", "roles"]

_WORDS = {
    "voltage": "a contact's voltage",
    "current": "a contact's current",
    "trip": "a trip coil's",
    "close": "a close coil's",
    "coil": "a coil's",
    "motor": "a motor's",
    "travel": "a travel sensor",
    "auxiliary": "an auxiliary contact",
    "a": "an auxiliary contact a",
    "b": "an auxiliary contact b",
    "state": "a contact's state",
    "resistor": "a resistor contact's state",
}
_SUPPLIED = ("trip", "close", "coil", "motor")


@dataclass(frozen=True)
class Role:
    """One channel with its part in the test.

    Attributes
    ----------
    said : Said
    quantity : str
        ``voltage current travel state`` by its unit, or empty.
    role : str
        As :class:`Said` has it, ``auxiliary`` and ``coil`` resolved where the signal tells; empty: not to be used.
    doubt : str
        Why a person should look.
    partner : str
        Of a supply voltage, the current that it stands with.
    by_signal : bool
        Whether the signal alone tells it.
    """

    said: Said
    quantity: str
    role: str
    doubt: str = ""
    partner: str = ""
    by_signal: bool = False
    still: bool = False

    @property
    def name(self) -> str:
        """The channel's."""
        return self.said.name

    @property
    def pole(self) -> str:
        """As its words tell it."""
        return self.said.pole


def kind_of_unit(said: Said) -> str:
    """Quantity that the unit tells: voltage, current, travel; state for digital channels; else empty."""
    if said.channel.digital:
        return "state"
    unit = canonical(said.channel.unit)
    for kind, quantity in (("voltage", "voltage"), ("current", "current"), ("length", "travel"), ("angle", "travel")):
        if unit in units(kind):
            return quantity
    return ""


def merged(looks: Sequence[Mapping[str, Part]]) -> dict[str, Part]:
    """Parts that several records of one breaker tell together: what is sure in any, else what is told in any."""
    out: dict[str, Part] = {}
    for look in looks:
        for name, part in look.items():
            old = out.get(name)
            if old is None or (part.role and (not old.role or (old.doubt and not part.doubt))):
                out[name] = part
    return out


def roles(every: Sequence[Said], parts: Mapping[str, Part]) -> list[Role]:
    """The role of each channel.

    Words come first: a signal may be another's by a wrong lead, which is for the diagnosis to say. Where they leave a
    choice, or say nothing, the signal decides; where both are silent the unit does, and that is a doubt.
    """
    return [_role(s, kind_of_unit(s), parts.get(s.name, Part())) for s in every]


def _role(said: Said, quantity: str, part: Part) -> Role:
    told, shown = said.role, part.role
    if quantity == "travel":
        return Role(said, quantity, "travel", still=part.still)
    if quantity == "state":
        return _state(said, part)
    if quantity == "":
        # A two-level analogue channel, or a sensor of travel that gives counts.
        role = told if told in ("travel", "auxiliary", "a", "b", "state", "resistor") else ""
        if role == "auxiliary" and shown in ("a", "b"):
            role = shown
        signal = shown if shown in ("travel", "a", "b") else ""
        doubt = "" if role else f"its name says nothing: it looks like {_WORDS.get(signal, '')}"
        return Role(said, quantity, role or signal, doubt if signal else "", still=part.still)
    return _electrical(said, quantity, part)


def _state(said: Said, part: Part) -> Role:
    told, shown = said.role, part.role
    if told in ("a", "b") and shown in ("a", "b") and shown != told:
        doubt = f"its name says {_WORDS[told]}, it changes as {_WORDS[shown]} does"
        return Role(said, "state", told, doubt)
    if told in ("a", "b", "state", "resistor"):
        return Role(said, "state", told, still=part.still)
    if told == "auxiliary" and shown in ("a", "b"):
        return Role(said, "state", shown)
    if not told or told == "auxiliary":
        return Role(said, "state", shown or told, part.doubt if shown else "", by_signal=True, still=part.still)
    return Role(said, "state", "", still=part.still)


def _electrical(said: Said, quantity: str, part: Part) -> Role:
    told, shown = said.role, part.role
    if told in ("state", "resistor", "a", "b", "auxiliary"):
        # `Contact A1` with the unit V is the contact's voltage.
        told = quantity if told == "state" else told
    if told in _SUPPLIED:
        if told == "coil" and shown in ("trip", "close"):
            return Role(said, quantity, shown, part.doubt, part.partner, still=part.still)
        wrong = shown and shown != told and shown != "coil" and not part.doubt
        doubt = f"its name says {_WORDS[told]}, its signal looks like {_WORDS[shown]}" if wrong else ""
        if told == "coil":
            doubt = doubt or "its name does not say which coil, nor does its signal"
        return Role(said, quantity, told, doubt, part.partner, still=part.still)
    if told == "travel":
        return Role(said, quantity, "travel", still=part.still)
    if shown in _SUPPLIED:
        # Its being a voltage or a current is no contradiction; its having a place along a pole is.
        doubt = f"named as a {quantity} only" if told == quantity and (said.pole and said.number is not None) else ""
        return Role(said, quantity, shown, doubt or part.doubt, part.partner, by_signal=True)
    if shown == "travel" and not told:
        return Role(said, quantity, "travel", part.doubt, by_signal=True)
    if told == quantity or (said.pole and not told):
        return Role(said, quantity, quantity, still=part.still)
    if shown == quantity:
        return Role(said, quantity, quantity, part.doubt, by_signal=True)
    if part.still or told not in ("", quantity):
        return Role(said, quantity, "", still=part.still)
    return Role(said, quantity, "", f"neither its name nor its signal tells what this {quantity} is of")
