"""A travel that is not this mechanism's: a sensor on the wrong pole, or one whose clock or motion is another.

Contacts part, touch and change over at places along the stroke that every mechanism of a breaker has alike, to a few
tenths of a millimetre. Read from the travel of another mechanism they seem to lie elsewhere by what the two differ by.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from drm.kept import kept
from drm.median import median
from drm.operations import Operation
from drm.setup_fault import Fault

__all__ = ["ACROSS_MM", "Happening", "exchanged_across", "wrong_pole", "wrong_time"]

FloatArray = NDArray[np.float64]

#: An exchange is named when the places it puts right were off by this at least, mm, and by so many times more than
#: they are after it. Healthy linkages differ by some 0.5 mm (common practice, no source), but not in such a way that
#: the other mechanism's travel puts them right.
LEAST_MM, TIMES = 0.35, 4.0
#: What healthy mechanisms of one breaker differ by (standard deviations; common practice, no source): adjustment of the
#: linkage, mm; scale of the sensor; place of one contact, mm; and that place from one operation to the next, mm.
LINKAGE_MM, SCALE_REL, CONTACT_MM, AGAIN_MM = 0.5, 0.01, 0.4, 0.25
#: Where so many happenings tell, an exchange is also named when its squared misfit by that scatter is less than the own
#: one's by so much and so many times, and no more than so much for each happening.
MANY, SURER, SMALLER, FITTING = 6, 30.0, 4.0, 4.0
#: Two voltages are exchanged between mechanisms when their contacts' places are off by this at least, mm.
ACROSS_MM = 1.0
#: A start of motion that differs from the siblings' by more than this, s, while the contacts do not, is the sensor's.
LATE_S = 1.5e-3
#: Nearer than this to a rest position, mm, no contact parts or touches.
AT_REST_MM = 1.0


@dataclass(frozen=True)
class Happening:
    """Something that happens at a place along the stroke: a contact's instant or an auxiliary contact's change."""

    operation: int
    kind: str
    mechanism: str
    what: str
    at_s: float
    interrupter: str = ""


def _places(
    happenings: Sequence[Happening], time_s: FloatArray, travels: Mapping[str, FloatArray]
) -> dict[tuple[int, str], dict[str, dict[str, float]]]:
    """(operation, what) -> mechanism it happened at -> travel it is read from -> mm."""
    out: dict[tuple[int, str], dict[str, dict[str, float]]] = {}
    for h in happenings:
        if h.mechanism in travels and math.isfinite(h.at_s):
            here = {m: float(np.interp(h.at_s, time_s, mm)) for m, mm in travels.items()}
            out.setdefault((h.operation, h.what), {})[h.mechanism] = here
    return out


def wrong_pole(
    happenings: Sequence[Happening],
    time_s: FloatArray,
    travels: Mapping[str, FloatArray],
    interrupters: Mapping[str, Sequence[str]],
    *,
    least_mm: float = LEAST_MM,
) -> Iterator[Fault]:
    """Two mechanisms whose happenings lie where they should only on one another's travel.

    Parameters
    ----------
    happenings : sequence of Happening
    time_s : ndarray, shape (n,)
    travels : mapping
        Mechanism -> mm, shape (n,).
    interrupters : mapping
        Mechanism -> names of those that it moves.
    least_mm : float
        Places that are off by less are left as they are.
    """
    places = _places(happenings, time_s, travels)
    done: set[str] = set()
    found: list[tuple[float, str, str, float, float, int]] = []
    for a, b in combinations(sorted(travels), 2):
        own: list[float] = []
        other: list[float] = []
        both = {key: here for key, here in places.items() if a in here and b in here}
        for here in both.values():
            rest = [here[m][m] for m in here if m not in (a, b)]
            for pair, into in (([here[a][a], here[b][b]], own), ([here[a][b], here[b][a]], other)):
                middle = float(np.mean([*pair, *rest]))
                into += [p - middle for p in pair]
        if len(own) < 4:
            continue
        before, after = (float(np.sqrt(np.mean(np.square(x)))) for x in (own, other))
        if before > least_mm and (before > TIMES * after or _fits_better(both, a, b)):
            found.append((before / max(after, 1e-6), a, b, before, after, len(own)))
    for _, a, b, before, after, many in sorted(found, reverse=True):
        if a in done or b in done:
            continue
        done |= {a, b}
        names = tuple(sorted([*interrupters.get(a, ()), *interrupters.get(b, ())]))
        yield Fault(
            code="travel-wrong-pole",
            level="inspect",
            what=f"the travel of mechanism {a} fits what happens at {b}, and that of {b} what happens at {a}: the "
            "sensors, their channels or the mechanisms in the breaker file are exchanged",
            basis="the contacts' instants and the auxiliary contacts' changes against both travels",
            otherwise="Coil, contact and auxiliary channels of the two mechanisms exchanged all together; linkages "
            "misadjusted by just as much as the two motions differ.",
            check="Follow both sensors to their channels, mend the breaker file or the connection, and read the record "
            "again.",
            interrupters=names,
            spoils="travel",
            evidence={
                "mechanisms": [a, b],
                "places_off_by_mm": before,
                "places_off_by_if_exchanged_mm": after,
                "places_compared": many,
            },
        )


def _fits_better(places: Mapping[tuple[int, str], Mapping[str, Mapping[str, float]]], a: str, b: str) -> bool:
    """Whether healthy scatter of linkages, scales and contacts explains the exchanged places and not the own ones.

    An opening and a closing shift the places of an exchanged travel by different amounts, as no linkage does.
    """
    if len(places) < MANY:
        return False
    own = np.array([here[a][a] - here[b][b] for here in places.values()])
    other = np.array([here[a][b] - here[b][a] for here in places.values()])
    middle = np.array([0.5 * (here[a][a] + here[b][b]) for here in places.values()])
    what = [w for _, w in places]
    same = np.array([[v == w for v in what] for w in what], dtype=np.float64)
    each = LINKAGE_MM**2 + SCALE_REL**2 * np.outer(middle, middle) + CONTACT_MM**2 * same
    spread = 2.0 * (each + AGAIN_MM**2 * np.eye(len(what)))
    before, after = (float(x @ np.linalg.solve(spread, x)) for x in (own, other))
    return before - after > SURER and before > SMALLER * after and after < FITTING * len(what)


def exchanged_across(
    happenings: Sequence[Happening], time_s: FloatArray, travels: Mapping[str, FloatArray]
) -> Iterator[Fault]:
    """Two interrupters of different mechanisms whose instants lie in place only on one another's travel.

    This tells exchanged voltages also where one current flows through both, which then says nothing about them.
    """
    mine: dict[str, list[Happening]] = {}
    for h in happenings:
        if h.interrupter and h.mechanism in travels and math.isfinite(h.at_s):
            mine.setdefault(h.interrupter, []).append(h)
    of = {name: hs[0].mechanism for name, hs in mine.items()}

    def place(h: Happening, mechanism: str) -> float:
        return float(np.interp(h.at_s, time_s, travels[mechanism]))

    here: dict[tuple[int, str], dict[str, float]] = {}
    for name, hs in mine.items():
        for h in hs:
            here.setdefault((h.operation, h.what.split()[0]), {})[name] = place(h, of[name])
    done: set[str] = set()
    for a, b in combinations(sorted(mine), 2):
        if of[a] == of[b] or {a, b} & done:
            continue
        own: list[float] = []
        other: list[tuple[Happening, str, float]] = []
        for name, mechanism in ((a, of[b]), (b, of[a])):
            for h in mine[name]:
                key = (h.operation, h.what.split()[0])
                rest = [mm for n, mm in here[key].items() if n not in (a, b)]
                if len(rest) >= 3:
                    usual = median(rest)
                    own.append(here[key][name] - usual)
                    other.append((h, mechanism, usual))
        if len(own) < 4 or min(map(abs, own)) <= 0.5 * ACROSS_MM:
            continue
        before = float(np.sqrt(np.mean(np.square(own))))
        after = float(np.sqrt(np.mean(np.square([place(h, m) - usual for h, m, usual in other]))))
        if before > ACROSS_MM and before > TIMES * after:
            done |= {a, b}
            yield Fault(
                code="leads-exchanged",
                level="inspect",
                what="the voltage leads are exchanged between them: the instants of each fit the other's travel",
                basis="the contacts' instants against the travels of both mechanisms",
                otherwise="A breaker file that gives each the other's mechanism; contacts or linkages of both "
                "misadjusted by just as much as the two motions differ.",
                check="Follow each voltage lead from the clamp to the channel, mend the connection or the breaker "
                "file, and read the record again.",
                interrupters=(a, b),
                spoils="all",
                evidence={"places_off_by_mm": before, "places_off_by_if_exchanged_mm": after},
            )


@kept
def _starts(mm: FloatArray, time_s: FloatArray, operation: Operation) -> float:
    """When the travel leaves its rest position in one operation, s; NaN where it does not."""
    part = slice(int(np.searchsorted(time_s, operation.start_s)), int(np.searchsorted(time_s, operation.stop_s)))
    x = mm[part]
    good = np.flatnonzero(np.isfinite(x))
    if good.size < 8:
        return math.nan
    rest = median(x[good[: max(4, good.size // 50)]])
    stroke = float(np.nanmax(np.abs(x - rest)))
    moved = np.flatnonzero(np.abs(x - rest) > max(1.0, 0.01 * stroke))
    return float(time_s[part][moved[0]]) if stroke > 10.0 and moved.size else math.nan


def wrong_time(
    happenings: Sequence[Happening],
    time_s: FloatArray,
    travels: Mapping[str, FloatArray],
    operations: Sequence[Operation],
    interrupters: Mapping[str, Sequence[str]],
) -> Iterator[Fault]:
    """Travels that move at another time than the contacts or the coil of the mechanism that they are named for."""
    hits: dict[str, tuple[str, set[int], dict[str, float]]] = {}
    for operation in operations:
        mine = [h for h in happenings if h.operation == operation.number and h.what.startswith(("main", "arcing"))]
        late = _late(operation, mine, time_s, travels)
        for name, mm in travels.items():
            part = slice(
                int(np.searchsorted(time_s, operation.start_s)), int(np.searchsorted(time_s, operation.stop_s))
            )
            x = mm[part][np.isfinite(mm[part])]
            if x.size < 8:
                continue
            low, high = float(x.min()), float(x.max())
            places = [float(np.interp(h.at_s, time_s, mm)) for h in mine if h.mechanism == name]
            still = [p for p in places if not low + AT_REST_MM < p < high - AT_REST_MM]
            start = _starts(mm, time_s, operation)
            coil = operation.reference_s[name] if operation.reference.get(name) == "coil" else math.nan
            if high - low > 20.0 and places and 2 * len(still) > len(places):
                what = "the contacts part or touch while this travel stands still at its end"
                numbers = {"travel_at_the_contacts_mm": median(places), "travel_mm": high - low}
            elif start < coil - 1e-3:
                what = "this travel moves before its coil is energised"
                numbers = {"motion_before_coil_ms": 1e3 * (coil - start)}
            elif name in late:
                what = f"this travel moves {1e3 * abs(late[name]):.1f} ms {'later' if late[name] > 0 else 'earlier'} "
                what += "than its siblings' while its contacts do not"
                numbers = {"motion_late_by_ms": 1e3 * late[name]}
            else:
                continue
            kept = hits.setdefault(name, (what, set(), numbers))
            kept[1].add(operation.number)
    for name, (what, numbers_of, numbers) in sorted(hits.items()):
        yield Fault(
            code="travel-wrong-time",
            level="inspect",
            what=f"mechanism {name}: {what}: not its own travel, or a sensor on another clock",
            basis="the travel against the contacts' instants and the coil's onset",
            otherwise="A sensor that slips or is driven through a loose coupling, a linkage that has come off, a coil "
            "channel of another mechanism.",
            check="See which mechanism the sensor sits on and how its recorder is synchronised, then repeat the test.",
            interrupters=tuple(sorted(interrupters.get(name, ()))),
            # A sensor on another clock is so in every operation, though it may show in one only.
            spoils="travel",
            evidence={"mechanism": name, "seen_in_operations": sorted(numbers_of)} | numbers,
        )


def _late(
    operation: Operation, mine: Sequence[Happening], time_s: FloatArray, travels: Mapping[str, FloatArray]
) -> dict[str, float]:
    """Mechanism -> by how much its start of motion is late against its siblings' and its own contacts, s."""
    start: dict[str, float] = {}
    contact: dict[str, float] = {}
    for name, mm in travels.items():
        own = [h.at_s for h in mine if h.mechanism == name and math.isfinite(h.at_s)]
        begun = _starts(mm, time_s, operation)
        if own and math.isfinite(begun) and operation.reference.get(name) == "coil":
            start[name] = begun - operation.reference_s[name]
            contact[name] = median(own) - operation.reference_s[name]
    if len(start) < 3:
        return {}
    out = {}
    for name in start:
        others = [m for m in start if m != name]
        begun_others = [start[m] for m in others]
        moved = start[name] - median(begun_others)
        parted = contact[name] - median([contact[m] for m in others])
        # A mechanism that is late is late with its contacts too; and of three the odd one is off both of the others.
        if (
            abs(moved) > LATE_S
            and abs(parted) < 0.4 * abs(moved)
            and max(begun_others) - min(begun_others) < 0.6 * abs(moved)
        ):
            out[name] = moved
    return out
