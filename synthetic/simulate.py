"""From a scenario to a record, the breaker file's content, and the truth."""

from __future__ import annotations

import numpy as np

from drm.record import Record
from drm.synthetic.coupled import brushes, ringing
from drm.synthetic.described import breaker_of
from drm.synthetic.electrical import electrical
from drm.synthetic.errors import draw_errors
from drm.synthetic.mechanical import mechanical, powered
from drm.synthetic.motor import charge
from drm.synthetic.moving import move
from drm.synthetic.passages import passages
from drm.synthetic.scenario import Scenario
from drm.synthetic.states import states, static_truth
from drm.synthetic.truth import Simulation
from drm.synthetic.wiring import current_channels, inject

__all__ = ["simulate"]


def simulate(scenario: Scenario, *, rng: np.random.Generator) -> Simulation:
    """Simulate one record.

    Parameters
    ----------
    scenario : Scenario
    rng : numpy.random.Generator
        The only source of chance: the same state gives the same record.

    Returns
    -------
    Simulation
        One :class:`Truth` for each interrupter and operation, in order of operation.
    """
    s, c = scenario, scenario.chain
    rate = c.sample_rate_hz * c.oversampling
    fine = np.arange(round(1e-3 * s.length_ms * rate)) / rate
    at = fine[:: c.oversampling]
    # What was added later draws from streams of its own, so that older scenarios keep their chance.
    moving, touching, measuring, erring, clamping, disturbing = rng.spawn(6)
    drawn = draw_errors(s, current_channels(s), erring)
    spawned = moving.spawn(len(s.poles))
    motions = {p: move(s, p, fine, r) for p, r in zip(s.poles, spawned, strict=True)}
    contacts = passages(s, fine, motions, drawn, touching)
    wired = inject(s, contacts, 1.0 / rate, clamping)
    charged = charge(s.motor) if s.motor.recorded else None
    coupled = np.zeros_like(fine)
    if c.coil_coupling_mv > 0.0:
        coupled += 1e-3 * c.coil_coupling_mv * ringing(fine, list(motions.values()))
    if c.motor_coupling_mv > 0.0 and charged is not None:
        coupled += 1e-3 * c.motor_coupling_mv * brushes(fine, 1e-3 * s.motor.start_ms, charged)
    channels = electrical(s, fine, at, wired, drawn, coupled, measuring, disturbing)
    moved, auxiliaries = mechanical(s, fine, at, motions, drawn, measuring, disturbing)
    power, motors = powered(s, fine, at, motions, charged, disturbing)
    channels = [*channels, *moved, *states(s, contacts), *power]
    record = Record(name=s.name, path="", time_s=at, channels=tuple(channels), frequency_hz=s.frequency_hz)
    return Simulation(
        record,
        breaker_of(s),
        contacts.truth,
        motions=tuple(t for m in motions.values() for t in m.motions),
        coils=tuple(t for m in motions.values() for t in m.releases),
        auxiliaries=auxiliaries,
        motors=motors,
        static=static_truth(s, contacts, wired, drawn) if not s.sequence else (),
    )
