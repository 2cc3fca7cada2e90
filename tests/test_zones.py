"""Zones from voltage and current: instants, order, censoring, the earth loop."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drm.resistance import Trace, inductance, resistance_of, without_loop
from drm.zones import segment

RATE = 20e3


def opening(
    *,
    main: float = 0.0742,
    arcing: float = 0.0771,
    closed: float = 40e-6,
    arc: float = 300e-6,
    current: float = 200.0,
    noise: float = 1e-4,
    commutation: float = 3e-4,
    loop: float = np.inf,
    sense: float = 0.0,
    seed: int = 1,
) -> Trace:
    """A plain opening made here, not by the simulator: straight ramps, Gaussian noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(0.12 * RATE)) / RATE
    share = np.clip((t - main) / commutation + 0.5, 0.0, 1.0)
    r = closed + (arc - closed) * share
    parted = t > arcing
    if np.isfinite(loop):
        r = np.where(parted, loop, r * loop / (r + loop))
        i = np.full(t.size, current)
        v = r * i
        # What the loop takes over the contact loses, and the sense loop shows by its inductance.
        v = v + sense * np.gradient(i - v / loop, t)
    else:
        i = np.where(parted, np.maximum(current * (1 - (t - arcing) / 4e-4), 0.0), current)
        v = np.where(parted, 10.0, r * i)
    v = v + rng.normal(scale=noise, size=t.size)
    return Trace(t, v, i, "open", slice(0, 1000), current, noise, 10.0 if not np.isfinite(loop) else np.inf)


def test_instants_are_found_within_a_sample_and_a_half() -> None:
    z = segment(opening())
    assert z.main_s.value == pytest.approx(0.0742, abs=1.5 / RATE)
    assert z.arcing_s.value == pytest.approx(0.0771, abs=1.5 / RATE)


def test_closing_is_opening_told_backwards() -> None:
    a = opening()
    # No arc burns before a first touch: the current begins with it (circuit law).
    a = replace(a, current_a=np.where(a.time_s > 0.0771, 0.0, a.current_a))
    turned = Trace(
        a.time_s,
        a.voltage_v[::-1].copy(),
        a.current_a[::-1].copy(),
        "close",
        slice(a.time_s.size - 1000, a.time_s.size),
        200.0,
        1e-4,
        np.inf,
    )
    z = segment(turned)
    end = a.time_s[-1]
    assert z.main_s.value == pytest.approx(end - 0.0742, abs=1.5 / RATE)
    assert z.arcing_s.value == pytest.approx(end - 0.0771, abs=1.5 / RATE)


@pytest.mark.parametrize(("dip", "said"), [(0.0, False), (0.3, True)])
def test_a_current_that_dips_while_it_moves_over_is_said(dip: float, said: bool) -> None:
    """A contact's move changes the current of a source in its limit one way; a loose lead lets it go and come back."""
    a = opening()
    lost = 1.0 - dip * np.exp(-(((a.time_s - 0.0742) / 3e-4) ** 2))
    lower = np.where(a.time_s > 0.0742, 0.8, 1.0)
    both = a.time_s < 0.0771
    factor = np.where(both, lost * lower, 1.0)
    z = segment(replace(a, voltage_v=a.voltage_v * factor, current_a=a.current_a * factor))
    assert any("goes down and up" in r for r in z.reasons) is said


def test_a_touch_too_short_for_a_sample_is_told_by_the_current() -> None:
    """A bounce's arc carries current while the voltage is high: the first gain is where the current began."""
    a = opening()
    end = float(a.time_s[-1])
    current = np.where(a.time_s > 0.0777, 0.0, np.where(a.time_s > 0.0771, 60.0, 200.0))
    turned = Trace(
        a.time_s,
        a.voltage_v[::-1].copy(),
        current[::-1].copy(),
        "close",
        slice(a.time_s.size - 1000, a.time_s.size),
        200.0,
        1e-4,
        np.inf,
    )
    assert segment(turned).arcing_s.value == pytest.approx(end - 0.0777, abs=1.5 / RATE)


@settings(max_examples=25, deadline=None)
@given(main=st.floats(0.070, 0.075), wipe=st.floats(1.5e-3, 8e-3), jump=st.floats(2.5, 12.0), seed=st.integers(0, 99))
def test_instants_hold_over_the_range_of_the_trade(main: float, wipe: float, jump: float, seed: int) -> None:
    # Arcing zone 1.5-8 ms, arcing 100-500 uOhm on 40 uOhm: common practice, orientation.
    z = segment(opening(main=main, arcing=main + wipe, arc=40e-6 * jump, seed=seed))
    assert abs(z.main_s.value - main) < 2.0 / RATE
    assert abs(z.arcing_s.value - main - wipe) < 1.5 / RATE


def test_scaling_voltage_and_current_together_leaves_the_instants() -> None:
    a, b = segment(opening()), opening()
    # Both channels in another unit by the same factor, physics of volts aside: the closed and arcing ratio is the same.
    c = segment(Trace(b.time_s, 0.7 * b.voltage_v, 0.7 * b.current_a, "open", b.rest, 140.0, 7e-5, 7.0))
    assert c.main_s.value == pytest.approx(a.main_s.value, abs=1e-9)


def test_a_main_contact_that_parts_with_the_arcing_contact_is_not_given_an_order() -> None:
    z = segment(opening(main=0.0771, arcing=0.0771, commutation=1e-6))
    assert any("cannot be told apart" in r for r in z.reasons)


def test_what_follows_the_loss_of_the_current_is_not_read() -> None:
    z = segment(opening(), until_s=0.0760)
    assert not z.arcing_s
    assert any("cut off" in r for r in z.reasons)
    assert z.main_s.value == pytest.approx(0.0742, abs=1.5 / RATE)


def test_a_short_zone_whose_level_hardly_rises_is_the_main_contacts_last_fingers() -> None:
    """Common practice, no source: an arcing contact that carries the whole current has twice the closed resistance."""
    short, long = (opening(arcing=0.0742 + s, closed=54e-6, arc=90e-6, commutation=1e-4) for s in (0.6e-3, 4e-3))
    assert any("no arcing zone" in r for r in segment(short).reasons)
    assert not segment(long).reasons


def test_earth_loop_is_read_from_the_parted_state_and_removed() -> None:
    # Circuit law: with both ends earthed R reads R Rp / (R + Rp), and a parted contact reads Rp.
    z = segment(opening(loop=5e-3))
    assert z.loop_ohm == pytest.approx(5e-3, rel=0.01)
    assert z.arcing_ohm == pytest.approx(300e-6, rel=0.03)
    assert z.arcing_s.value == pytest.approx(0.0771, abs=1.5 / RATE)


def test_earth_loop_above_the_channels_ceiling_is_known_as_a_bound() -> None:
    """Circuit law: at the ceiling the parted loop reads at least that over the current."""
    trace = opening(loop=7e-3)
    clipped = Trace(
        trace.time_s, np.minimum(trace.voltage_v, 1.0), trace.current_a, "open", trace.rest, 200.0, 1e-4, 1.0
    )
    z = segment(clipped)
    conductance, u = 1.0 / z.loop_ohm, z.loop_u_rel / z.loop_ohm
    assert conductance - math.sqrt(3.0) * u == pytest.approx(0.0, abs=1e-9)
    assert conductance + math.sqrt(3.0) * u == pytest.approx(200.0, rel=1e-6)
    assert abs(z.arcing_ohm - 300e-6) < 1.96 * z.arcing_ohm**2 * u


def test_a_sense_loop_beside_an_earth_loop_shows_the_move_later() -> None:
    """Circuit law: V + L d(I - V / R) / dt is V(t - L / R) where V changes slowly."""
    plain, late = (segment(opening(loop=5e-3, sense=h)).main_s.value for h in (0.0, 0.4e-6))
    assert late - plain == pytest.approx(0.4e-6 / 5e-3, abs=10e-6)


@pytest.mark.parametrize("sense", [0.1e-6, 0.2e-6, 0.4e-6])
@pytest.mark.parametrize("loop", [3e-3, 8e-3])
def test_the_instants_intervals_beside_an_earth_loop_hold_whatever_the_sense_loop_has(
    loop: float, sense: float
) -> None:
    z = segment(opening(loop=loop, sense=sense))
    assert abs(z.main_s.value - 0.0742) <= 2.0 * z.main_s.u
    assert abs(z.arcing_s.value - 0.0771) <= 2.0 * z.arcing_s.u


@pytest.mark.parametrize(("own", "measured"), [(50.0, 49.50), (500.0, 454.5), (1000.0, 833.3)])
def test_earth_loop_worked_by_circuit_law(own: float, measured: float) -> None:
    # R Rp / (R + Rp) at Rp = 5 mOhm, computed from the formula.
    assert without_loop(np.array([1e-6 * measured]), 5e-3)[0] == pytest.approx(1e-6 * own, rel=2e-4)


def test_inductance_is_read_where_metal_conducts_a_changing_current() -> None:
    t = np.arange(400) / RATE
    i = 200.0 * (1 - np.exp(-t / 1e-3))
    v = 300e-6 * i + 0.9e-6 * np.gradient(i, t)
    value, u = inductance(Trace(t, v, i, "close", slice(300, 400), 200.0, 1e-4, np.inf), slice(2, 398))
    assert value == pytest.approx(0.9e-6, rel=0.01)
    assert u < 0.1e-6


def test_no_resistance_where_the_current_is_gone() -> None:
    a = opening()
    r = resistance_of(a)
    assert np.isnan(r[a.current_a < 0.3 * 200.0]).all()


def closing(*, arc: float | None, bounce: bool = False, impulse_s: float = math.nan) -> Trace:
    """A touch at 50 ms with the current rising through an inductance; with `arc` an arcing contact for 4 ms."""
    rng = np.random.default_rng(2)
    t = np.arange(int(0.1 * RATE)) / RATE
    since = np.maximum(t - 0.05 - (1e-3 if bounce else 0.0), 0.0)
    i = 200.0 * (1.0 - np.exp(-since / 0.25e-3))
    r = np.where(t > 0.054, 40e-6, arc if arc is not None else 40e-6)
    v = np.where(since > 0.0, r * i + 0.5e-6 * np.gradient(i, t), 2.0)
    if bounce:
        v[np.argmin(np.abs(t - 0.05))] = 0.02
    if math.isfinite(impulse_s):
        v[np.argmin(np.abs(t - impulse_s))] = 0.02
    v = np.minimum(v, 2.0) + rng.normal(scale=1e-4, size=t.size) * (v < 2.0)
    return Trace(t, v, i + rng.normal(scale=0.05, size=t.size), "close", slice(t.size - 700, t.size), 200.0, 1e-4, 2.0)


def test_what_the_sense_loop_adds_while_the_current_rises_is_no_arcing_contact() -> None:
    z = segment(closing(arc=None))
    assert any("no arcing zone" in reason for reason in z.reasons)
    assert not any("no arcing zone" in reason for reason in segment(closing(arc=300e-6)).reasons)


def test_a_touch_shorter_than_a_sample_is_a_bouncing_contacts_first() -> None:
    z = segment(closing(arc=300e-6, bounce=True))
    assert z.arcing_s.value == pytest.approx(0.05, abs=1.5 / RATE)


def test_a_single_sample_is_no_touch_where_the_parted_trace_has_such_impulses() -> None:
    z = segment(closing(arc=300e-6, bounce=True, impulse_s=0.03))
    assert z.arcing_s.value == pytest.approx(0.051, abs=1.5 / RATE)


def test_a_current_long_before_the_voltage_shows_a_touch_is_not_taken_for_the_contacts() -> None:
    trace = closing(arc=300e-6)
    early = np.interp(trace.time_s + 1.5e-3, trace.time_s, trace.current_a)
    z = segment(replace(trace, current_a=early))
    assert any("before the voltage shows a touch" in reason for reason in z.reasons)
    assert z.arcing_s.value == pytest.approx(0.05, abs=1.5 / RATE)


@pytest.mark.parametrize("rise", [1.7, 2.4])
def test_the_level_beside_the_parting_is_told_by_the_closed_one(rise: float) -> None:
    assert segment(opening(arc=rise * 40e-6, arcing=0.0771)).rise == pytest.approx(rise, rel=0.02)
