"""The simulated measuring chain: converters, rates, hum, impulses, sensors, sources."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest

from drm.synthetic import chain, named, simulate


@functools.cache
def run(name, seed=3):
    return simulate(named(name), rng=np.random.default_rng(seed))


def samples(sim, name):
    return sim.record.channel(name).samples


@pytest.mark.parametrize(("name", "khz"), [(f"khz_{k}", k) for k in (5, 10, 50, 100, 200)] + [("open", 20)])
def test_rate(name, khz):
    assert run(name).record.sample_rate_hz == pytest.approx(1e3 * khz)


@pytest.mark.parametrize(
    ("name", "bits"),
    [(f"twelve_bit{x}", 12) for x in ("", "_dither", "_still")] + [(f"sixteen_bit{x}", 16) for x in ("", "_dither")],
)  # fmt: skip
def test_a_converter_over_ten_volts_has_its_step(name, bits):
    u = run(name).record.channel("U_A1")
    step = 20.0 / 2**bits
    assert u.resolution == pytest.approx(step)
    codes = u.samples / step
    np.testing.assert_allclose(codes, np.round(codes), atol=1e-9)
    assert codes.min() >= -(2 ** (bits - 1))
    assert codes.max() == 2 ** (bits - 1) - 1


def test_a_step_without_dither_hides_the_noise_and_dither_brings_the_level_back():
    # Triangular dither of one step either way: no error of the mean, variance of a quarter step squared; common
    # knowledge of converters (from memory), follows from step^2/12 + step^2/6.
    step, truth = 20.0 / 2**12, 200.0 * 1e-6 * run("twelve_bit_still").truth[0].main_resistance_uohm
    still, dithered = (samples(run(n), "U_A1")[:900] for n in ("twelve_bit_still", "twelve_bit_dither"))
    assert np.ptp(still) <= step
    assert abs(still.mean() - truth) > 0.05 * step
    assert dithered.mean() == pytest.approx(truth, abs=4 * 0.5 * step / 30)
    assert np.std(dithered) == pytest.approx(0.5 * step, rel=0.15)


def test_clipping_holds_the_voltage_at_its_limits():
    u = run("clipped").record.channel("U_A1")
    assert u.limits == pytest.approx((-1.0, 1.0 - 2.0 / 2**16))
    assert u.samples.max() == u.limits[1]


def test_hum_has_its_harmonics():
    t = np.arange(20_000) / 20e3
    spectrum = 2e3 * np.abs(np.fft.rfft(chain.hum(t, 5e-3, 50.0, np.random.default_rng(2)))) / t.size
    assert spectrum[[50, 150, 250]] == pytest.approx([5.0, 5.0 / 3.0, 1.0])
    assert spectrum.sum() == pytest.approx(5.0 * (1 + 1 / 3 + 0.2), rel=1e-6)


def test_impulses_come_at_their_rate():
    s = named("impulses")
    without = simulate(
        dataclasses.replace(s, chain=dataclasses.replace(s.chain, impulses_per_s=0.0)), rng=np.random.default_rng(3)
    )
    assert s.chain.impulses_per_s == 200.0
    far = np.abs(samples(run("impulses"), "U_A1") - samples(without, "U_A1"))[:1000] > 2e-3
    # 10 of them in 50 ms before anything moves; Poisson, 4 standard deviations, some too small to see.
    assert 2 <= far.sum() <= 23


def test_a_coarse_encoder_has_steps_of_half_a_millimetre():
    x = samples(run("coarse_encoder"), "TRV_A") / 0.5
    np.testing.assert_allclose(x, np.round(x), atol=1e-9)


def test_a_rotary_sensor_read_through_its_curve_gives_the_travel():
    sim, same = run("rotary"), run("open")
    table = np.array(sim.breaker.mechanisms[0].travel.curve)
    mm = np.interp(samples(sim, "TRV_A"), table[:, 0], table[:, 1])
    x = samples(same, "TRV_A")
    assert np.abs(mm - (x - x[0])).max() < 0.15


@pytest.mark.parametrize(("name", "amps"), [("amps_20", 20.0), ("open", 200.0), ("amps_1000", 1000.0)])
def test_the_drop_is_resistance_times_current(name, amps):
    sim = run(name)
    assert samples(sim, "I_A1")[:900].mean() == pytest.approx(amps, rel=1e-3)
    ohm = samples(sim, "U_A1")[:900].mean() / amps
    # Noise of 0.2 mV over 900 samples.
    assert 1e6 * ohm == pytest.approx(sim.truth[0].main_resistance_uohm, abs=4 * 200 / 30 / amps + 0.02)


def test_a_source_in_its_limit_droops_by_thirty_percent_in_100_ms():
    sim, s = run("limited_source"), named("limited_source")
    i, u, t = samples(sim, "I_A1"), samples(sim, "U_A1"), sim.record.time_s
    closed = t < 0.06
    across = i * 1e-3 * s.injection.lead_mohm + u
    # Kirchhoff: what the leads and the contact drop is the source's limit.
    np.testing.assert_allclose(across[closed], 3.0 * 0.7 ** (t[closed] / 0.1), rtol=0.01)
    assert i.max() < s.injection.current_a


def test_slow_opening_moves_at_twenty_millimetres_a_second():
    sim = run("slow")
    x, t = samples(sim, "TRV_A"), sim.record.time_s
    begin, end = np.searchsorted(t, 1.0), np.searchsorted(t, 3.0)
    assert abs(x[end] - x[begin]) / 2.0 == pytest.approx(20.0, rel=0.03)


def test_the_switching_of_a_coil_rings_in_the_voltage_and_dies_out():
    s = named("coil_transient")
    without = simulate(
        dataclasses.replace(s, chain=dataclasses.replace(s.chain, coil_coupling_mv=0.0)), rng=np.random.default_rng(3)
    )
    more = samples(run("coil_transient"), "U_A1") - samples(without, "U_A1")
    t = run("coil_transient").record.time_s
    assert not np.abs(more[t < 0.0499]).any()
    assert 0.01 < np.abs(more[(t > 0.05) & (t < 0.052)]).max() < 0.05
    assert np.abs(more[(t > 0.058) & (t < 0.066)]).max() < 1e-4


def test_brushes_are_heard_while_the_motor_runs_and_not_before():
    s = named("motor_transient")
    without = simulate(
        dataclasses.replace(s, chain=dataclasses.replace(s.chain, motor_coupling_mv=0.0)), rng=np.random.default_rng(3)
    )
    more = samples(run("motor_transient"), "U_A1") - samples(without, "U_A1")
    t = run("motor_transient").record.time_s
    assert not np.abs(more[t < 0.0299]).any()
    assert np.std(more[(t > 0.032) & (t < 0.05)]) > 2e-4


def test_a_source_that_is_switched_on_leaves_a_stretch_without_current_on_either_side():
    sim = run("static")
    i, t = samples(sim, "I_A1"), sim.record.time_s
    assert np.abs(i[(t < 0.3) | (t > 1.73)]).max() < 1.0
    assert i[(t > 0.4) & (t < 1.6)].mean() == pytest.approx(200.0, rel=1e-4)


@pytest.mark.parametrize(("celsius", "factor"), [(0.0, 1.08529), (10.0, 1.04090), (30.0, 0.96219), (40.0, 0.92714)])
def test_resistance_is_referred_to_twenty_degrees_as_copper(celsius, factor):
    # Constants of IEC 60028, computed.
    from drm.synthetic.unit import temperature_factor

    assert 1.0 / temperature_factor(celsius) == pytest.approx(factor, abs=1e-5)


def test_a_static_record_holds_its_truth():
    sim = run("static")
    assert sim.truth == ()
    assert sim.breaker.conditions.ambient_c == 12.0
    for row in sim.static:
        i, u, t = samples(sim, f"I_{row.interrupter}"), samples(sim, f"U_{row.interrupter}"), sim.record.time_s
        on, off = (t > 0.4) & (t < 1.6), t < 0.29
        assert u[off].mean() == pytest.approx(row.offset_v, abs=3e-5)
        assert 1e6 * (u[on].mean() - row.offset_v) / i[on].mean() == pytest.approx(row.resistance_uohm, abs=0.1)
        assert row.resistance_20_uohm / row.resistance_uohm == pytest.approx(254.5 / (234.5 + 12.0))
