"""Contacts of the simulator: closing resistor, early arcing contact, wear, fluctuation."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest

from drm.synthetic import named, simulate
from drm.synthetic.contacts import roughness
from drm.synthetic.scenario import Chain


@functools.cache
def run(name, seed=3):
    return simulate(named(name), rng=np.random.default_rng(seed))


def clean(name):
    """Without noise, filter and the converter's steps, with travel that hides nothing."""
    s = named(name)
    chain = Chain(bits=24, voltage_range_v=100.0, voltage_noise_mv=0.0, current_noise_a=0.0, filter_hz=1e9)
    return dataclasses.replace(s, chain=chain, injection=dataclasses.replace(s.injection, sense_uh=0.0))


def samples(sim, name):
    return sim.record.channel(name).samples


def test_a_closing_resistor_is_in_for_some_ten_milliseconds():
    # Hundreds of ohm, about 10 ms: open literature.
    for t in run("pre_insertion").truth:
        assert 8.0 < t.resistor_ms < 12.0
        assert t.resistor_s + 1e-3 * t.resistor_ms == pytest.approx(t.arcing_s)
        assert 300.0 < t.resistor_ohm < 500.0


def test_through_a_closing_resistor_flows_what_ohms_law_says():
    s = dataclasses.replace(clean("pre_insertion"), chain=Chain(bits=32, voltage_range_v=100.0, voltage_noise_mv=0.0,
                                                               current_noise_a=0.0, filter_hz=1e9))  # fmt: skip
    sim = simulate(s, rng=np.random.default_rng(3))
    t = sim.record.time_s
    for row in sim.truth:
        i, u = samples(sim, f"I_{row.interrupter}"), samples(sim, f"U_{row.interrupter}")
        inside = (t > row.resistor_s + 1e-4) & (t < row.arcing_s - 1e-4)
        np.testing.assert_allclose(i[inside], s.injection.limit_v / (row.resistor_ohm + 0.015), rtol=1e-4)
        np.testing.assert_allclose(u[inside] / i[inside], row.resistor_ohm, rtol=1e-4)
        assert abs(i[t < row.resistor_s - 1e-4]).max() < 1e-6
        late = t > row.main_s + 0.02
        assert i[late].mean() == pytest.approx(200.0, rel=1e-3)


def test_behind_a_resistor_the_current_rises_as_fast_as_the_leads_let_it():
    sim = simulate(clean("pre_insertion"), rng=np.random.default_rng(3))
    row, s = sim.truth[0], named("pre_insertion")
    i, t = samples(sim, "I_A1"), sim.record.time_s
    steepest = np.max(np.diff(i) / np.diff(t))
    assert steepest <= s.injection.limit_v / (1e-6 * s.injection.lead_uh)
    assert np.interp(row.arcing_s + 2e-3, t, i) > 150.0


def test_the_resistors_contact_state_covers_insertion_and_closed_position():
    sim = run("pre_insertion")
    row, t = sim.truth[0], sim.record.time_s
    resistor, contact = samples(sim, "RES_A1"), samples(sim, "STATE_A1")
    assert t[np.argmax(resistor > 0.5)] == pytest.approx(row.resistor_s, abs=6e-5)
    assert t[np.argmax(contact > 0.5)] == pytest.approx(row.arcing_s, abs=6e-5)
    assert resistor[-1] == contact[-1] == 1.0


def test_no_resistor_takes_part_in_an_opening():
    s = dataclasses.replace(named("oc"), contact=dataclasses.replace(named("oc").contact, resistor_ohm=400.0))
    for t in simulate(s, rng=np.random.default_rng(1)).truth:
        assert np.isfinite(t.resistor_s) == (t.kind == "close")


def test_an_arcing_contact_that_parts_first_leaves_the_main_one_alone():
    s = clean("arcing_first")
    smooth = dataclasses.replace(s, contact=dataclasses.replace(s.contact, main_roughness_rel=0.0))
    sim = simulate(smooth, rng=np.random.default_rng(3))
    other = simulate(dataclasses.replace(smooth, faults=()), rng=np.random.default_rng(3))
    row = next(t for t in sim.truth if t.interrupter == "A2" and t.kind == "open")
    arcing = next(t for t in other.truth if t.interrupter == "A2" and t.kind == "open").arcing_resistance_uohm
    x, t = samples(sim, "TRV_A"), sim.record.time_s
    x = x - x[0]
    r = 1e6 * samples(sim, "U_A2") / np.maximum(samples(sim, "I_A2"), 1.0)
    first = t < 0.1
    before = r[first & (x < row.main_travel_mm - 4.2)].mean()
    after = np.median(r[first & (x > row.main_travel_mm - 3.8) & (x < row.main_travel_mm - 2.0)])
    # Parallel conductances: 1/closed = 1/alone + 1/arcing.
    assert 1.0 / before == pytest.approx(1.0 / after + 1.0 / arcing, rel=0.01)
    assert row.arcing_s == row.main_s
    assert row.arcing_wipe_mm == 0.0


def test_without_an_arcing_contact_nothing_metallic_outlives_the_main_one():
    sim = simulate(clean("missing_arcing"), rng=np.random.default_rng(3))
    t = sim.record.time_s
    for row in sim.truth:
        if row.interrupter == "A2" and row.kind == "open":
            u = samples(sim, "U_A2")
            assert u[(t > row.main_s + 1e-4) & (t < 0.2)].min() > 1.151  # tungsten melts there (Holm)
            assert np.isnan(row.arcing_resistance_uohm)


def test_the_worn_contact_jumps_by_forty_microohm():
    for t in run("worn_40_uohm").truth:
        assert t.arcing_resistance_uohm - t.main_resistance_uohm == pytest.approx(40.0, abs=25.0)
    drawn = [
        t.arcing_resistance_uohm - t.main_resistance_uohm
        for k in range(8)
        for t in simulate(named("worn_40_uohm"), rng=np.random.default_rng(k)).truth
    ]
    assert np.median(drawn) == pytest.approx(40.0, abs=5.0)


def test_fluctuation_is_correlated_over_travel_and_heavy_tailed():
    x = np.arange(0.0, 2000.0, 0.02)
    z = roughness(x, 0.4, np.random.default_rng(4))
    z0 = z - z.mean()
    lag = round(0.4 / 0.02)
    assert np.mean(z0[lag:] * z0[:-lag]) / np.mean(z0**2) == pytest.approx(np.exp(-1.0), abs=0.06)
    assert np.mean(z0**4) / np.mean(z0**2) ** 2 > 4.0
    assert abs(np.median(z)) < 0.03
    # The middle half is as wide as a standard normal's, so that the key's share is one of the usual scatter.
    assert np.subtract(*np.quantile(z, [0.75, 0.25])) / 1.349 == pytest.approx(1.0, abs=0.08)


def test_fifteen_percent_of_fluctuation_is_in_the_trace():
    sim = simulate(clean("fluctuation_15"), rng=np.random.default_rng(3))
    row, t = sim.truth[0], sim.record.time_s
    zone = (t > row.main_s + 5e-4) & (t < row.arcing_s - 3e-4)
    r = 1e6 * samples(sim, "U_A1")[zone] / samples(sim, "I_A1")[zone]
    spread = np.subtract(*np.quantile(np.log(r), [0.75, 0.25])) / 1.349
    assert 0.08 < spread < 0.25
