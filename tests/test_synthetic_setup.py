"""A wrong set-up changes what it should in the simulated record, and nothing else."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest

from drm.synthetic import named, simulate
from drm.synthetic.scenario import Chain, Errors, Scenario, Setup
from drm.synthetic.wiring import clamp_ohm

QUIET = Chain(bits=24, voltage_range_v=50.0, voltage_noise_mv=0.0, current_noise_a=0.0, current_range_a=5e3)
PLAIN = Scenario(poles=("A", "B"), interrupters_per_pole=2, chain=QUIET)


@functools.cache
def record(scenario: Scenario):
    return simulate(scenario, rng=np.random.default_rng(5)).record


def wired(**setup):
    return record(dataclasses.replace(PLAIN, setup=Setup(**setup)))


def samples(one, name):
    return one.channel(name).samples


def differing(one):
    return {c.name for c in one.channels if not np.array_equal(c.samples, samples(record(PLAIN), c.name))}


def test_exchanged_voltage_leads_show_the_other_interrupter():
    got = wired(leads_exchanged=("A1", "A2"))
    np.testing.assert_array_equal(samples(got, "U_A1"), samples(record(PLAIN), "U_A2"))
    assert differing(got) == {"U_A1", "U_A2"}


def test_exchanged_currents_show_the_other_interrupters():
    got = wired(currents_exchanged=("A1", "B1"))
    np.testing.assert_array_equal(samples(got, "I_B1"), samples(record(PLAIN), "I_A1"))
    assert differing(got) == {"I_A1", "I_B1"}


def test_exchanged_sensors_show_the_other_mechanism():
    got = wired(sensors_exchanged=("A", "B"))
    step = QUIET.encoder_mm
    a, b = samples(got, "TRV_A"), samples(record(PLAIN), "TRV_B")
    assert np.abs((a - a[0]) - (b - b[0])).max() <= 1.001 * step
    assert differing(got) == {"TRV_A", "TRV_B"}


def test_a_lead_that_is_off_shows_nothing_and_a_reversed_one_the_negative():
    got = wired(lead_off=("A1",), reversed=("A2",))
    assert not samples(got, "U_A1").any()
    np.testing.assert_allclose(samples(got, "U_A2"), -samples(record(PLAIN), "U_A2"), atol=1e-5)
    assert differing(got) == {"U_A1", "U_A2"}


@pytest.mark.parametrize("factor", [0.1, 10.0])
def test_a_wrong_scale_multiplies_its_current_only(factor):
    got = wired(scaled=("A2",), scale_factor=factor)
    step = 2 * QUIET.current_range_a / 2**QUIET.bits
    np.testing.assert_allclose(samples(got, "I_A2"), factor * samples(record(PLAIN), "I_A2"), atol=11 * step)
    assert differing(got) == {"I_A2"}


def test_a_voltage_that_is_late_does_not_say_so():
    got = wired(late=("A2",), late_us=200.0)
    np.testing.assert_allclose(samples(got, "U_A2")[:-4], samples(record(PLAIN), "U_A2")[4:], atol=1e-5)
    assert got.channel("U_A2").skew_s == 0.0
    assert differing(got) == {"U_A2"}


def test_currents_of_a_second_device_are_all_late():
    got = wired(currents_late_us=200.0)
    for name in ("I_A1", "I_B2"):
        np.testing.assert_allclose(samples(got, name)[4:], samples(record(PLAIN), name)[:-4], atol=1e-3)
        assert got.channel(name).skew_s == 0.0
    assert differing(got) == {"I_A1", "I_A2", "I_B1", "I_B2"}


def test_a_loose_clamp_adds_its_own_drop_to_its_own_voltage():
    got = wired(loose_clamp=("A1",), loose_uohm=60.0)
    assert differing(got) == {"U_A1"}
    closed = slice(0, 900)
    more = (samples(got, "U_A1") - samples(record(PLAIN), "U_A1"))[closed] / samples(got, "I_A1")[closed]
    assert np.median(more) == pytest.approx(60e-6 * 2.0**-0.3, rel=0.25)
    assert more.min() > 0.0
    assert np.std(more) > 0.1 * np.median(more)


def test_a_loose_clamp_lets_go_for_some_tenths_of_a_millisecond():
    held, broken = (wired(loose_clamp=("A1",), loose_breaks=n) for n in (0, 5))
    lost = (samples(broken, "U_A1") == 0.0) & (samples(held, "U_A1") != 0.0)
    shares = lost.sum() / 20e3
    assert 2e-4 < shares < 5 * 8e-4
    assert differing(broken) == {"U_A1"}


def test_a_clamps_resistance_falls_with_current_but_its_drop_grows():
    # Holm: softening spots hold the drop down, they cannot lower it.
    one, two = (clamp_ohm(np.full(4000, a), 60.0, 1e-5, np.random.default_rng(1)) for a in (100.0, 400.0))
    assert np.all(two < one)
    assert np.all(400.0 * two > 100.0 * one)


def test_a_loose_lead_takes_current_only_where_the_source_is_at_its_limit():
    weak = dataclasses.replace(PLAIN.injection, limit_v=8.0)
    held = dataclasses.replace(PLAIN, injection=weak, setup=Setup(loose_lead=("A1",), loose_lead_mohm=5.0))
    starved = dataclasses.replace(held, setup=Setup(loose_lead=("A1",), loose_lead_mohm=40.0))
    assert samples(record(held), "I_A1")[:900].min() > 199.0
    amps = samples(record(starved), "I_A1")[:900]
    assert amps.min() < 150.0
    np.testing.assert_allclose(samples(record(starved), "I_A2")[:900], 200.0, atol=0.2)
    # The contact reads the same whatever the lead takes.
    ohm = samples(record(starved), "U_A1")[:900] / amps
    assert np.median(ohm) == pytest.approx(samples(record(PLAIN), "U_A1")[0] / 200.0, rel=0.02)


def test_errors_of_the_instrument_are_drawn_at_their_standard_deviations():
    from drm.synthetic.errors import draw_errors

    e = Errors(0.002, 0.005, 20e-6, 5e-6, 0.005, 0.1)
    s = dataclasses.replace(PLAIN, errors=e)
    drawn = [draw_errors(s, ("I",), np.random.default_rng(k)) for k in range(500)]
    for key, sd, middle in (
        ("voltage_gain", 0.002, 1.0),
        ("current_gain", 0.005, 1.0),
        ("offset_v", 20e-6, 0.0),
        ("skew_s", 5e-6, 0.0),
        ("travel_gain", 0.005, 1.0),
        ("play_mm", 0.1, 0.0),
    ):
        x = np.array([v for d in drawn for v in getattr(d, key).values()])
        # Four standard errors of a standard deviation and of a mean.
        assert np.std(x) == pytest.approx(sd, rel=4.0 / np.sqrt(2 * x.size))
        assert np.mean(x) == pytest.approx(middle, abs=4.0 * sd / np.sqrt(x.size))


def test_errors_act_on_what_is_recorded_and_not_on_the_truth():
    one = dataclasses.replace(PLAIN, errors=Errors(voltage_gain_rel=0.02, current_gain_rel=0.02, travel_rel=0.02))
    perfect, got = (simulate(s, rng=np.random.default_rng(5)) for s in (PLAIN, one))
    assert got.truth == perfect.truth
    for name in ("U_A1", "I_A1"):
        ratio = samples(got.record, name)[:900] / samples(perfect.record, name)[:900]
        assert np.ptp(ratio) < 1e-3
        assert abs(ratio[0] - 1.0) > 1e-4
    x, y = (samples(s.record, "TRV_A") for s in (got, perfect))
    assert (x[-1] - x[0]) / (y[-1] - y[0]) == pytest.approx(1.0, abs=0.08)
    assert x[-1] - x[0] != y[-1] - y[0]


def test_play_in_the_linkage_delays_the_contact_behind_the_sensor():
    one = dataclasses.replace(PLAIN, errors=Errors(linkage_mm=0.5))
    got = simulate(one, rng=np.random.default_rng(5))
    x = samples(got.record, "TRV_A") - samples(got.record, "TRV_A")[0]
    lags = [float(np.interp(t.main_s, got.record.time_s, x)) - t.main_travel_mm for t in got.truth if t.pole == "A"]
    wipes = [float(np.interp(t.arcing_s, got.record.time_s, x) - np.interp(t.main_s, got.record.time_s, x))
             - t.arcing_wipe_mm for t in got.truth if t.pole == "A"]  # fmt: skip
    assert max(abs(lag) for lag in lags) > 0.1
    assert max(abs(w) for w in wipes) < 0.06


def test_a_bad_name_in_the_setup_is_refused(tmp_path):
    from drm.errors import ScenarioError
    from drm.synthetic import load

    path = tmp_path / "s.toml"
    for text, place in (
        ("[setup]\nsensors_exchanged = ['A', 'C']\n", "setup.sensors_exchanged"),
        ("[setup]\nloose_clamp = ['A7']\n", "setup.loose_clamp"),
        ("[setup]\ncurrents_exchanged = ['A1']\n", "setup.currents_exchanged"),
        ("[errors]\nskew_s = -1.0\n", "errors.skew_s"),
        ("[injection]\ndroop_rel = 1.0\n", "injection.droop_rel"),
        ("[motor]\nrunning_a = 50.0\n", "motor.running_a"),
    ):
        path.write_text(text)
        with pytest.raises(ScenarioError) as caught:
            load(path)
        assert caught.value.place == place


def test_every_shipped_setup_scenario_has_what_its_name_says():
    setups = {name: named(name).setup for name in ("loose_clamp", "loose_lead", "lead_off", "polarity_reversed")}
    assert setups["loose_clamp"].loose_clamp == setups["loose_lead"].loose_lead == ("A2",)
    assert setups["lead_off"].lead_off == setups["polarity_reversed"].reversed == ("A2",)
    assert named("current_tenth").setup.scale_factor == 0.1
    assert named("current_tenfold").setup.scale_factor == 10.0
