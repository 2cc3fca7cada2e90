"""The recorded travel, coil currents and auxiliary contacts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drm.record import Channel
from drm.synthetic import chain
from drm.synthetic.electrical import channel
from drm.synthetic.errors import Drawn
from drm.synthetic.moving import Motions
from drm.synthetic.scenario import Scenario

__all__ = ["angle", "mechanical"]

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
) -> list[Channel]:
    """Channels of travel, coils and auxiliary contacts, pole by pole."""
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
    for pole, motion in motions.items():
        x = motion.travel_mm[:: c.oversampling]
        for letter, state in (("a", x < 0.4 * m.stroke_mm), ("b", x > 0.55 * m.stroke_mm)):
            out.append(Channel(f"AUX_{pole}_{letter}", "", state.astype(np.float64), digital=True))
    return out
