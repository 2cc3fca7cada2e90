"""Faults of the test are named as such, and none becomes a verdict on the breaker."""

import importlib.util
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import drm
from drm import setup_pairing
from drm.setup_fault import Fault, reasons_for
from drm.setup_scale import Closed, scale
from drm.siblings_use import usable
from drm.synthetic import simulate
from drm.synthetic.conditions import draw


def _bench() -> ModuleType:
    """The benchmark's cases, by the file's place: the folder is no package."""
    import sys

    path = Path(__file__).parents[1] / "benchmarks" / "setup_faults.py"
    spec = importlib.util.spec_from_file_location("bench_setup_faults", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


bench = _bench()


def _visible_seed(case, start: int) -> int:
    """First seed from `start` on whose truth lets the fault be seen."""
    for seed in range(start, start + 20):
        if case.visible(bench.drawn(case, seed)[0]):
            return seed
    raise AssertionError("no breaker whose contacts differ")


@pytest.mark.parametrize("name", list(bench.CASES))
def test_a_fault_of_the_test_is_named_and_draws_no_verdict(name):
    case = bench.CASES[name]
    run = bench.run_case(case, _visible_seed(case, 31))
    assert run.named
    assert not run.made
    assert not run.others


@pytest.mark.parametrize(
    ("name", "seed"),
    [
        # One of the five parts by chance with the current that it was given.
        ("file: every current the next one's", 1001),
        # One of the three closes milliseconds after the current that it was given: no bounce is that long.
        ("file: currents of three poles one pole on", 1013),
        # A mechanism that is nearly late enough to be named, and half a millisecond on one of its interrupters' clock.
        ("one current 0.5 ms late", 1021),
    ],
)
def test_a_fault_of_the_test_in_a_breaker_that_nearly_hides_it_is_named_and_draws_no_verdict(name, seed):
    run = bench.run_case(bench.CASES[name], seed)
    assert run.named
    assert not run.made


@pytest.mark.parametrize("name", list(bench.HEALTHY))
def test_neither_a_healthy_contact_nor_a_bad_one_is_taken_for_a_fault_of_the_test(name):
    s = bench.simulate(replace(bench.base(), faults=bench.HEALTHY[name]), rng=np.random.default_rng(8))
    found = drm.diagnose(s.record, s.breaker).findings
    assert not [f.code for f in found if f.code.startswith("setup.") and f.level != "note"]


def _findings(name: str, seed: int = 31) -> tuple[drm.Result, list]:
    case = bench.CASES[name]
    rng = np.random.default_rng(_visible_seed(case, seed))
    s = bench.simulate(case.scenario(bench.base()), rng=rng)
    result = drm.diagnose(case.do(s, rng), s.breaker)
    return result, [f for f in result.findings if f.code in case.codes]


def test_a_finding_on_the_test_says_on_what_it_rests_what_else_it_may_be_and_what_to_check():
    _, (one,) = _findings("leads exchanged, two poles")
    assert (one.subject, one.level, one.interrupters) == ("setup", "inspect", ("A1", "B1"))
    assert one.basis.startswith("physics")
    assert one.evidence["fits_the_current_of"] == {"A1": "B1", "B1": "A1"}
    for words in ("What else could explain it:", "Check next:", "isolate", "prove dead", "L di/dt", "Local codes"):
        assert words in one.advice
    assert "No verdict is drawn" in one.message


def test_spoiled_rows_say_why_and_are_left_out_of_every_comparison():
    table = _findings("leads exchanged, two poles")[0].features
    spoiled = table["interrupter"].isin(["A1", "B1"]).to_numpy()
    assert table.loc[spoiled, "quality"].str.contains("setup: the voltage leads are exchanged").all()
    for column in ("arcing_wipe_mm", "main_resistance_uohm", "arcing_contact_ms"):
        assert not usable(table, column)[spoiled].any()
        assert usable(table, column)[~spoiled].all()


def test_a_wrong_scale_of_the_current_spoils_resistances_and_no_instants():
    table = _findings("current x10")[0].features
    mine = (table["interrupter"] == "A1").to_numpy()
    assert not usable(table, "main_resistance_uohm")[mine].any()
    assert usable(table, "arcing_wipe_mm")[mine].all()


def test_exchanged_sensors_spoil_what_is_in_mm_and_nothing_else():
    table = _findings("travel sensors exchanged")[0].features
    mine = table["pole"].isin(["A", "B"]).to_numpy()
    assert not usable(table, "arcing_wipe_mm")[mine].any()
    assert usable(table, "arcing_wipe_ms")[mine].all()


def test_a_skew_that_was_removed_leaves_the_wipe_right_and_widens_the_instants():
    case = bench.CASES["all voltages 0.5 ms late"]
    clean = bench.simulate(bench.base(), rng=np.random.default_rng(31))
    late = bench.simulate(case.scenario(bench.base()), rng=np.random.default_rng(31))
    record = case.do(late, np.random.default_rng(0))
    a, b = (drm.diagnose(r, clean.breaker).features for r in (clean.record, record))
    np.testing.assert_allclose(b["arcing_wipe_mm"], a["arcing_wipe_mm"], atol=0.4)
    assert (b["arcing_contact_ms_u"] > 0.3).all()
    assert (b["arcing_wipe_ms_u"] < 0.15).all()
    # A wipe that is known to so much only is told, and used.
    assert usable(b, "arcing_wipe_mm").all()
    assert {text.split(" to ")[0] for text in b["quality"]} <= {"", "the wipe is known"}


def test_a_reversed_voltage_is_turned_round_and_read_as_if_it_were_not():
    s = bench.simulate(bench.base(), rng=np.random.default_rng(5))
    turned = bench.times(-1.0, "U_A2")(s, np.random.default_rng(0))
    a, b = (drm.diagnose(r, s.breaker) for r in (s.record, turned))
    np.testing.assert_allclose(b.features["arcing_wipe_mm"], a.features["arcing_wipe_mm"], atol=1e-6)
    assert [f.level for f in b.findings if f.code == "setup.polarity"] == ["note"]


def test_two_interrupters_on_one_voltage_channel_are_refused_a_verdict():
    s = bench.simulate(bench.base("O"), rng=np.random.default_rng(5))
    units = tuple(replace(i, voltage="U_A1") if i.name == "A2" else i for i in s.breaker.interrupters)
    found = drm.diagnose(s.record, replace(s.breaker, interrupters=units)).findings
    (one,) = [f for f in found if f.code == "setup.file-channel-twice"]
    assert one.interrupters == ("A1", "A2")
    (left,) = [f for f in found if f.code == "setup.file-channels-left"]
    assert left.evidence["channels"] == ["U_A2"]


def test_exchanged_coils_in_the_file_are_told_from_what_the_contacts_do():
    s = bench.simulate(bench.base("OC"), rng=np.random.default_rng(5))
    m = tuple(replace(x, trip_coil=x.close_coil, close_coil=x.trip_coil) for x in s.breaker.mechanisms)
    found = drm.diagnose(s.record, replace(s.breaker, mechanisms=m)).findings
    assert [f.evidence["mechanisms"] for f in found if f.code == "setup.coils-exchanged"] == [["A", "B", "C"]]


def levels(**odd: tuple[float, float]) -> dict[str, Closed]:
    plain = dict.fromkeys(("A1", "A2", "B1", "B2", "C1", "C2"), (8e-3, 200.0)) | odd
    return {n: Closed(v, a) for n, (v, a) in plain.items()}


@pytest.mark.parametrize("times", [1e-3, 0.1, 10.0, 100.0, 1000.0])
def test_a_current_off_by_a_power_of_ten_is_a_wrong_scale(times):
    (one,) = scale(levels(B1=(8e-3, 200.0 * times)), {})
    assert (one.interrupters, one.spoils) == (("B1",), "resistance")


def test_an_injection_that_was_set_higher_is_no_wrong_scale():
    assert not list(scale(levels(B1=(80e-3, 2000.0)), {}))
    assert not list(scale(levels(B1=(16e-3, 400.0)), {}))


@pytest.mark.parametrize(("arcing", "named"), [(2500.0, True), (260.0, False)])
def test_ten_times_the_closed_drop_is_a_scale_only_if_the_arcing_contact_reads_ten_times_too(arcing, named):
    readings = dict.fromkeys(("A1", "A2", "B2", "C1", "C2"), 250.0) | {"B1": arcing}
    assert bool(list(scale(levels(B1=(80e-3, 200.0)), readings))) == named


def test_all_alike_beyond_the_plausible_band_is_a_scale_and_within_it_is_not():
    for times, named in ((0.05, True), (1.0, False), (4.0, False), (10.0, True)):
        wide = {n: Closed(times * 8e-3, 200.0) for n in levels()}
        assert bool(list(scale(wide, {}))) == named


def test_a_fault_of_some_operations_spoils_those_only():
    fault = Fault("x", "inspect", "no; good", "basis", "else", "check", ("A1",), (2,), "all")
    assert reasons_for([fault], "A1", 1) == ()
    assert reasons_for([fault], "A2", 2) == ()
    assert reasons_for([fault], "A1", 2) == ("setup: no, good",)


def test_the_grounds_say_that_a_spoiled_interrupter_is_not_judged_good_or_bad():
    from drm.grounds import grounds, setup_words, unjudged

    result, _ = _findings("voltage lead off")
    assert any("Nothing is concluded about B1" in text for text in grounds(result).cannot)
    assert "B1" in unjudged(result)
    assert "read the findings about the setup first" in setup_words(result)


def test_what_most_readings_show_together_is_no_loose_clamp():
    """A charging motor that induces a voltage in every sense lead."""
    rng = np.random.default_rng([61, 1])
    _, s = draw(rng, condition="motor_transient")
    made = simulate(s, rng=rng)
    codes = {f.code for f in drm.diagnose(made.record, made.breaker).findings}
    assert "setup.disturbance" in codes
    assert "setup.loose-clamp" not in codes


def test_a_voltage_at_its_ceiling_all_the_time_is_no_scale():
    """Lead off: the channel's input drifts to its ceiling and stays there (common practice, no source)."""
    from drm.synthetic import named as scenario

    made = simulate(scenario("open"), rng=np.random.default_rng(4))
    one = made.breaker.interrupters[0]
    stuck = tuple(
        replace(c, samples=np.full_like(np.asarray(c.samples, dtype=np.float64), np.nanmax(np.abs(c.samples))))
        if c.name == one.voltage
        else c
        for c in made.record.channels
    )
    codes = {f.code for f in drm.diagnose(replace(made.record, channels=stuck), made.breaker).findings}
    assert "setup.lead-off" in codes
    assert "setup.scale" not in codes


@settings(max_examples=60, deadline=None)
@given(n=st.integers(2, 7), seed=st.integers(0, 9999), own=st.floats(0.0, 1.0))
def test_own_currents_are_left_where_no_assignment_costs_less(n: int, seed: int, own: float) -> None:
    """`scipy.optimize.linear_sum_assignment` as the reference."""
    from scipy.optimize import linear_sum_assignment

    cost = np.random.default_rng(seed).random((n, n))
    cost[np.diag_indices(n)] *= own
    row, column = linear_sum_assignment(cost)
    least, mine = float(cost[row, column].sum()), float(np.trace(cost))
    assert setup_pairing._own_is_best(cost) == (mine <= least + 1e-12)
