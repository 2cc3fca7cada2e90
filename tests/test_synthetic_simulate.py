"""What is simulated is what the truth says, and the same seed says it again."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest

from drm.synthetic import named, read_truth, shipped, simulate, write_simulation
from drm.synthetic.mechanism import drive_for, stroke
from drm.synthetic.metrics import compare
from drm.synthetic.scenario import Chain, Motion
from drm.synthetic.scenario_file import load


def clean(name: str):
    """A shipped scenario without the chain's imperfections."""
    s = named(name)
    chain = Chain(
        bits=24, voltage_range_v=50.0, voltage_noise_mv=0.0, current_noise_a=0.0, filter_hz=1e9, encoder_mm=0.0
    )
    injection = dataclasses.replace(s.injection, sense_uh=0.0)
    return dataclasses.replace(s, chain=chain, injection=injection)


@functools.cache  # everything in a scenario and in what comes of it is frozen
def run(scenario, seed: int = 7):
    return simulate(scenario, rng=np.random.default_rng(seed))


def traces(sim, name):
    r = sim.record
    unit = next(u for u in sim.breaker.interrupters if u.name == name)
    return r.time_s, r.channel(unit.voltage).samples, r.channel(unit.current).samples


@pytest.mark.parametrize("name", shipped())
def test_every_shipped_scenario_gives_a_record_that_fits_its_breaker(name):
    s = named(name)
    sim = run(s)
    names = set(sim.record.names)
    assert s.name == name
    assert len(sim.truth) == len(s.sequence) * len(s.interrupters)
    assert len(names) == len(sim.record.channels)
    for m in sim.breaker.mechanisms:
        wanted = [m.travel.channel if m.travel else None, m.trip_coil, m.close_coil, *m.auxiliary.values()]
        assert {w for w in wanted if w} <= names
    assert all(np.isfinite(c.samples).all() for c in sim.record.channels)


def test_the_demo_is_a_whole_breaker():
    sim = run(named("demo"))
    assert len(sim.record.channels) == 39
    assert sim.record.sample_rate_hz == pytest.approx(20_000.0)
    assert {t.interrupter for t in sim.truth if t.faults} == {"B3", "C2"}


def test_a_seed_gives_one_record():
    a, c = run(named("open"), 1), run(named("open"), 2)
    b = simulate(named("open"), rng=np.random.default_rng(1))
    for x, y in zip(a.record.channels, b.record.channels, strict=True):
        np.testing.assert_array_equal(x.samples, y.samples)
    assert a.truth == b.truth
    assert a.truth != c.truth


def test_a_fault_changes_its_own_interrupter_only():
    healthy = dataclasses.replace(named("demo"), faults=())
    for with_fault, without in zip(run(named("demo")).truth, run(healthy).truth, strict=True):
        if not with_fault.faults:
            assert repr(with_fault) == repr(without)


def test_order_of_instants():
    for t in run(named("demo")).truth:
        first, second = (t.main_s, t.arcing_s) if t.kind == "open" else (t.arcing_s, t.main_s)
        assert t.command_s < first < second
        assert t.arcing_wipe_mm == pytest.approx(t.arcing_travel_mm - t.main_travel_mm)


def test_parting_in_the_clean_trace_is_the_truth():
    sim = run(clean("demo"))
    for t in sim.truth:
        time, v, _ = traces(sim, t.interrupter)
        if t.kind == "open":
            here = (time > t.command_s) & (time < t.command_s + 0.1)
            lost = time[here][np.flatnonzero(v[here] < 1.0)[-1]]
            assert lost <= t.arcing_s <= lost + 1.1 / sim.record.sample_rate_hz


def test_half_of_the_move_in_the_clean_trace_is_the_truth():
    s = clean("open")
    smooth = dataclasses.replace(s.contact, main_roughness_rel=0.0, arcing_roughness_rel=0.0)
    # Between two fingers the resistance rests: only fine samples place the passage.
    fine = dataclasses.replace(s.chain, sample_rate_hz=160_000.0, oversampling=2)
    sim = run(dataclasses.replace(s, contact=smooth, chain=fine))
    for t in sim.truth:
        time, v, i = traces(sim, t.interrupter)
        r = v / np.where(i > 100.0, i, np.nan)
        half = 0.5e-6 * (t.main_resistance_uohm + t.arcing_resistance_uohm)
        near = np.abs(time - t.main_s) < 1e-3
        crossing = np.interp(half, r[near], time[near])
        assert crossing == pytest.approx(t.main_s, abs=3e-6)
        assert r[100] * 1e6 == pytest.approx(t.main_resistance_uohm, rel=1e-3)


def test_travel_at_the_instants_is_the_truth():
    s = clean("demo")
    sim = run(dataclasses.replace(s, poles=("A",), faults=()))
    r = sim.record
    x = r.channel("TRV_A").samples
    x = x - x[0]
    for t in sim.truth:
        assert np.interp(t.main_s, r.time_s, x) == pytest.approx(t.main_travel_mm, abs=0.02)
        assert np.interp(t.arcing_s, r.time_s, x) == pytest.approx(t.arcing_travel_mm, abs=0.02)


def test_metal_stays_below_the_melting_voltage_of_tungsten():
    # Holm: 1.151 V, computed from U^2 = 4 L (Tm^2 - T0^2).
    sim = run(clean("contact_faults"))
    for t in sim.truth:
        if t.kind == "open":
            time, v, _ = traces(sim, t.interrupter)
            assert v[time < t.arcing_s].max() < 1.151


def test_a_misadjusted_interrupter_keeps_its_wipe():
    s = named("demo")
    healthy = {(t.interrupter, t.operation): t for t in run(dataclasses.replace(s, faults=())).truth}
    for t in run(s).truth:
        if t.faults == ("misadjusted",):
            other = healthy[t.interrupter, t.operation]
            assert t.main_travel_mm - other.main_travel_mm == pytest.approx(3.0)
            assert t.arcing_wipe_mm == pytest.approx(other.arcing_wipe_mm)


def test_the_drive_reaches_its_speed_and_comes_to_rest_at_the_stroke():
    motion = Motion()
    for opening, speed in ((True, motion.open_speed_m_s), (False, motion.close_speed_m_s)):
        way = stroke(drive_for(motion, opening, 42.0, speed), 0.35)
        at = 0.042 if opening else 0.118
        reached = way[np.searchsorted(np.maximum.accumulate(way[:, 0]), at), 1]
        assert reached == pytest.approx(speed, rel=0.03)
        assert way[-1, 0] == pytest.approx(0.160, abs=3e-4)
        assert 0.0 < way[:, 0].max() - 0.160 < 0.008


def test_skew_is_declared_and_real():
    s = clean("open")
    late = dataclasses.replace(s, chain=dataclasses.replace(s.chain, skew_us=200.0))
    a, b = run(s).record.channel("U_A1"), run(late).record.channel("U_A1")
    assert b.skew_s == pytest.approx(200e-6)
    np.testing.assert_allclose(b.samples[:-4], a.samples[4:], atol=1e-5)


def test_metrics_of_truth_are_zero_for_the_truth_and_count_what_is_missing():
    truth = run(named("contact_faults")).truth
    rows = [{"interrupter": t.interrupter, "operation": t.operation, "main_contact_ms": t.main_ms + 0.1,
             "main_contact_ms_u": 0.05, "commutation_ms": 1.0} for t in truth[1:]]  # fmt: skip
    got = compare(rows, truth, columns=["main_contact_ms", "commutation_ms", "arcing_wipe_mm"])
    assert got["main_contact_ms"].rms == pytest.approx(0.1)
    assert got["main_contact_ms"].missing == 1
    assert got["main_contact_ms"].z == pytest.approx([2.0] * (len(truth) - 1))
    assert got["commutation_ms"].unfounded == 4
    assert got["arcing_wipe_mm"].missing == len(truth)


def test_files_come_back(tmp_path):
    import drm

    sim = run(named("rotary"))
    cfg = write_simulation(sim, tmp_path / "out")
    assert sorted(p.name for p in cfg.parent.iterdir()) == ["breaker.toml", "rotary.cfg", "rotary.dat", "truth.json"]
    assert repr(read_truth(cfg.parent / "truth.json")) == repr(sim.truth)
    back = drm.read(cfg)
    assert back.names == sim.record.names
    np.testing.assert_allclose(back.channel("U_A1").samples, sim.record.channel("U_A1").samples, rtol=1e-6)


@pytest.mark.parametrize("name", ["motor", "coil_armature", "pre_insertion", "static", "both_ends_earthed"])
def test_the_breaker_file_names_what_the_record_has(tmp_path, name):
    import json

    import drm

    sim = run(named(name))
    cfg = write_simulation(sim, tmp_path)
    breaker = drm.Breaker.load(tmp_path / "breaker.toml")
    assert breaker.interrupters == sim.breaker.interrupters
    assert breaker.conditions == sim.breaker.conditions
    wanted = [getattr(m, k) for m in breaker.mechanisms for k in ("motor", "motor_voltage", "trip_coil_voltage")]
    wanted += [getattr(u, k) for u in breaker.interrupters for k in ("state", "resistor_state")]
    assert {w for w in wanted if w} <= set(drm.read(cfg).names)
    written = json.loads((tmp_path / "truth.json").read_text())
    for part in ("motions", "coils", "auxiliaries", "motors", "static"):
        assert len(written.get(part, [])) == len(getattr(sim, part))


@pytest.mark.parametrize(
    ("text", "place", "mend"),
    [
        ("[chian]\n", "chian", "did you mean 'chain'?"),
        ("[chain]\nbit = 3\n", "chain.bit", "did you mean 'bits'?"),
        ("[chain]\nbits = 'a'\n", "chain.bits", "got 'a'"),
        ("sequence = 'OO'\n", "sequence", "write O, C"),
        ("[[faults]]\ninterrupter = 'A9'\nkind = 'worn'\n", "faults[1].interrupter", "A1"),
        ("[[faults]]\ninterrupter = 'A1'\nkind = 'wron'\n", "faults[1].kind", "did you mean 'worn'?"),
        ("[injection]\ncurrent_a = -1.0\n", "injection.current_a", ""),
        ("x = \n", "", "mend the file"),
    ],
)
def test_a_wrong_scenario_is_refused_with_its_place(tmp_path, text, place, mend):
    from drm.errors import ScenarioError

    path = tmp_path / "s.toml"
    path.write_text(text)
    with pytest.raises(ScenarioError) as caught:
        load(path)
    assert caught.value.place == place
    assert mend in caught.value.line()
    assert str(path) in caught.value.line()
