"""The mechanisms of a draft: which there are, and which channels and contacts belong to each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from drm.describe_alike import alike
from drm.describe_contacts import Contact
from drm.describe_draft import either
from drm.describe_motion import Test, changes_at, exchanged, latches, parts_at, places
from drm.describe_roles import Role

__all__ = ["Moved", "Moving", "mechanisms"]

FloatArray = NDArray[np.float64]

#: Scatter of contacts' and of auxiliary contacts' places along the stroke among healthy mechanisms, as a share of it,
#: and of the time that releases take, s; common practice, no source.
CONTACTS, AUXILIARY, RELEASES_S = 0.0035, 0.01, 1e-3
#: Keys of a mechanism's channels in the order of the draft: role and quantity.
KEYS = {
    "trip_coil": ("trip", "current"),
    "close_coil": ("close", "current"),
    "motor": ("motor", "current"),
    "trip_coil_voltage": ("trip", "voltage"),
    "close_coil_voltage": ("close", "voltage"),
    "motor_voltage": ("motor", "voltage"),
}


@dataclass
class Moving:
    """One mechanism: channel and doubt by key; `travel`, `a` and `b` among them."""

    name: str
    doubt: str = ""
    channels: dict[str, tuple[Role, str]] = field(default_factory=dict)


@dataclass(frozen=True)
class Moved:
    """One interrupter with the mechanism that moves it."""

    contact: Contact
    mechanism: str
    doubt: str = ""


def mechanisms(
    every: Sequence[Role], found: Sequence[Contact], tests: Sequence[Test]
) -> tuple[list[Moving], list[Moved]]:
    """Mechanisms, and the interrupters with theirs."""
    groups = _grouped(every)
    poles = list(dict.fromkeys(c.pole for c in found if c.pole))
    own = {r.pole for rs in groups.values() for r in rs if r.pole}
    gang = len(poles) > 1 and not own & set(poles) and len(groups["travel"]) != len(poles)
    names = ["all"] if gang else _names(poles, own, groups)
    untold = not poles and not own
    doubt = "no name or phase field tells which pole this mechanism moves" if untold and len(names) > 1 else ""
    out = [Moving(n, doubt) for n in names]
    _travels(out, groups["travel"], found, tests)
    moved = _moved(out, found, tests, gang)
    for name, (role, quantity) in KEYS.items():
        _share(out, name, groups[name], tests, _releases if quantity == "current" and role != "motor" else None)
    _partners(out, groups)
    for kind in ("a", "b"):
        _share(out, kind, groups[kind], tests, _changes)
    _exchanges(out, moved, tests)
    return out, moved


def _grouped(every: Sequence[Role]) -> dict[str, list[Role]]:
    groups = {name: [r for r in every if (r.role, r.quantity) == pair] for name, pair in KEYS.items()}
    # Length and angle have no other use in such a record, so the unit alone is enough; they come first.
    travels = [r for r in every if r.role == "travel"]
    groups["travel"] = [r for r in travels if r.quantity == "travel"] + [r for r in travels if r.quantity != "travel"]
    for kind in ("a", "b"):
        groups[kind] = [r for r in every if r.role == kind and r.quantity in ("state", "")]
    return groups


def _names(poles: Sequence[str], own: set[str], groups: dict[str, list[Role]]) -> list[str]:
    if poles:
        return list(poles)
    if own:
        return sorted(own)
    many = max(1, len(groups["travel"]), len(groups["close_coil"]))
    return [chr(ord("A") + n) if n < 26 else f"M{n + 1}" for n in range(many)]


def _travels(out: list[Moving], travels: Sequence[Role], found: Sequence[Contact], tests: Sequence[Test]) -> None:
    """A sensor for each mechanism: by its pole's letter, else by the contacts of that pole, else in order."""
    left = _by_pole(out, "travel", travels)
    if not left:
        return
    free = [m for m in out if "travel" not in m.channels]
    told = [m for m in free if any(c.pole == m.name for c in found)]
    if len(out) == 1:
        _first(out[0], "travel", left)
    elif free and len(told) == len(free) == len(left):
        at = np.stack([_of_pole(left, m.name, found, tests) for m in free], axis=1)
        which, others = alike(at, CONTACTS, np.ones(at.shape[:2], dtype=np.bool_))
        for role, k, rest in zip(left, which, others, strict=True):
            why = (
                f"by the contacts' instants the mechanism of {either(free[o].name for o in rest)} as well"
                if rest
                else ""
            )
            free[k].channels["travel"] = (role, why)
    else:
        for m, role in zip(free, left, strict=False):
            m.channels["travel"] = (role, "taken in the order of the record" if len(left) != len(out) else "")


def _of_pole(travels: Sequence[Role], pole: str, found: Sequence[Contact], tests: Sequence[Test]) -> FloatArray:
    """Median place of a pole's contacts on each travel, shape (travels, events)."""
    volts = [c.voltage.name for c in found if c.pole == pole]
    at = places(tests, [t.name for t in travels], volts, parts_at)
    return np.asarray(np.median(at, axis=0)) if at.size else np.empty((len(travels), 0))


def _by_pole(out: list[Moving], key: str, roles: Sequence[Role]) -> list[Role]:
    """Give each channel to the mechanism of its pole; those left that tell no pole."""
    for m in out:
        mine = [r for r in roles if r.pole == m.name]
        if mine:
            _first(m, key, mine)
    if len(out) == 1 and out[0].name not in ("A", "B", "C"):
        return [r for r in roles if key not in out[0].channels]
    return [r for r in roles if not r.pole]


def _first(m: Moving, key: str, roles: Sequence[Role]) -> None:
    """The one channel, or of several the one that shows something."""
    if key in m.channels:
        return
    alive = [r for r in roles if not r.still] or list(roles)
    if len(alive) == 1:
        m.channels[key] = (alive[0], alive[0].doubt)
        return
    rest = either(r.name for r in alive[1:])
    m.channels[key] = (alive[0], f"{len(alive)} channels could be meant: {rest} as well")


def _moved(out: list[Moving], found: Sequence[Contact], tests: Sequence[Test], gang: bool) -> list[Moved]:
    """Each contact with its mechanism: its pole's, else the one whose travel it parts on as its siblings do."""
    if gang:
        why = "no travel channel for each pole: one mechanism assumed for all"
        return _numbered([Moved(c if c.pole else replace(c, pole="A"), out[0].name, why) for c in found])
    if len(out) == 1:
        return _numbered([Moved(c if c.pole else replace(c, pole=out[0].name), out[0].name) for c in found])
    names = [m.name for m in out]
    moved = {c.voltage.name: Moved(c, c.pole) for c in found if c.pole in names}
    left = [c for c in found if c.voltage.name not in moved]
    if left:
        travels = [m.channels["travel"][0].name if "travel" in m.channels else "" for m in out]
        at = places(tests, travels, [c.voltage.name for c in left], parts_at)
        which, others = alike(at, CONTACTS, np.ones(at.shape[:2], dtype=np.bool_))
        for c, k, rest in zip(left, which, others, strict=True):
            why = f"{either(names[o] for o in rest)} fits about as well by the contact's instants" if rest else ""
            moved[c.voltage.name] = Moved(replace(c, pole=names[k]), names[k], why)
    return _numbered([moved[c.voltage.name] for c in found])


def _numbered(moved: Sequence[Moved]) -> list[Moved]:
    """Places along the poles that were found only now: the next free ones."""
    told = [m for m in moved if m.contact.voltage.pole or m.contact.current.pole]
    taken = {(m.contact.pole, m.contact.position) for m in told}
    out = list(told)
    for m in moved:
        if m in told:
            continue
        place = m.contact.position if m.contact.voltage.said.number is not None else 1
        while (m.contact.pole, place) in taken:
            place += 1
        taken.add((m.contact.pole, place))
        out.append(replace(m, contact=replace(m.contact, position=place)))
    return sorted(out, key=lambda m: (m.contact.pole, m.contact.position))


_Values = Callable[[Sequence[Test], Sequence[str], Sequence[str]], FloatArray]


def _releases(tests: Sequence[Test], travels: Sequence[str], names: Sequence[str]) -> FloatArray:
    return latches(tests, travels, names) / RELEASES_S


def _changes(tests: Sequence[Test], travels: Sequence[str], names: Sequence[str]) -> FloatArray:
    return places(tests, travels, names, changes_at) / AUXILIARY


def _share(out: list[Moving], key: str, roles: Sequence[Role], tests: Sequence[Test], values: _Values | None) -> None:
    """Give the channels of one kind to the mechanisms: by pole, else by what must be alike for all."""
    left = _by_pole(out, key, roles)
    free = [m for m in out if key not in m.channels]
    if not left or not free:
        return
    if len(out) == 1:
        _first(out[0], key, left)
        return
    travels = [m.channels["travel"][0].name if "travel" in m.channels else "" for m in free]
    others: list[tuple[int, ...]] = [tuple(range(len(free)))] * len(left)
    which = [min(n, len(free) - 1) for n in range(len(left))]
    if values is not None and len(left) == len(free):
        at = values(tests, travels, [r.name for r in left])
        which, others = alike(at, 1.0, np.ones(at.shape[:2], dtype=np.bool_))
    for role, k, rest in zip(left, which, others, strict=True):
        names = [free[o].name for o in rest if o != k]
        why = f"that of {either(names)} as well: nothing in the signals tells which" if names else role.doubt
        if key not in free[k].channels:
            free[k].channels[key] = (role, why)


def _partners(out: list[Moving], groups: dict[str, list[Role]]) -> None:
    """A supply voltage goes where its current went."""
    for key in ("trip_coil", "close_coil", "motor"):
        for role in groups[f"{key}_voltage"]:
            for m in out:
                if key in m.channels and not role.pole and role.partner == m.channels[key][0].name:
                    for other in out:
                        if other.channels.get(f"{key}_voltage", (None, ""))[0] is role:
                            del other.channels[f"{key}_voltage"]
                    m.channels[f"{key}_voltage"] = (role, role.doubt or m.channels[key][1])


def _exchanges(out: list[Moving], moved: Sequence[Moved], tests: Sequence[Test]) -> None:
    """Say where the travel named for a mechanism fits another's contacts."""
    if len(out) < 2:
        return
    travels = {m.name: m.channels["travel"][0].name for m in out if "travel" in m.channels}
    volts = {m.name: [x.contact.voltage.name for x in moved if x.mechanism == m.name] for m in out}
    auxiliary = {m.name: {str(k): m.channels[k][0].name for k in ("a", "b") if k in m.channels} for m in out}
    for name, why in exchanged(tests, travels, volts, auxiliary).items():
        m = next(m for m in out if m.name == name)
        m.channels["travel"] = (m.channels["travel"][0], why)
