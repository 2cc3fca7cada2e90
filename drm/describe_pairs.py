"""Which current belongs to which voltage, by the signals: the contact that parts ends its own current.

Contacts that part within a fraction of a sample of one another cannot be told apart so: that is said.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.describe_instants import Instants
from drm.setup_pairing import BAD, LEAST_SCATTER_S, MOST, MOVED, SCATTER
from drm.setup_skew import LARGEST_SKEW

__all__ = ["Fit", "fits", "paired"]

FloatArray = NDArray[np.float64]

#: In a loop in series a voltage falls with the current that another contact ended: within the first of its own, s, and
#: further than the second from any other.
FALLS_S, OTHERS_S = 0.3e-3, 0.7e-3


@dataclass(frozen=True)
class Fit:
    """The current that a voltage goes with, and what else it may be.

    Attributes
    ----------
    current : str
    sure : bool
        Whether the signals tell it from every other.
    others : tuple of str
        Currents that fit about as well.
    why : str
        Why it is not sure.
    """

    current: str
    sure: bool
    others: tuple[str, ...] = ()
    why: str = ""


def fits(
    all_instants: Sequence[Instants],
    voltages: Sequence[str],
    currents: Sequence[str],
    allowed: Callable[[str, str], bool] = lambda v, i: True,
) -> dict[str, Fit]:
    """The current of each voltage, as far as the operations tell.

    Parameters
    ----------
    all_instants : sequence of Instants
    voltages, currents : sequence of str
        In the order of the record, which decides where nothing else does, and is then no more than a guess.
    allowed : callable
        Whether a voltage may go with a current, by what their names say.
    """
    may = np.array([[allowed(v, i) for i in currents] for v in voltages], dtype=np.bool_).reshape(-1, len(currents))
    one_each = _one_each(may)
    out: dict[str, Fit] = {}
    for rows, columns in _groups(may):
        vs, cs = [voltages[r] for r in rows], [currents[c] for c in columns]
        if len(cs) == 1:
            out |= {v: _only(all_instants, v, cs[0], alone=len(vs) == 1) for v in vs}
        elif one_each and len(vs) <= len(cs):
            out |= _assigned(all_instants, vs, cs, may[np.ix_(rows, columns)])
        else:
            for n, (v, r) in enumerate(zip(vs, rows, strict=True)):
                out[v] = _nearest(all_instants, v, n, cs, may[r, columns])
    return out


def _one_each(may: NDArray[np.bool_]) -> bool:
    return bool(may.shape[0] <= may.shape[1])


def _groups(may: NDArray[np.bool_]) -> list[tuple[list[int], list[int]]]:
    """Rows and columns that hang together."""
    left = set(range(may.shape[0]))
    out = []
    while left:
        rows: set[int] = {min(left)}
        columns: set[int] = set()
        while True:
            more = {int(c) for r in rows for c in np.flatnonzero(may[r])}
            back = {int(r) for c in more for r in np.flatnonzero(may[:, c])}
            if more == columns and back <= rows:
                break
            columns, rows = more, rows | back
        left -= rows
        if columns:
            out.append((sorted(rows), sorted(columns)))
    return out


def _misfits(
    all_instants: Sequence[Instants], vs: Sequence[str], cs: Sequence[str], *, named: bool = False
) -> tuple[FloatArray, NDArray[np.int64]]:
    """Squared misfit of each voltage (row) with each current (column), summed over operations, and how many."""
    cost, count = np.zeros((len(vs), len(cs))), np.zeros((len(vs), len(cs)), dtype=np.int64)
    for one in all_instants:
        v = np.array([one.lost_s[n] for n in vs])
        i = np.array([one.moved_s[n] for n in cs])
        apart = v[:, None] - i[None, :] - (_common_lag(v - i) if named else _common(v, i))
        square = np.minimum((apart / math.hypot(SCATTER[one.course.kind] * one.step_s, LEAST_SCATTER_S)) ** 2, MOST)
        good = np.isfinite(square)
        cost += np.where(good, square, 0.0)
        for n, name in enumerate(vs):
            if one.ripple.get(name) in cs:
                cost[n, [k for k, c in enumerate(cs) if c != one.ripple[name]]] += 2.0 * MOVED
                good[n] = True
        count += good
    return cost, count


def _common_lag(lags: FloatArray) -> float:
    """A lag that all pairs have, s: no matter of pairing."""
    known = lags[np.isfinite(lags)]
    return float(np.median(known)) if known.size else 0.0


def _common(v: FloatArray, i: FloatArray) -> float:
    """A lag that all voltages have behind all currents, s: the order of instants is the same in both."""
    if v.size != i.size or v.size < 2 or not bool(np.isfinite(v).all() and np.isfinite(i).all()):
        return 0.0
    lag = float(np.median(np.sort(v) - np.sort(i)))
    return lag if abs(lag) < LARGEST_SKEW else 0.0


def _only(all_instants: Sequence[Instants], voltage: str, current: str, *, alone: bool) -> Fit:
    """Whether the one current there is flows through this contact, or ended before it parted."""
    late = [o.lost_s[voltage] - o.moved_s[current] for o in all_instants if o.course.kind == "open"]
    late = [x for x in late if math.isfinite(x)]
    if any(x < -2.0 * LARGEST_SKEW for x in late) and alone:
        return Fit(current, False, (), "the contact parts long before this current begins to fall")
    seen = [o for o in all_instants if math.isfinite(o.lost_s[voltage]) or math.isfinite(o.fallen_s[voltage])]
    return Fit(current, bool(seen), (), "" if seen else "no operation shows in both")


def _assigned(
    all_instants: Sequence[Instants], vs: Sequence[str], cs: Sequence[str], may: NDArray[np.bool_]
) -> dict[str, Fit]:
    """A current of its own for each voltage: the assignment that fits best, and how much worse the next best is."""
    from scipy.optimize import linear_sum_assignment

    cost, count = _misfits(all_instants, vs, cs)
    # What was not seen speaks for nothing; the order of the record decides between equals.
    tie = 1e-3 * np.abs(np.subtract.outer(np.arange(len(vs)), np.arange(len(cs))))
    total = np.where(may, cost + tie, 1e6)
    row, column = linear_sum_assignment(total)
    best = float(total[row, column].sum())
    of = dict(zip(row.tolist(), column.tolist(), strict=True))
    bad = any(cost[r, c] > BAD * max(int(count[r, c]), 1) for r, c in of.items())
    out = {}
    for r, v in enumerate(vs):
        c = of[r]
        worse = []
        for other in range(len(cs)):
            if other != c and may[r, other]:
                forced = total.copy()
                forced[r, [k for k in range(len(cs)) if k != other]] = 1e6
                a, b = linear_sum_assignment(forced)
                if float(forced[a, b].sum()) - best < MOVED:
                    worse.append(cs[other])
        sure = not worse and not bad and bool(count[r, c])
        why = "" if sure else "no operation shows in both" if not count[r, c] else ""
        if not sure and bad and not worse:
            why = "the instants of voltages and currents do not agree in any pairing"
        out[v] = Fit(cs[c], sure, tuple(worse), why)
    return out


def _nearest(
    all_instants: Sequence[Instants], voltage: str, place: int, cs: Sequence[str], may: NDArray[np.bool_]
) -> Fit:
    """Of several currents, each through one or more contacts, the one that ended when this contact parted or fell."""
    allowed = [c for c, m in zip(cs, may, strict=True) if m]
    cost, count = _misfits(all_instants, [voltage], allowed)
    order = np.argsort(cost[0] / np.maximum(count[0], 1) + np.where(count[0] > 0, 0.0, MOST), kind="stable")
    first, rest = int(order[0]), [int(k) for k in order[1:]]
    if count[0, first] and cost[0, first] < BAD * count[0, first]:
        near = tuple(allowed[k] for k in rest if cost[0, k] - cost[0, first] < MOVED)
        return Fit(allowed[first], not near, near)
    return _falls(all_instants, voltage, place, allowed)


def _falls(all_instants: Sequence[Instants], voltage: str, place: int, cs: Sequence[str]) -> Fit:
    apart = {c: [abs(o.fallen_s[voltage] - o.fallen_s[c]) for o in all_instants if o.course.kind == "open"] for c in cs}
    worst = {c: max((x for x in d if math.isfinite(x)), default=math.nan) for c, d in apart.items()}
    near = [c for c in cs if worst[c] < FALLS_S]
    others = tuple(c for c in cs if not worst[c] > OTHERS_S and c not in near[:1])
    if len(near) == 1 and not others:
        return Fit(near[0], True)
    guess = near[0] if near else cs[min(place, len(cs) - 1)]
    return Fit(guess, False, tuple(c for c in others if c != guess) or tuple(c for c in cs if c != guess))


def paired(all_instants: Sequence[Instants], named: Mapping[str, str]) -> dict[str, tuple[str, ...]]:
    """Voltages whose instants speak against the current that their names pair them with, and the ones that fit.

    Parameters
    ----------
    named : mapping
        Voltage -> current, by name. Currents that several voltages name are left out.
    """
    own = [v for v, i in named.items() if list(named.values()).count(i) == 1]
    if not own or not all_instants:
        return {}
    from scipy.optimize import linear_sum_assignment

    cost, count = _misfits(all_instants, own, [named[v] for v in own], named=True)
    # As the diagnosis does: the names are believed until several events speak against them.
    _, to = linear_sum_assignment(np.where(count > 0, cost, MOST) + MOVED * (1.0 - np.eye(len(own))))
    out: dict[str, tuple[str, ...]] = {}
    for n, v in enumerate(own):
        seen = int(count[n, n])
        lags = [o.lost_s[v] - o.moved_s[named[v]] for o in all_instants]
        lag = abs(float(np.median([x for x in lags if math.isfinite(x)] or [0.0])))
        # A misfit that no other current mends may be a skew, which the diagnosis finds and takes out.
        moved = to[n] != n and seen and cost[n, n] > BAD * seen
        if moved or lag > LARGEST_SKEW:
            out[v] = (named[own[int(to[n])]],) if moved else ()
    return out
