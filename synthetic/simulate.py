"""From a scenario to a record, the breaker file's content, and the truth."""

from __future__ import annotations

import numpy as np

from drm.record import Record
from drm.synthetic.described import breaker_of
from drm.synthetic.electrical import electrical
from drm.synthetic.errors import draw_errors
from drm.synthetic.mechanical import mechanical
from drm.synthetic.moving import move, ringing
from drm.synthetic.passages import passages
from drm.synthetic.scenario import Scenario
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
    motions = {p: move(s, fine, r) for p, r in zip(s.poles, moving.spawn(len(s.poles)), strict=True)}
    ohms, metals, truths = passages(s, fine, motions, drawn, touching)
    wired = inject(s, ohms, metals, 1.0 / rate, clamping)
    rings = ringing(fine, list(motions.values())) if c.coil_coupling_mv > 0.0 else np.zeros_like(fine)
    channels = [
        *electrical(s, fine, at, wired, drawn, rings, measuring, disturbing),
        *mechanical(s, fine, at, motions, drawn, measuring),
    ]
    record = Record(name=s.name, path="", time_s=at, channels=tuple(channels), frequency_hz=s.frequency_hz)
    return Simulation(record, breaker_of(s), tuple(truths))
