"""What no contact can have made is masked, and what one might do is left: traces from circuit law."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drm.masking import stray_samples

FloatArray = NDArray[np.float64]
RATE, AMPS, CLOSED, ARCING, LOOP, SENSE_H, NOISE = 20e3, 300.0, 40e-6, 200e-6, 4e-3, 0.25e-6, 1e-4


def closing() -> tuple[FloatArray, FloatArray, slice]:
    """A closing beside an earth loop that holds the current: a bounce of 0.3 ms, then 4 ms of arcing contact.

    The contact carries what the loop leaves it, and the sense loop adds its inductance times that current's slope.
    """
    t = np.arange(int(0.1 * RATE)) / RATE
    own = np.where(t > 0.0545, CLOSED, ARCING)
    metal = ((t > 0.05) & (t < 0.0502)) | (t > 0.0505)
    across = np.where(metal, AMPS * own * LOOP / (own + LOOP), AMPS * LOOP)
    contact = np.where(metal, AMPS - across / LOOP, 0.0)
    v = across + SENSE_H * np.gradient(contact, t)
    rng = np.random.default_rng(4)
    return v + rng.normal(scale=NOISE, size=t.size), np.full(t.size, AMPS), slice(t.size - 700, t.size)


def masked(v: FloatArray, i: FloatArray, rest: slice) -> NDArray[np.bool_]:
    return stray_samples(v, i, rest, kind="close", closed_ohm=CLOSED, sigma_v=NOISE, step_s=1.0 / RATE)


def test_what_a_bounce_beside_an_earth_loop_induces_is_no_impulse() -> None:
    v, i, rest = closing()
    assert v.min() < -0.1  # the sense loop shows the touches as an impulse would look
    assert not masked(v, i, rest)[995:1020].any()


def test_a_dip_below_any_contact_in_the_arcing_zone_is_an_impulse() -> None:
    v, i, rest = closing()
    v[1060] -= 0.5
    found = np.flatnonzero(masked(v, i, rest)[1030:1080]) + 1030
    assert found.tolist() == [1060]


def test_a_lone_rise_while_the_main_contact_carries_the_current_is_an_impulse() -> None:
    v, i, rest = closing()
    v[1200] += 0.05
    assert masked(v, i, rest)[1200]


def test_a_lone_rise_in_the_arcing_zone_may_be_the_contacts() -> None:
    v, i, rest = closing()
    v[1060] += 0.3
    assert not masked(v, i, rest)[1060]
