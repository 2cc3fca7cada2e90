"""Loose clamps, told by what a closed contact at rest cannot do, and disturbances that look like them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drm.median import median, medians, nanmedian
from drm.resistance import METALLIC_VOLT, Trace
from drm.setup_fault import Fault, grouped

__all__ = ["loose"]

FloatArray = NDArray[np.float64]
Key = tuple[int, str]

#: Stretch over which a level is read when looking for jumps, s.
BLOCK = 1e-3
#: A closed contact at rest does not change by this share of its resistance, nor read so much lower while it moves.
JUMP, DROP = 0.3, 0.5
#: Nor does it fluctuate from stretch to stretch by this share, so many times what its siblings do and so many times
#: what its noise would leave: loose clamps do, sound contacts do not, steps and hum of the recorder are in all alike.
FLUCTUATES, BEYOND_OTHERS, BEYOND_NOISE = 0.05, 3.0, 1.6
#: Times the siblings' noise, and share of the closed drop, above which a voltage is noisy by its connection.
NOISY, NOISE_SHARE = 6.0, 0.15
#: By how much the current may move within a stretch, share of the injected one.
STEADY = 0.04
#: How uncertain a block's level may be, in standard errors, before a jump counts.
CLEAR = 8.0

_CLAMP = (
    "Clean and tighten the voltage clamp and its joint, look for a broken wire, then repeat the test; read the "
    "resistance at rest for a second before the operation, and shake the leads to see whether it holds."
)


def _blocks(trace: Trace, where: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Median resistance of each stretch of samples in `where`, ohm, and its standard error."""
    many = max(5, round(BLOCK / trace.step_s))
    index = np.flatnonzero(where & np.isfinite(trace.voltage_v) & np.isfinite(trace.current_a))
    count = index.size // many
    if count < 4:
        return np.empty(0), np.empty(0)
    part = index[: count * many].reshape(count, many)
    # Stretches with gaps in them are left out.
    part = part[part[:, -1] - part[:, 0] < 1.5 * many]
    # So are those in which the current moves: the sense loop's inductance then adds a voltage of either sign.
    part = part[np.ptp(trace.current_a[part], axis=1) < STEADY * trace.injected_a] if part.size else part
    if part.shape[0] < 4:
        return np.empty(0), np.empty(0)
    r = medians(trace.voltage_v[part] / trace.current_a[part])
    scale = trace.sigma_v / trace.injected_a
    return r, np.full(r.size, 1.2533 * scale / np.sqrt(many))


@dataclass(frozen=True, eq=False)
class _Rest:
    """Closed contact at rest, stretch by stretch: resistances and the standard error of each, ohm."""

    closed_ohm: float
    blocks_ohm: FloatArray
    error_ohm: float

    @cached_property
    def fluctuation(self) -> float:
        """Scatter from stretch to stretch as a share of the closed resistance; 0 where nothing can be read."""
        return float(np.std(self.blocks_ohm)) / self.closed_ohm if self.blocks_ohm.size and self.closed_ohm > 0 else 0.0


def _rest_of(trace: Trace) -> _Rest:
    rest = np.zeros(trace.time_s.size, dtype=np.bool_)
    rest[trace.rest] = True
    with np.errstate(invalid="ignore", divide="ignore"):
        closed = nanmedian(trace.voltage_v[trace.rest] / trace.current_a[trace.rest])
    r, se = _blocks(trace, rest & (trace.current_a > 0.5 * trace.injected_a))
    return _Rest(closed, r, float(se[0]) if se.size else 0.0)


def _jumps(rest: _Rest) -> dict[str, float]:
    """Numbers of a contact that jumps at rest; else none."""
    r = rest.blocks_ohm
    if r.size and float(np.ptp(r)) > JUMP * rest.closed_ohm + CLEAR * rest.error_ohm:
        return {"resistance_lowest_uohm": 1e6 * float(r.min()), "resistance_highest_uohm": 1e6 * float(r.max())}
    return {}


def _falls(trace: Trace, closed_ohm: float) -> dict[str, float]:
    """Numbers of a reading below its closed value while current flows, or of a current that fails; else none."""
    flowing = (trace.current_a > 0.9 * trace.injected_a) & (np.abs(trace.voltage_v) < METALLIC_VOLT)
    r, se = _blocks(trace, flowing)
    # In two stretches at least: a single one may hold the ringing of a part-separation.
    if r.size and float(np.sort(r)[1]) < (1.0 - DROP) * closed_ohm - CLEAR * float(se[0]):
        return {"resistance_at_rest_uohm": 1e6 * closed_ohm, "resistance_lowest_uohm": 1e6 * float(r.min())}
    flows = trace.current_a[trace.rest] > 0.5 * trace.injected_a
    # Between the first and the last current: a source that is switched on late is none that fails.
    at = np.flatnonzero(flows)
    gone = 1.0 - float(np.mean(flows[at[0] : at[-1] + 1])) if at.size else 0.0
    if 0.02 < gone < 0.5:
        return {"current_a": trace.injected_a, "share_of_rest_without_current": gone}
    return {}


def _beside_others(key: Key, rests: Mapping[Key, _Rest]) -> tuple[float, float] | None:
    """Least and middle fluctuation of the others in the same operation; None where there are fewer than two."""
    others = [r.fluctuation for k, r in rests.items() if k[0] == key[0] and k != key]
    return (min(others), median(others)) if len(others) >= 2 else None


def _unsteady(key: Key, rests: Mapping[Key, _Rest]) -> dict[str, float]:
    """Numbers of a contact that fluctuates at rest as none of its siblings does; else none."""
    mine, others = rests[key], _beside_others(key, rests)
    if others is None or mine.closed_ohm <= 0:
        return {}
    least = max(FLUCTUATES, BEYOND_OTHERS * others[1], BEYOND_NOISE * mine.error_ohm / mine.closed_ohm)
    if mine.fluctuation > least:
        return {"fluctuation_rel": mine.fluctuation, "fluctuation_of_the_others_rel": others[1]}
    return {}


def _noisy(key: Key, traces: Mapping[Key, Trace]) -> dict[str, float]:
    """Numbers of a voltage far noisier than its siblings' in the same operation; else none."""
    sigmas = [t.sigma_v for k, t in traces.items() if k[0] == key[0]]
    usual, mine = median(sigmas), traces[key]
    closed = nanmedian(mine.voltage_v[mine.rest])
    if len(sigmas) > 2 and mine.sigma_v > NOISY * usual and mine.sigma_v > NOISE_SHARE * closed:
        return {"noise_v": mine.sigma_v, "noise_of_the_others_v": usual, "closed_voltage_v": closed}
    return {}


def loose(traces: Mapping[Key, Trace]) -> Iterator[Fault]:
    """Clamps that make contact now and then, or noisily; and what disturbs most readings together."""
    rests = {key: _rest_of(t) for key, t in traces.items()}
    jumps = {key: numbers for key, r in rests.items() if (numbers := _jumps(r))}
    hits = {k: numbers for k, t in traces.items() if (numbers := jumps.get(k) or _falls(t, rests[k].closed_ohm))}
    everybody = {k[1] for k in traces}
    concerned = {k[1] for k in hits}
    if len(everybody) >= 3 and len(concerned) >= max(3, 0.5 * len(everybody)):
        # Clamps come loose one at a time: what most readings show together comes from without.
        yield _disturbance(hits)
        return
    together = {
        key: numbers
        for key, numbers in jumps.items()
        if (others := _beside_others(key, rests)) and rests[key].fluctuation < BEYOND_OTHERS * others[0]
    }
    if together:
        yield _disturbance(together)
    hits = {k: numbers for k, numbers in hits.items() if k not in together}
    hits |= {k: n for k in traces if k not in hits and k not in together and (n := _noisy(k, traces))}
    hits |= {k: n for k in traces if k not in hits and k not in together and (n := _unsteady(k, rests))}
    for name, (operations, numbers) in grouped(hits).items():
        yield _loose_clamp(name, operations, numbers)


def _loose_clamp(name: str, operations: tuple[int, ...], numbers: dict[str, Any]) -> Fault:
    return Fault(
        code="loose-clamp",
        level="inspect",
        what="the reading jumps, fails or is noisy while the contact is closed and at rest: a loose clamp or lead",
        basis="physics: a closed contact at rest keeps its resistance, and none falls below it while it moves",
        otherwise="A contact that is not fully closed or vibrates, a disturbance from neighbouring plant, a "
        "current source that hunts.",
        check=_CLAMP,
        interrupters=(name,),
        # A clamp that fails now and then is trusted in no operation.
        spoils="all",
        evidence={"seen_in_operations": list(operations)} | numbers,
    )


def _disturbance(hits: Mapping[Key, dict[str, float]]) -> Fault:
    by_name = grouped(hits)
    return Fault(
        code="disturbance",
        level="watch",
        what="most readings jump or are noisy together while the contacts are closed and at rest: a disturbance "
        "common to them",
        basis="physics: a closed contact at rest keeps its resistance; clamps do not come loose all at once",
        otherwise="A charging motor or a coil that induces a voltage in the sense leads, neighbouring plant, a current "
        "source that is switched, hunts or has not settled.",
        check="See what runs while the record is taken, twist and part the leads from those of motor and coils, let "
        "the source settle before the command, and repeat the test.",
        interrupters=tuple(sorted(by_name)),
        spoils="resistance",
        evidence={name: {"seen_in_operations": list(ops)} | numbers for name, (ops, numbers) in by_name.items()},
    )
