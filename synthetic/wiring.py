"""Which current flows through which interrupter, and what the leads and clamps of the test do to what is seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drm.synthetic.circuit import solve
from drm.synthetic.passages import Passages
from drm.synthetic.scenario import Scenario

__all__ = ["Wired", "clamp_ohm", "current_channel", "current_channels", "inject"]

FloatArray = NDArray[np.float64]

#: A clamp's resistance goes with this power of the current, for current softens and widens its spots (Holm: between
#: nothing, elastic and cold, and -1, where the drop stays at the softening voltage). Common practice, no source.
CLAMP_POWER = -0.3
#: Time over which a loose clamp forgets its resistance, s. Common practice, no source.
CLAMP_S = 2e-3


@dataclass(frozen=True, eq=False)
class Wired:
    """Voltages by interrupter and currents by channel, each of shape (n,), before any recorder."""

    voltage_v: dict[str, FloatArray]
    current_a: dict[str, FloatArray]


def current_channel(s: Scenario, name: str) -> str:
    """Channel of the current through interrupter `name`, as the breaker file gives it."""
    return f"I_{name.rstrip('0123456789')}" if s.injection.series else f"I_{name}"


def current_channels(s: Scenario) -> tuple[str, ...]:
    """All of them, each once, in the order of the interrupters."""
    return tuple(dict.fromkeys(current_channel(s, n) for n in s.interrupters))


def clamp_ohm(amps: FloatArray, uohm: float, step_s: float, rng: np.random.Generator) -> FloatArray:
    """Resistance of a loose clamp, shape (n,): `uohm` at 100 A, falling with current, drifting and breaking off."""
    from scipy.signal import lfilter

    keep = np.exp(-step_s / CLAMP_S)
    z = lfilter([1.0], [1.0, -keep], rng.standard_normal(amps.size) * np.sqrt(1.0 - keep * keep))
    at = np.maximum(np.abs(amps), 1.0) / 100.0
    return np.asarray(1e-6 * uohm * at**CLAMP_POWER * np.exp(0.4 * np.sinh(0.8 * z) / 0.8), dtype=np.float64)


def inject(s: Scenario, contacts: Passages, step_s: float, rng: np.random.Generator) -> Wired:
    """Solve every injection of the record."""
    groups: dict[str, list[str]] = {}
    for name in s.interrupters:
        groups.setdefault(current_channel(s, name), []).append(name)
    voltages, currents = {}, {}
    for channel, group in groups.items():
        ohm, metal = np.array([contacts.ohm[n] for n in group]), np.array([contacts.metal[n] for n in group])
        inserted = np.array([contacts.inserted[n] for n in group])
        lead = None
        for _ in [n for n in group if n in s.setup.loose_lead]:
            # Outside the contacts the current is the nominal one as long as the source can.
            nominal = np.full(ohm.shape[1], s.injection.current_a)
            more = clamp_ohm(nominal, 1e3 * s.setup.loose_lead_mohm, step_s, rng)
            lead = more if lead is None else lead + more
        got = solve(ohm, metal, step_s, s.injection, inserted=inserted, lead_ohm=lead)
        induced = s.injection.sense_uh * 1e-6 * np.gradient(got.contact_a, step_s)
        for name, across in zip(group, got.voltage_v, strict=True):
            voltages[name] = across + induced
            if name in s.setup.loose_clamp:
                voltages[name] += got.current_a * clamp_ohm(got.current_a, s.setup.loose_uohm, step_s, rng)
        currents[channel] = got.current_a
    return Wired(voltages, currents)
