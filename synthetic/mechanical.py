"""The recorded travel, coil currents, auxiliary contacts, coil voltages and motors."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drm.record import Channel
from drm.synthetic import chain
from drm.synthetic.auxiliary import changes, switch
from drm.synthetic.electrical import channel
from drm.synthetic.errors import Drawn
from drm.synthetic.motor import STEP_S, Charge
from drm.synthetic.moving import Motions
from drm.synthetic.scenario import Scenario
from drm.synthetic.truth import AuxiliaryTruth, MotorTruth

__all__ = ["angle", "mechanical", "powered"]

FloatArray = NDArray[np.float64]


def angle(share: FloatArray, sign: int) -> FloatArray:
    """Shaft angle of a rotary sensor, degrees, at a share of the stroke: a crank, bent at both ends."""
    return np.asarray(sign * 0.7 * np.degrees(np.arcsin((2.0 * share - 1.0) / 1.5)), dtype=np.float64)


def mechanical(
    s: Scenario,
    fine: FloatArray,
    at: FloatArray,
    motions: dict[str, Motions],
    drawn: Drawn,
    rng: np.random.Generator,
    extra: np.random.Generator,
) -> tuple[list[Channel], tuple[AuxiliaryTruth, ...]]:
    """Channels of travel, coils and auxiliary contacts, pole by pole, and the truth of the latter."""
    out, c, m = [], s.chain, s.motion
    pair = s.setup.sensors_exchanged
    source = {p: p for p in motions} | (dict(zip(pair, reversed(pair), strict=True)) if pair else {})
    for pole, motion in motions.items():
        x = drawn.travel_gain[pole] * chain.sampled(motions[source[pole]].travel_mm, fine, at)
        if c.travel == "linear":
            step = c.encoder_mm
            x = step * np.round((c.travel_sign * x + rng.uniform(-5.0, 5.0)) / step) if step > 0 else c.travel_sign * x
            out.append(Channel(f"TRV_{pole}", "mm", x, resolution=step))
        elif c.travel == "rotary":
            turned = angle(x / m.stroke_mm, c.travel_sign)
            step = c.encoder_mm * 60.0 / m.stroke_mm  # the shaft turns some 60 degrees
            turned = step * np.round(turned / step) if step > 0 else turned
            out.append(Channel(f"TRV_{pole}", "deg", turned, resolution=step))
        for prefix, kind in (("TC", "O"), ("CC", "C")):
            if s.has_coil(kind):
                amps = chain.sampled(motion.coils[kind], fine, at) + 0.005 * rng.standard_normal(at.size)
                out.append(channel(f"{prefix}_{pole}", "A", amps, 20.0, 16))
    truths: list[AuxiliaryTruth] = []
    for pole, motion in motions.items():
        x = motion.travel_mm
        starts = [t.command_s for t in motion.motions]
        for letter, wished in (
            ("a", x < s.auxiliary.a_share * m.stroke_mm),
            ("b", x > s.auxiliary.b_share * m.stroke_mm),
        ):
            state, found = switch(wished, fine, s.auxiliary, extra)
            truths += changes(pole, letter, wished, found, starts, fine)
            out.append(Channel(f"AUX_{pole}_{letter}", "", state[:: c.oversampling].astype(np.float64), digital=True))
    return out, tuple(truths)


def powered(
    s: Scenario,
    fine: FloatArray,
    at: FloatArray,
    motions: dict[str, Motions],
    charged: Charge | None,
    rng: np.random.Generator,
) -> tuple[list[Channel], tuple[MotorTruth, ...]]:
    """Channels of coil voltages and of the motors, where they are recorded."""
    out: list[Channel] = []
    truths = []
    for pole, motion in motions.items():
        for prefix, kind in (("TC", "O"), ("CC", "C")):
            if s.coil.voltage_recorded and s.has_coil(kind):
                volts = chain.sampled(motion.coil_volts[kind], fine, at) + 0.05 * rng.standard_normal(at.size)
                out.append(channel(f"U{prefix}_{pole}", "V", volts, 2.0 * s.coil.supply_v, 16))
        if charged is not None:
            start = 1e-3 * s.motor.start_ms
            run = STEP_S * np.arange(charged.current_a.size)
            stop = start + charged.duration_s
            on = (at >= start) & (at < stop)
            amps = np.where(on, np.interp(at - start, run, charged.current_a), 0.0)
            amps += np.where(at >= stop, charged.current_a[-1] * np.exp(-np.maximum(at - stop, 0.0) / 1e-3), 0.0)
            full = 2.0 * s.motor.supply_v / s.motor.resistance_ohm
            out.append(channel(f"M_{pole}", "A", amps + 0.02 * rng.standard_normal(at.size), full, 16))
            if s.motor.voltage_recorded:
                volts = np.where(on, s.motor.supply_v, 0.0) + 0.05 * rng.standard_normal(at.size)
                out.append(channel(f"UM_{pole}", "V", volts, 2.0 * s.motor.supply_v, 16))
            energy = s.motor.supply_v * float(np.trapezoid(charged.current_a, dx=STEP_S))
            truths.append(
                MotorTruth(pole, start, stop, charged.duration_s, charged.inrush_a, charged.running_a, energy)
            )
    return out, tuple(truths)
