"""The interrupters of a draft: each contact's voltage with its current, pole and place, by words and signals."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from drm.describe_draft import either
from drm.describe_motion import Test
from drm.describe_pairs import Fit, fits, paired
from drm.describe_roles import Role

__all__ = ["Contact", "contacts"]


@dataclass(frozen=True)
class Contact:
    """One interrupter, and what is doubtful of each line of it."""

    voltage: Role
    current: Role
    pole: str
    position: int
    voltage_doubt: str = ""
    current_doubt: str = ""
    pole_doubt: str = ""
    position_doubt: str = ""
    state: str = ""
    resistor: str = ""


def contacts(every: Sequence[Role], tests: Sequence[Test]) -> list[Contact]:
    """Interrupters in the order of pole and place; empty where no voltage goes with a current.

    The pole is empty where no word tells it: its mechanism may.
    """
    voltages = [r for r in every if r.quantity == "voltage" and r.role == "voltage"]
    currents = [r for r in every if r.quantity == "current" and r.role == "current"]
    if not voltages or not currents:
        return []
    named = {v.name: _named(v, currents) for v in voltages}
    instants = [i for t in tests for i in t.instants]
    plain = {v: n[0].name for v, n in named.items() if n is not None and not n[1]}
    against = paired(instants, plain)
    found = fits(instants, [v.name for v in voltages], [c.name for c in currents], _allowed(voltages, currents, plain))
    out: list[Contact] = []
    by_name = {c.name: c for c in currents}
    for v in voltages:
        chosen = _chosen(named[v.name], found.get(v.name), against.get(v.name))
        if chosen is not None:
            name, doubt = chosen
            out.append(_contact(v, by_name[name], doubt))
    return [_with_states(c, every) for c in _placed(out)]


def _allowed(
    voltages: Sequence[Role], currents: Sequence[Role], plain: Mapping[str, str]
) -> Callable[[str, str], bool]:
    """Whether a voltage may go with a current, by their words and by what other words have taken."""
    said = {r.name: r.said for r in (*voltages, *currents)}
    taken = set(plain.values())

    def allowed(v: str, i: str) -> bool:
        if v in plain:
            return plain[v] == i
        one, other = said[v], said[i]
        apart = bool(one.pole and other.pole and one.pole != other.pole)
        both = one.number is not None and other.number is not None and one.number != other.number
        return not (apart or both or (i in taken and not _series(taken, plain)))

    return allowed


def _series(taken: set[str], plain: Mapping[str, str]) -> bool:
    """Whether the names themselves let several contacts share a current."""
    return len(taken) < len(plain)


def _named(voltage: Role, currents: Sequence[Role]) -> tuple[Role, str] | None:
    """The current that the words pair with this voltage, and what is doubtful of that.

    That of the same pole and number, else the pole's one current, else the only one.
    """
    v = voltage.said
    same = [c for c in currents if (c.said.pole, c.said.number) == (v.pole, v.number)]
    if v.pole or v.number is not None:
        if len(same) == 1:
            return same[0], "" if v.pole else "paired by number alone"
        if same:
            # Several fit the words alike: the signals must choose among them.
            return None
    pole = [c for c in currents if c.said.pole == v.pole and c.said.number is None]
    if len(pole) == 1 and v.pole:
        return pole[0], ""
    number = [c for c in currents if c.said.number == v.number and not (c.said.pole and v.pole)]
    if len(number) == 1 and v.number is not None:
        return number[0], "paired by number alone"
    if len(currents) == 1 and not (currents[0].pole and v.pole and currents[0].pole != v.pole):
        return currents[0], "the only current of the record, taken as injected in series"
    return None


def _chosen(named: tuple[Role, str] | None, fit: Fit | None, against: tuple[str, ...] | None) -> tuple[str, str] | None:
    """Channel of the current, and what is doubtful of it."""
    if named is not None and not named[1]:
        if against is None:
            return named[0].name, ""
        better = f", those of {either(against)} do" if against else ""
        return (
            named[0].name,
            f"named alike, but the instants of the two do not agree{better}: "
            "leads or names exchanged, or a clamp that fails",
        )
    if fit is None:
        return None if named is None else (named[0].name, named[1])
    if fit.sure:
        return fit.current, ""
    if named is not None:
        others = f"; by the signals {either(fit.others)} as well" if fit.others else ""
        return named[0].name, named[1] + others
    if fit.others:
        return fit.current, f"{either(fit.others)} fits about as well by the signals; this one by its order only"
    return fit.current, fit.why or "taken by its order in the record only"


def _contact(v: Role, current: Role, doubt: str) -> Contact:
    pole = v.pole or current.pole
    number = v.said.number if v.said.number is not None else current.said.number
    why = (v.said.doubt or current.said.doubt) if pole else "neither name nor phase field tells the pole"
    if not pole and number in (1, 2, 3):
        why += "; if the numbers count poles and not places, write them so"
    untold = "" if number else "neither name nor field tells the place along the pole"
    return Contact(v, current, pole, number or 0, v.doubt, doubt or current.doubt, why, untold)


def _placed(found: Sequence[Contact]) -> list[Contact]:
    """With a place each along its pole: the number told, else the next free one in the order of the record."""
    out: list[Contact] = []
    taken: dict[str, set[int]] = {}
    for c in sorted(found, key=lambda c: (not c.position,)):
        mine = taken.setdefault(c.pole, set())
        doubt, place = c.position_doubt, c.position
        if place and place in mine:
            doubt = "another channel has the same pole and number"
        if not place and sum(o.pole == c.pole for o in found) == 1:
            # One interrupter a pole stands at its first place; where the pole is not told either, that is the doubt.
            place, doubt = 1, ""
        place = place or 1
        while place in mine:
            place += 1
        mine.add(place)
        out.append(replace(c, position=place, position_doubt=doubt))
    return sorted(out, key=lambda c: (c.pole, c.position))


def _with_states(contact: Contact, every: Sequence[Role]) -> Contact:
    """The contact with its state channels and its resistor's, told by pole and number."""
    mine = [
        r
        for r in every
        if r.said.channel.digital and r.pole == contact.pole and r.said.number == contact.position and contact.pole
    ]
    state = next((r.name for r in mine if r.role == "state"), "")
    return replace(contact, state=state, resistor=next((r.name for r in mine if r.role == "resistor"), ""))
