"""Which voltage belongs to which current: leads exchanged, a voltage read with another's current, clocks that differ.

The voltage of every interrupter tells when its contact parted or touched, and every current when it was ended or begun.
Those that belong together agree to a fraction of a sample; those that do not differ by as much as the contacts do.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Breaker
from drm.median import median
from drm.operations import Operation
from drm.quantity import NOTHING, Quantity
from drm.resistance import Trace
from drm.setup_fault import Fault
from drm.setup_skew import EVENT_U, FILTER_S, LARGEST_SKEW, LONGEST_BOUNCE_S, Events, both_of, pooled

__all__ = ["Pairing", "hidden_costs", "pairing", "scatter_s"]

FloatArray = NDArray[np.float64]

#: Scatter of the two events about each other, in samples, as simulated records show it.
SCATTER = {"open": 0.35, "close": 0.65}
LEAST_SCATTER_S = 5e-6
#: Square of the greatest misfit that one event counts with: one that was misread must not decide.
MOST = 64.0
#: What each voltage that is given another's current costs (twice a log-likelihood ratio): the breaker file is believed
#: until several events speak against it, and of two pairings that fit alike the one with fewer changes is taken.
MOVED = 11.0
#: A bounce hides the first touch from the voltage in one closing of so many (simulated records).
HIDDEN = 7.0
#: How bad, in squares for each event, the pairing in use must be for all that are named together and for each of them,
#: and what share of it may be left in the other pairing of all of them, and of each.
BAD, EACH, LEFT, BETTER = 6.0, 3.0, 0.3, 0.75
#: A skew is named when it is this many standard uncertainties, samples and seconds away from none.
SURE, LEAST_SAMPLES, LEAST_S = 3.0, 1.5, 60e-6
#: So many others at least must show one skew before one that departs from them is named for that, and so many standard
#: uncertainties it must depart by: it is the furthest of all.
AGREE, FURTHEST = 3, 3.5

_BASIS = "physics: a contact that parts ends the current, one that touches begins it, at the same instant"


@dataclass(frozen=True)
class Pairing:
    """Faults of pairing and, for each interrupter, the skew to be taken out of its voltage, s (0 where none)."""

    faults: tuple[Fault, ...] = ()
    skew: Mapping[str, Quantity] = field(default_factory=dict)
    #: (operation, interrupter) -> what its voltage and its current tell, each by itself.
    events: Mapping[Key, Events] = field(default_factory=dict)


Key = tuple[int, str]


def pairing(breaker: Breaker, operations: Sequence[Operation], traces: Mapping[Key, Trace]) -> Pairing:
    """Check that each voltage and current belong together, and find the skew between them.

    Parameters
    ----------
    breaker : Breaker
    operations : sequence of Operation
    traces : mapping
        (operation, interrupter) -> trace, those that cannot be used left out.
    """
    both = {key: both_of(t) for key, t in traces.items()}
    events = {key: e for key, (e, _) in both.items()}
    chains: dict[str, list[str]] = {}
    for i in breaker.interrupters:
        chains.setdefault(i.current, []).append(i.name)
    own = [names[0] for names in chains.values() if len(names) == 1]
    faults = list(_exchanged(own, operations, traces, events))
    named = {n for f in faults for n in f.interrupters}
    deciding = _deciding(chains, operations, traces, events)
    in_series = {name for names in chains.values() if len(names) > 1 for name in names}
    # In series the current may well be late: it begins when all touch at once, and until then one or another bounces;
    # and a source with voltage to spare feeds the arc of the first that parts until others have parted too.
    late = {(k, n) for k, n in both if n in in_series}
    told = {key: s for key, (_, s) in both.items() if not (key in late and s.value < 0.0)}
    skews = {
        name: pooled([told[k, name] for k in numbers if (k, name) in told])
        for name, numbers in deciding.items()
        if name not in named
    }
    faults += _apart(deciding, traces, late, events, skews, named)
    named |= {n for f in faults for n in f.interrupters}
    removed = _removed({n: s for n, s in skews.items() if n not in named}, chains, traces, named)
    return Pairing((*faults, *_skew_faults(removed)), removed, events)


def _deciding(
    chains: Mapping[str, list[str]],
    operations: Sequence[Operation],
    traces: Mapping[Key, Trace],
    events: Mapping[Key, Events],
) -> dict[str, list[int]]:
    """Interrupter -> operations in which its own contact ended or began the current."""
    out: dict[str, list[int]] = {}
    for names in chains.values():
        for operation in operations:
            seen = [(events[operation.number, n], n) for n in names if (operation.number, n) in traces]
            known = [(e.voltage_s, n) for e, n in seen if math.isfinite(e.voltage_s) and not e.hidden]
            if known:
                who = (min(known) if operation.kind == "open" else max(known))[1]
                out.setdefault(who, []).append(operation.number)
    return out


def _shared(lags_s: FloatArray, scatter_s: float) -> float:
    """The lag that most share, s; of those with as many near them the least, for two that differ share none."""
    known = lags_s[np.isfinite(lags_s)]
    if known.size == 0:
        return 0.0
    apart = np.minimum(np.abs(known[:, None] - known[None, :]), math.sqrt(MOST) * scatter_s).sum(axis=1)
    near = known[apart <= apart.min() + scatter_s]
    return float(near[np.argmin(np.abs(near))])


def scatter_s(kind: str, step_s: float) -> float:
    """Standard deviation of a voltage's event about its own current's, s."""
    return math.hypot(SCATTER[kind] * step_s, LEAST_SCATTER_S)


def hidden_costs(scatter_s: float) -> float:
    """What a touch costs that the voltage shows after its own current, by as much as a bounce may last.

    Twice the logarithm of how much less likely that is than to meet the current within the scatter: a bounce seldom
    hides the first touch, and then leaves any lag as likely as another.
    """
    less = HIDDEN * LONGEST_BOUNCE_S / (math.sqrt(2.0 * math.pi) * scatter_s)
    # Where a sample is longer than a bounce nothing is hidden beyond the scatter.
    return 2.0 * math.log(max(less, 1.0))


@dataclass(frozen=True, eq=False)
class _Misfits:
    """How ill each voltage (row) goes with each current (column).

    Attributes
    ----------
    cost, seen : ndarray
        Squares, and the same where no touch were hidden.
    count : ndarray
        How many events.
    lag : ndarray
        Mean of the voltage after the current, s.
    skewed : bool
        A lag was taken out that no filter explains.
    """

    cost: FloatArray
    seen: FloatArray
    count: NDArray[np.int64]
    lag: FloatArray
    skewed: bool


def _misfits(
    names: Sequence[str],
    operations: Sequence[Operation],
    traces: Mapping[Key, Trace],
    events: Mapping[Key, Events],
    *,
    share: bool,
) -> _Misfits:
    """Every voltage with every current; where `share`, without the lag of most own pairs: a skew, a filter's delay."""
    cost = np.zeros((len(names), len(names)))
    seen = np.zeros(cost.shape)
    count = np.zeros(cost.shape, dtype=np.int64)
    lag = np.zeros(cost.shape)
    skewed = False
    for operation in operations:
        have = [k for k, n in enumerate(names) if (operation.number, n) in traces]
        if not have:
            continue
        step = traces[operation.number, names[have[0]]].step_s
        mine = [events[operation.number, names[k]] for k in have]
        apart = np.array([e.voltage_s for e in mine])[:, None] - np.array([e.current_s for e in mine])[None, :]
        scatter = scatter_s(operation.kind, step)
        shared = _shared(np.array([e.lag_s for e in mine]), scatter) if share else 0.0
        skewed |= abs(shared) > max(LEAST_SAMPLES * step, LEAST_S)
        apart = apart - shared
        square = np.minimum((apart / scatter) ** 2, MOST)
        later = (apart > 0.0) & (apart < LONGEST_BOUNCE_S)
        hidden = np.diag([e.hidden for e in mine]) | (later & np.array([e.covered for e in mine])[:, None])
        good = np.isfinite(square)
        where = np.ix_(have, have)
        seen[where] += np.where(good, square, 0.0)
        square = np.where(hidden, np.minimum(square, hidden_costs(scatter)), square)
        cost[where] += np.where(good, square, 0.0)
        count[where] += good
        lag[where] += np.where(good, apart, 0.0)
    # What was not seen neither speaks for a pairing nor against it.
    return _Misfits(cost, seen, count, lag / np.maximum(count, 1), skewed)


def _assigned(each: _Misfits) -> tuple[float, dict[int, int], _Misfits] | None:
    """What the best assignment of voltages to currents costs, and it; None where fewer than two can be assigned."""
    use = np.flatnonzero(np.diag(each.count) > 0)
    if use.size < 2:
        return None
    where = np.ix_(use, use)
    part = np.where(each.count[where] > 0, each.cost[where], MOST * max(1, int(each.count.max())))
    part = part + MOVED * (1.0 - np.eye(use.size))
    # Clocks that differ are no more common than leads that are exchanged.
    skew = MOVED if each.skewed else 0.0
    if _own_is_best(part):
        return float(np.diag(part).sum()) + skew, {int(k): int(k) for k in use}, each
    from scipy.optimize import linear_sum_assignment

    row, column = linear_sum_assignment(part)
    to = {int(use[r]): int(use[c]) for r, c in zip(row, column, strict=True)}
    return float(part[row, column].sum()) + skew, to, each


def _own_is_best(cost: FloatArray) -> bool:
    """Whether leaving each voltage with its own current costs least: no round of exchanges costs less than nothing.

    Shortest ways between all pairs (Floyd, 1962); so a library of optimisation is loaded only where leads are wrong.
    """
    more = cost - np.diag(cost)[:, None]
    for k in range(more.shape[0]):
        more = np.minimum(more, more[:, k, None] + more[None, k, :])
    return bool((np.diag(more) >= 0.0).all())


def _exchanged(
    names: Sequence[str], operations: Sequence[Operation], traces: Mapping[Key, Trace], events: Mapping[Key, Events]
) -> Iterator[Fault]:
    """Interrupters with a current each whose voltages fit one another's currents and not their own."""
    if len(names) < 2:
        return
    # A lag that all share is no matter of pairing; but of leads that are all wrong the lags share nothing.
    tried = [_assigned(_misfits(names, operations, traces, events, share=share)) for share in (True, False)]
    known = [t for t in tried if t is not None]
    if len(known) < 2:
        return
    _, to, each = min(known, key=lambda t: t[0])
    cost, seen, count, lag = each.cost, each.seen, each.count, each.lag
    done: set[int] = set()
    for first in to:
        cycle = [first]
        while to[cycle[-1]] != first:
            cycle.append(to[cycle[-1]])
        if len(cycle) < 2 or first in done:
            continue
        done |= set(cycle)
        own = sum(float(cost[k, k]) for k in cycle)
        other = sum(float(cost[k, to[k]]) for k in cycle)
        # One voltage that is late by itself may fit another's current, which then has no quarrel with its own. Of
        # several that are off at once one may happen to part with a current that is not its own. A touch that a bounce
        # may have hidden is a quarrel too where another current explains it.
        quarrel = sum(float(seen[k, k]) >= EACH * max(int(count[k, k]), 1) for k in cycle)
        better = other < LEFT * own and all(cost[k, to[k]] < BETTER * cost[k, k] for k in cycle)
        if own < BAD * sum(int(count[k, k]) for k in cycle) or quarrel < max(2, len(cycle) - 1) or not better:
            continue
        who = tuple(sorted(names[k] for k in cycle))
        yield Fault(
            code="leads-exchanged",
            level="inspect",
            what="the voltage leads are exchanged between them: each voltage parts or touches with another's current"
            if len(cycle) == 2
            else "the voltage leads are connected in a wrong order: each voltage goes with another's current",
            basis=_BASIS,
            otherwise="The current leads may be exchanged instead, or the names in the breaker file; two voltage "
            "channels with clocks that differ by just as much as the contacts do would look the same.",
            check="Follow each voltage and current lead from the clamp to the channel, mend the connection or the "
            "breaker file, and read the record again.",
            interrupters=who,
            spoils="all",
            evidence={
                "lag_to_own_current_ms": {names[k]: 1e3 * float(lag[k, k]) for k in cycle},
                "lag_to_the_fitting_current_ms": {names[k]: 1e3 * float(lag[k, to[k]]) for k in cycle},
                "fits_the_current_of": {names[k]: names[to[k]] for k in cycle},
                "misfit_own": own,
                "misfit_other": other,
            },
        )


def _apart(
    deciding: Mapping[str, list[int]],
    traces: Mapping[Key, Trace],
    late: set[Key],
    events: Mapping[Key, Events],
    skews: Mapping[str, Quantity],
    named: set[str],
) -> Iterator[Fault]:
    """Voltage and current of one interrupter that are further apart than any skew, or a bounce where that is `late`."""
    lags: dict[str, list[float]] = {}
    for name, numbers in deciding.items():
        if name in named:
            continue
        for number in numbers:
            if (number, name) in events:
                e = events[number, name]
                closing = traces[number, name].kind == "close"
                waits = closing and (number, name) in late and -LONGEST_BOUNCE_S < e.lag_s < 0.0
                if math.isfinite(e.lag_s) and not waits:
                    lags.setdefault(name, []).append(e.lag_s)
    for name, values in sorted(lags.items()):
        lag, apart = median(values), max(values) - min(values)
        skew = skews.get(name, NOTHING)
        near = abs(lag) <= LARGEST_SKEW or (skew and abs(skew.value) <= LARGEST_SKEW)
        # Of clocks that differ every operation shows the same lag.
        if near and apart <= LARGEST_SKEW:
            continue
        lag = max(values, key=abs) if near else lag
        yield Fault(
            code="pairing",
            level="inspect",
            what="the voltage and the current do not belong together: the contact parts or touches in one of them "
            f"{abs(1e3 * lag):.2f} ms {'later' if lag > 0 else 'earlier'} than in the other",
            basis=_BASIS,
            otherwise="A current that was cut off elsewhere in the loop, by another interrupter in series that the "
            "breaker file does not name, or channels recorded on clocks that differ by more than half a millisecond.",
            check="See which current channel belongs to this voltage, whether other interrupters lie in the loop, and "
            "how the recorders were synchronised; then mend the breaker file or repeat the test.",
            interrupters=(name,),
            spoils="all",
            evidence={"voltage_after_current_ms": 1e3 * lag, "skew_looked_for_up_to_ms": 1e3 * LARGEST_SKEW},
        )


def _removed(
    skews: Mapping[str, Quantity], chains: Mapping[str, list[str]], traces: Mapping[Key, Trace], named: set[str]
) -> dict[str, Quantity]:
    """Skew to be taken out of each interrupter's voltage: the common one where all agree, else its own."""
    known = {n: s for n, s in skews.items() if s and abs(s.value) <= LARGEST_SKEW}
    if not known:
        return {}
    step = median([t.step_s for t in traces.values()])
    every = {n: m for names in chains.values() for n in names for m in names if m in known}
    common = pooled(list(known.values()))
    alike = all(abs(s.value - common.value) <= max(SURE * s.u, LEAST_SAMPLES * step) for s in known.values())
    if alike:
        everybody = [n for names in chains.values() for n in names if n not in named]
        # Where most show one skew the others, whose events cannot be read, lie on the same two clocks.
        shown = everybody if len(every) >= 2 and 2 * len(every) > len(everybody) else every
        return dict.fromkeys(shown, common) if _sure(common, step) else _odd(known, step)
    # In a chain in series the one that ends the current speaks for the others' channels too.
    return {n: known[m] for n, m in every.items() if _sure(known[m], step)}


def _odd(known: Mapping[str, Quantity], step_s: float) -> dict[str, Quantity]:
    """The one voltage that is off its own current as none of its siblings' is.

    A source that answers slowly and the filters leave each skew uncertain, but all of one breaker alike.
    """
    if len(known) <= AGREE:
        return {}
    values = {n: s.value for n, s in known.items()}
    middle = float(np.median(list(values.values())))
    name = max(values, key=lambda n: abs(values[n] - middle))
    others = np.array([v for n, v in values.items() if n != name])
    u = math.sqrt((EVENT_U * step_s) ** 2 + FILTER_S**2 + float(np.var(others, ddof=1)))
    apart = Quantity(values[name] - float(np.median(others)), u)
    return {name: apart} if _sure(apart, step_s) and abs(apart.value) > FURTHEST * u else {}


def _sure(skew: Quantity, step_s: float) -> bool:
    return abs(skew.value) > max(SURE * skew.u, LEAST_SAMPLES * step_s, LEAST_S)


def _skew_faults(removed: Mapping[str, Quantity]) -> Iterator[Fault]:
    alike: dict[Quantity, list[str]] = {}
    for name, skew in removed.items():
        alike.setdefault(skew, []).append(name)
    for skew, names in alike.items():
        yield Fault(
            code="skew",
            level="watch",
            what=f"the voltage comes {abs(1e3 * skew.value):.2f} ms {'after' if skew.value > 0 else 'before'} the "
            "current, and the record does not say so: moved onto the current's clock",
            basis=_BASIS,
            otherwise="Filters of different delay in the two channels, or a current source that answers late.",
            check="See how voltage and current were sampled, state the skew in the record, and see which of the two "
            "agrees with coil and travel: instants and positions may be off by the skew, the wipe by what the speed "
            "changes within it, resistances not.",
            interrupters=tuple(sorted(names)),
            evidence={"skew_ms": 1e3 * skew.value, "skew_ms_u": 1e3 * skew.u},
        )
