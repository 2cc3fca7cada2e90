"""Coils and motors by how long their currents last, coils by the operation that they command; and their supplies.

A coil's current is a short pulse from rest ahead of an operation, the motor's a long run.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from drm.coils import pulses, runs
from drm.describe_seen import Course, Part, Seen, together
from drm.record import Channel

__all__ = ["OBEYED_S", "see_coils", "see_supplies"]

FloatArray = NDArray[np.float64]

#: A command acts within this, s; a coil's pulse is shorter than the first, a motor's run longer than the second.
OBEYED_S, LONGEST_PULSE_S, SHORTEST_RUN_S = 0.2, 0.35, 0.5


def see_coils(seen: Seen, channels: Sequence[Channel]) -> None:
    """Coils and motors, by how long their currents last; coils by the operation that they command."""
    step = seen.many / seen.record.sample_rate_hz
    for c in channels:
        begin, end = _longest(seen.medians[c.name])
        lasting, cut = (end - begin) * step, end == seen.medians[c.name].size
        found = pulses(seen.record.time_s, c)
        if lasting > SHORTEST_RUN_S:
            seen.parts[c.name] = Part("motor")
        elif found and cut:
            seen.parts[c.name] = Part("motor", "its current still flows at the end of the record: motor or coil")
        elif found and lasting < LONGEST_PULSE_S:
            seen.pulses[c.name] = found
        elif lasting >= LONGEST_PULSE_S:
            seen.parts[c.name] = Part("motor", f"a current of {lasting:.2f} s is long for a coil, short for a motor")
    commands = _commands([p.onset_s for ps in seen.pulses.values() for p in ps])
    for name, ps in seen.pulses.items():
        kinds = {_obeyed(p.onset_s, commands, seen.courses) for p in ps}
        if kinds == {"open"} or kinds == {"close"}:
            seen.parts[name] = Part("trip" if kinds == {"open"} else "close")
        else:
            seen.parts[name] = Part("coil", "its pulses do not tell by themselves which operation they command")


def _longest(x: FloatArray) -> tuple[int, int]:
    """The longest stretch in which a channel is away from its rest, (0, 0) where it never is."""
    rest = float(np.median(x[np.abs(x) <= np.percentile(np.abs(x), 20.0)]))
    y = np.abs(x - rest)
    noise = 1.4826 * float(np.median(np.abs(np.diff(x))))
    on = y > max(0.05 * float(y.max()), 8.0 * noise)
    return max(runs(on), key=lambda r: r[1] - r[0], default=(0, 0)) if float(y.max()) > 12.0 * noise else (0, 0)


def _commands(onsets: Sequence[float]) -> list[float]:
    """First instants of commands: pulses of several mechanisms begin together."""
    out: list[float] = []
    last = -np.inf
    for at in sorted(onsets):
        if at - last > 20e-3:
            out.append(at)
        last = at
    return out


def _obeyed(onset_s: float, commands: Sequence[float], courses: Sequence[Course]) -> str:
    """Kind of the operation that a command led to; empty where that is not clear.

    Commands and operations keep their order, though a trip may come before the closing has begun to move.
    """
    number = sum(c <= onset_s + 1e-9 for c in commands) - 1
    if len(commands) == len(courses):
        course = courses[number]
        return course.kind if 0.0 < course.first_s - onset_s < OBEYED_S else ""
    after = [c for c in courses if 0.0 < c.first_s - onset_s < OBEYED_S]
    kinds = {c.kind for c in after}
    return kinds.pop() if len(kinds) == 1 else ""


def see_supplies(seen: Seen, channels: Sequence[Channel]) -> None:
    """Voltages of coils and motors: there while their current flows."""
    supplied = ("trip", "close", "coil", "motor")
    currents = {n: np.abs(seen.medians[n]) for n, p in seen.parts.items() if p.role in supplied}
    on = {n: x > 0.05 * float(x.max()) for n, x in currents.items()}
    for c in channels:
        x = np.abs(seen.medians[c.name])
        top = float(x.max())
        noise = 1.4826 * float(np.median(np.abs(np.diff(seen.medians[c.name]))))
        if not top > 20.0 * noise or not on:
            continue
        fits = sorted(((together(x > 0.3 * top, flows), n) for n, flows in on.items()), reverse=True)
        alike = [n for fit, n in fits if fit > max(0.5, fits[0][0] - 0.03)]
        if alike:
            doubt = f"it stands with the currents of {len(alike)} channels alike" if len(alike) > 1 else ""
            seen.parts[c.name] = Part(seen.parts[alike[0]].role, doubt or seen.parts[alike[0]].doubt, alike[0])
