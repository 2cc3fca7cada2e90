"""Clean traces: what the source of each disturbance is known to be, it is taken for, and nothing of the contact is."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest
from numpy.typing import NDArray

from drm.breaker import Interrupter
from drm.hum import Hum
from drm.offset import offset_of
from drm.operations import Operation
from drm.record import Channel, Record
from drm.resistance import Trace
from drm.traces import trace_of

FloatArray = NDArray[np.float64]
RATE, STOP = 20e3, 0.25
COMMAND, MAIN, ARCING = 0.12, 0.150, 0.155
CLOSED, ARC, AMPS = 40e-6, 300e-6, 200.0
WHO = Interrupter("A1", "A", 1, "A", "U", "I")


@dataclass
class Opening:
    """One opening, made here and not by the simulator; what is added to its voltage is given by the caller."""

    seed: int = 0
    noise_v: float = 2e-4
    from_s: float = 0.0  # the injection begins
    until_s: float = 1.0  # the source is switched off
    t: FloatArray = field(init=False)
    i: FloatArray = field(init=False)
    v: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        rng = np.random.default_rng(self.seed)
        self.t = t = np.arange(int(STOP * RATE)) / RATE
        share = np.clip((t - MAIN) / 3e-4 + 0.5, 0.0, 1.0)
        rough = 1.0 + 0.08 * np.repeat(rng.normal(size=t.size // 4 + 1), 4)[: t.size]
        parted = t > ARCING
        on = (t >= self.from_s) & (t < self.until_s)
        i = np.where(parted, np.maximum(AMPS * (1.0 - (t - ARCING) / 4e-4), 0.0), AMPS * (1.0 - 0.1 * t))
        self.i = np.where(on, i, 0.0) + rng.normal(scale=0.1, size=t.size)
        v = np.where(parted, 8.0, i * (CLOSED + (ARC * rough - CLOSED) * share))
        self.v = np.where(on, v, 0.0) + rng.normal(scale=self.noise_v, size=t.size)

    def clean(self, *, step_v: float = 0.0, frequency_hz: float = 50.0) -> tuple[Trace, Hum]:
        v = step_v * np.round(self.v / step_v) if step_v else self.v
        record = Record(
            "made", "made.cfg", self.t, (Channel("U", "V", v, resolution=step_v), Channel("I", "A", self.i))
        )
        operation = Operation(1, "open", 0.0, STOP, {"A": COMMAND}, {"A": "coil"})
        got = trace_of(record, WHO, operation, frequency_hz=frequency_hz)
        assert isinstance(got, tuple), got
        return got

    def between(self, a: float, b: float) -> NDArray[np.bool_]:
        return (self.t > a) & (self.t < b)


def hum(t: FloatArray, frequency: float, volts: float = 5e-3) -> FloatArray:
    """Fundamental with a third of it in the third harmonic and a fifth in the fifth."""
    w = 2.0 * np.pi * frequency * t
    return volts * (np.sin(w + 0.4) + np.sin(3 * w + 1.0) / 3 + np.sin(5 * w + 2.0) / 5)


@pytest.mark.parametrize(("nominal", "true"), [(50, 49.5), (50, 50.0), (50, 50.5), (60, 59.4), (60, 60.6)])
def test_hum_off_its_nominal_frequency_is_carried_on_to_the_arcing_zone(nominal: float, true: float) -> None:
    test = Opening(seed=1)
    test.v += hum(test.t, true)
    _, got = test.clean(frequency_hz=nominal)
    zone = test.t[test.between(MAIN, ARCING)]
    error = got.at(zone) - hum(zone, true)
    assert got.frequency_hz == pytest.approx(true, abs=0.01 * nominal / 10)
    assert np.abs(error).max() <= 1e-4
    assert (np.abs(error) <= 4.0 * got.u_at(zone)).all()


def test_uncertainty_of_the_hum_carried_on_is_what_its_error_scatters_by() -> None:
    at = np.array([COMMAND, MAIN, ARCING, 0.2])
    z = []
    for seed in range(60):
        test = Opening(seed=seed, noise_v=5e-4)
        true = 50.0 * (1.0 + 0.005 * np.random.default_rng(seed).normal())
        test.v += hum(test.t, true)
        _, got = test.clean()
        z.append((got.at(at) - hum(at, true)) / got.u_at(at))
    rms = np.sqrt(np.mean(np.square(z), axis=0))
    # 60 values scatter by 9 % about their own standard deviation.
    assert ((rms > 0.7) & (rms < 1.35)).all()


def test_uncertainty_of_the_hum_grows_away_from_where_it_was_fitted() -> None:
    test = Opening(seed=2)
    test.v += hum(test.t, 50.2)
    _, got = test.clean()
    u = got.u_at(np.array([0.07, ARCING, 0.24]))
    assert u[0] < u[1] < u[2]


def test_hum_is_fitted_where_the_contact_is_closed_and_nowhere_else() -> None:
    a, b = Opening(seed=3), Opening(seed=3)
    for one in (a, b):
        one.v += hum(one.t, 50.0)
    later = b.t > COMMAND + 1e-3
    b.v[later] += 3e-3 * np.sin(2 * np.pi * 50.0 * b.t[later])
    assert b.clean()[1].cosine == a.clean()[1].cosine


def test_droop_of_the_source_is_not_taken_for_hum() -> None:
    test = Opening(seed=4)
    factor = np.where(test.t <= ARCING, 1.0 - 2.0 * test.t, 1.0)
    test.i, test.v = test.i * factor, test.v * factor
    _, got = test.clean()
    assert got.resistance_ohm == pytest.approx(CLOSED, abs=4.0 * got.resistance_u_ohm)
    assert np.hypot(got.cosine, got.sine).max() <= 4e-5


def struck(test: Opening, each: int, *, volts: float = 0.02, seed: int = 9) -> NDArray[np.intp]:
    """Add lone impulses of either sign, one in `each` samples: at 20 kHz and 100 that is 200 a second."""
    rng = np.random.default_rng(seed)
    at = np.arange(each // 2, test.t.size - each, each)
    at = at + rng.integers(0, each // 2, at.size)
    test.v[at] += rng.choice([-1.0, 1.0], at.size) * rng.uniform(0.5, 2.0, at.size) * volts
    return at


def test_two_hundred_impulses_a_second_are_masked_while_the_main_contact_is_closed() -> None:
    test = Opening(seed=5)
    at = struck(test, 100)
    trace, _ = test.clean()
    known = at[(test.t[at] > COMMAND - 0.1) & (test.t[at] < MAIN - 1e-3)]
    assert known.size >= 20
    assert np.isnan(trace.voltage_v[known]).all()


def test_impulses_do_not_move_the_closed_resistance() -> None:
    test = Opening(seed=6)
    struck(test, 100)
    _, got = test.clean()
    assert got.resistance_ohm == pytest.approx(CLOSED, abs=4.0 * got.resistance_u_ohm)
    assert got.resistance_u_ohm < 0.002 * CLOSED


@pytest.mark.parametrize("seed", range(4))
def test_without_impulses_no_sample_is_masked(seed: int) -> None:
    trace, _ = Opening(seed=seed).clean()
    assert np.isfinite(trace.voltage_v).all()


@pytest.mark.parametrize("length", [1, 2])
@pytest.mark.parametrize("volts", [0.1, 0.4, 5.0])
def test_true_part_separations_are_left(volts: float, length: int) -> None:
    test = Opening(seed=7)
    at = np.flatnonzero(test.between(MAIN + 5e-4, ARCING - 3e-4))[::9]
    for k in range(length):
        test.v[at + k] += volts
        test.i[at + k + 1] -= 2.0 * volts
    trace, _ = test.clean()
    assert np.isfinite(trace.voltage_v[test.between(MAIN - 1e-3, ARCING + 1e-3)]).all()


def test_what_no_contact_can_do_is_masked_in_the_arcing_zone_too() -> None:
    test = Opening(seed=8)
    at = np.flatnonzero(test.between(MAIN + 1e-3, ARCING - 5e-4))[::15]
    test.v[at] -= 0.15
    trace, _ = test.clean()
    assert np.flatnonzero(np.isnan(trace.voltage_v)).tolist() == at.tolist()


def test_an_impulse_of_both_signs_is_masked_whole() -> None:
    test = Opening(seed=9)
    k = int(np.flatnonzero(test.between(MAIN + 2e-3, ARCING))[0])
    test.v[k], test.v[k + 1] = test.v[k] + 0.2, test.v[k + 1] - 0.2
    trace, _ = test.clean()
    assert np.flatnonzero(np.isnan(trace.voltage_v)).tolist() == [k, k + 1]


def test_a_part_separation_before_a_dip_far_smaller_is_left() -> None:
    test = Opening(seed=10)
    k = int(np.flatnonzero(test.between(MAIN + 2e-3, ARCING))[0])
    test.v[k], test.v[k + 1] = test.v[k] + 1.0, test.v[k + 1] - 0.12
    trace, _ = test.clean()
    assert np.flatnonzero(np.isnan(trace.voltage_v)).tolist() == [k + 1]


def test_what_the_sense_loop_induces_while_the_current_moves_is_left() -> None:
    test = Opening(seed=11)
    k = int(np.flatnonzero(test.between(MAIN + 2e-3, ARCING))[0])
    # 1 uH and a current that falls by 10 A within a sample.
    test.i[k : k + 2] -= 10.0
    test.v += 1e-6 * np.gradient(test.i, test.t)
    trace, _ = test.clean()
    assert np.isfinite(trace.voltage_v[k - 3 : k + 4]).all()


@pytest.mark.parametrize("offset", [5e-4, -5e-4, 3e-3])
def test_an_offset_is_taken_from_the_stretch_before_the_injection(offset: float) -> None:
    test = Opening(seed=12, from_s=0.05)
    test.v += offset + hum(test.t, 50.1)
    _, got = test.clean()
    assert got.offset_v == pytest.approx(offset, abs=4.0 * got.offset_u_v)
    assert got.offset_u_v <= 5e-5
    u = np.hypot(got.resistance_u_ohm, got.offset_u_v / AMPS)
    assert got.resistance_ohm == pytest.approx(CLOSED, abs=4.0 * u)


def test_an_offset_is_taken_after_the_source_is_switched_off() -> None:
    test = Opening(seed=13, until_s=0.2)
    test.v += 5e-4
    _, got = test.clean()
    assert got.offset_v == pytest.approx(5e-4, abs=4.0 * got.offset_u_v)


@pytest.mark.parametrize("across", [8.0, 2.0, 0.05])
def test_no_offset_is_taken_where_a_source_stands_across_the_contact(across: float) -> None:
    test = Opening(seed=14)
    test.v[test.t > ARCING] = across + np.random.default_rng(1).normal(scale=2e-4, size=int((test.t > ARCING).sum()))
    test.v += 5e-4
    _, got = test.clean()
    assert np.isnan(got.offset_v)


def test_no_offset_is_taken_where_current_goes_on_flowing() -> None:
    # An earth loop beside the contact: a few per cent of the current, and its voltage.
    test = Opening(seed=15)
    after = test.t > ARCING
    test.v[after] = 0.004
    test.i[after] = 0.02 * AMPS
    assert np.isnan(test.clean()[1].offset_v)


def test_a_stretch_shorter_than_a_period_of_the_hum_gives_no_offset() -> None:
    test = Opening(seed=16, from_s=0.015)
    test.v += hum(test.t, 50.0)
    assert np.isnan(test.clean()[1].offset_v)


def test_error_of_the_offset_scatters_by_its_uncertainty() -> None:
    z = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        t = np.arange(2000) / RATE
        v = 5e-4 + hum(t, 50.0 + rng.normal(scale=0.2)) + rng.normal(scale=5e-4, size=t.size)
        got, u = offset_of(t, v, rng.normal(scale=0.1, size=t.size), injected_a=200.0, largest_v=0.02, frequency_hz=50)
        z.append((got - 5e-4) / u)
    # The drift counted in makes it wider by a half at the most.
    assert 0.45 < np.sqrt(np.mean(np.square(z))) < 1.3


@pytest.mark.parametrize(("noise", "hum_v"), [(5e-4, 0.0), (5e-5, 5e-3)])
def test_a_coarse_trace_is_read_without_bias_where_noise_or_hum_dithers_it(noise: float, hum_v: float) -> None:
    # 12 bits on +-2 V: steps of 0.98 mV, 4.9 uOhm at 200 A; the closed drop is eight of them.
    step, got = 4.0 / 4096, []
    for seed in range(24):
        test = Opening(seed=seed, noise_v=noise)
        test.v += hum(test.t, 50.0 + 0.01 * seed, hum_v)
        got.append(test.clean(step_v=step)[1].resistance_ohm)
    assert np.mean(got) == pytest.approx(CLOSED, abs=0.05 * step / AMPS)


def test_noise_of_a_coarse_trace_is_at_least_that_of_its_steps() -> None:
    # Uniform quantisation: step / sqrt(12) (JCGM 100:2008, F.2.2.1).
    step = 4.0 / 4096
    trace, _ = Opening(seed=1, noise_v=1e-6).clean(step_v=step)
    assert trace.sigma_v >= step / np.sqrt(12.0)


def test_noise_is_that_before_the_events() -> None:
    test = Opening(seed=2)
    later = test.t > COMMAND
    test.v[later] += np.random.default_rng(3).normal(scale=5e-3, size=int(later.sum()))
    assert test.clean()[0].sigma_v == pytest.approx(2e-4, rel=0.1)
