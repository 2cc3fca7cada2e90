"""Faults of the test in random records, and what must not be taken for one."""

from dataclasses import replace

import numpy as np
import pytest

import drm
from drm.setup_fault import Fault, clock_u_ms, clocked_by
from drm.setup_trace import reads_nothing
from drm.setup_travel_scale import travel_scale
from drm.siblings import compare
from drm.synthetic import Simulation, simulate
from drm.synthetic.conditions import draw


def drawn(condition: str, number: int) -> tuple[Simulation, set[tuple[str, tuple[str, ...]]]]:
    """A random record of a condition, and the faults of the test that are named above a note."""
    rng = np.random.default_rng([7, number])
    made = simulate(draw(rng, condition=condition)[1], rng=rng)
    found = drm.diagnose(made.record, made.breaker).findings
    return made, {(f.code, f.interrupters) for f in found if f.subject == "setup" and f.level != "note"}


def test_leads_exchanged_in_a_closing_are_told_although_bounce_may_hide_one_touch():
    assert drawn("voltage_leads_exchanged", 9)[1] == {("setup.leads-exchanged", ("B1", "C1"))}


def test_one_exchanged_lead_that_could_be_a_bounce_is_told_by_the_other():
    """In this closing a bounce might explain the one, nothing but the other's current the other."""
    rng = np.random.default_rng((2042, 238))
    made = simulate(draw(rng)[1], rng=rng)
    found = drm.diagnose(made.record, made.breaker).findings
    assert [f.interrupters for f in found if f.code == "setup.leads-exchanged"] == [("A2", "B2")]


@pytest.mark.parametrize(
    ("seed", "who"),
    [
        pytest.param((2058, 331), ("A1", "B1"), id="both a third of a millisecond off"),
        pytest.param((2058, 385), ("A1", "B1"), id="a skew of all and bounces would explain it too, and more dearly"),
        pytest.param((2059, 874), ("A1", "B1"), id="the late one fits the other current within a sample and a half"),
        pytest.param((2060, 793), ("A1", "B1"), id="of six"),
    ],
)
def test_a_bounce_that_hides_a_touch_for_just_as_long_as_leads_would_explain_is_leads(seed, who):
    rng = np.random.default_rng(seed)
    made = simulate(draw(rng)[1], rng=rng)
    found = drm.diagnose(made.record, made.breaker).findings
    assert [f.interrupters for f in found if f.code == "setup.leads-exchanged"] == [who]


def test_exchanged_leads_are_told_although_a_bounce_hides_the_touch_of_one_of_them():
    """Its voltage comes after the other's current, from beyond its ceiling."""
    rng = np.random.default_rng((2101, 272))
    made = simulate(draw(rng, condition="voltage_leads_exchanged")[1], rng=rng)
    found = drm.diagnose(made.record, made.breaker).findings
    assert [f.interrupters for f in found if f.code == "setup.leads-exchanged"] == [("A1", "B3")]


def test_one_late_voltage_that_fits_another_current_is_no_exchange_of_leads():
    """The other one has no quarrel with its own current; and this one is off it as none of the others is."""
    assert drawn("skew_one_voltage", 17)[1] == {("setup.skew", ("A3",))}


def test_exchanged_sensors_of_different_scale_are_told_by_what_no_linkage_does():
    """An opening and a closing shift the places by different amounts."""
    assert drawn("sensors_exchanged", 38)[1] == {("setup.travel-wrong-pole", ("A1", "B1"))}


@pytest.mark.parametrize(("condition", "number"), [("5_khz", 100012), ("bouncing", 100025)])
def test_a_bounce_of_a_millisecond_is_no_wrong_pairing(condition, number):
    """The current begins at the first touch, which no sample of the voltage shows."""
    assert not drawn(condition, number)[1]


@pytest.mark.parametrize(
    "seed",
    [
        pytest.param((2051, 356), id="a bounce after which a source of few volts begins once more"),
        pytest.param((2048, 100), id="a source in its limit that gives less once the arcing contact carries it"),
        pytest.param((2050, 552), id="the same for a millisecond and a half only, and fluctuating"),
        pytest.param((2049, 152), id="a current that a loose lead lets flow as it likes until the loss"),
        pytest.param((2048, 130), id="six in series of which one or another bounces"),
        pytest.param((2049, 282), id="three in series, a closing alone"),
    ],
)
def test_a_current_that_moves_before_or_after_its_own_contact_is_no_wrong_pairing(seed):
    rng = np.random.default_rng(seed)
    made = simulate(draw(rng)[1], rng=rng)
    assert not [f for f in drm.diagnose(made.record, made.breaker).findings if f.code == "setup.pairing"]


@pytest.mark.parametrize(
    "number", [pytest.param(101, id="closing, others bounce"), pytest.param(144, id="the first arc is fed on")]
)
def test_a_late_current_in_series_is_no_skew(number):
    rng = np.random.default_rng((2104, number))
    made = simulate(draw(rng, condition="series_injection")[1], rng=rng)
    assert not [f for f in drm.diagnose(made.record, made.breaker).findings if f.code == "setup.skew"]


@pytest.mark.parametrize("seed", [(2039, 705), (2036, 917)])
def test_a_bounce_that_fits_the_first_touch_is_no_skew(seed):
    """Shifted by half a millisecond the voltage contradicts the current least, and both show one touch as it is."""
    rng = np.random.default_rng(seed)
    made = simulate(draw(rng)[1], rng=rng)
    assert "setup.skew" not in {f.code for f in drm.diagnose(made.record, made.breaker).findings}


def test_a_skew_that_most_show_is_taken_out_of_all():
    made, found = drawn("skew_two_devices", 11)
    assert found == {("setup.skew", tuple(sorted(i.name for i in made.breaker.interrupters)))}


@pytest.mark.parametrize(("number", "who"), [(6, "B1"), (20, "A2")])
def test_a_clamp_that_never_jumps_by_a_third_is_told_by_its_unrest(number, who):
    """Physics: a closed contact at rest keeps its resistance; its siblings show what recorder and hum leave."""
    assert (("setup.loose-clamp", (who,))) in drawn("loose_clamp", number)[1]


def test_readings_that_are_unsteady_like_their_siblings_are_no_loose_clamps():
    codes = {code for code, _ in drawn("motor_transient", 100178)[1]}
    assert codes == {"setup.disturbance"}


def test_a_source_that_is_switched_on_late_is_no_disturbance():
    assert not drawn("switched_source", 100176)[1]


def test_an_offset_on_a_lead_that_is_off_is_no_small_scale():
    assert drawn("lead_off", 7)[1] == {("setup.lead-off", ("A2",))}


def test_a_voltage_that_is_the_same_with_and_without_current_reads_nothing():
    """A closed contact drops volts with the current, and a parted one shows the source's: circuit law."""
    rng = np.random.default_rng(1)
    amps = np.where(np.arange(4000) < 2000, 200.0, 0.0)
    noise = 2e-4 * rng.standard_normal(amps.size)
    closed = slice(0, 1500)
    assert reads_nothing(1e-4 + noise, amps, closed)
    assert not reads_nothing(40e-6 * amps + noise, amps, closed)
    assert not reads_nothing(np.where(amps > 0, 1e-5, 0.1) + noise, amps, closed)


def stroke(mm: float) -> np.ndarray:
    return np.clip(np.linspace(-0.5, 1.5, 200), 0.0, 1.0) * mm


@pytest.mark.parametrize(("factor", "named"), [(0.1, True), (10.0, True), (1000.0, True), (1.1, False), (2.0, False)])
def test_a_travel_off_by_a_power_of_ten_is_a_wrong_scale(factor, named):
    travels = {"A": stroke(160.0), "B": stroke(158.0 * factor), "C": stroke(161.0)}
    found = list(travel_scale(travels, {"A": ["A1"], "B": ["B1"], "C": ["C1"]}))
    assert [f.interrupters for f in found] == [("B1",)] * named
    assert all(f.spoils == "travel" for f in found)


@pytest.mark.parametrize(("mm", "named"), [(16.0, True), (1600.0, True), (60.0, False), (250.0, False)])
def test_strokes_that_no_contact_makes_are_a_wrong_scale_of_all(mm, named):
    """High-voltage contacts move by 80 to 250 mm: common practice, no source."""
    assert bool(list(travel_scale({"A": stroke(mm), "B": stroke(1.02 * mm)}, {"A": ["A1"], "B": ["B1"]}))) == named


def healthy() -> tuple[Simulation, drm.Result]:
    from drm.synthetic import named as scenario

    s = replace(scenario("open"), poles=("A", "B", "C"), interrupters_per_pole=2)
    made = simulate(s, rng=np.random.default_rng(3))
    return made, drm.diagnose(made.record, made.breaker)


def test_a_fault_of_the_test_makes_nothing_that_it_spares_easier_to_name():
    """Features left out keep their share of the false alarms: what is compared stays as probable as it was."""
    table = healthy()[1].features
    before = compare(table)
    after = compare(table.assign(quality="setup, resistances: a wrong scale"))
    spared = {(c.interrupter, c.feature): c for cs in after.contributions.values() for c in cs}
    assert "main_resistance_uohm" not in {feature for _, feature in spared}
    for cs in before.contributions.values():
        for c in cs:
            if (c.interrupter, c.feature) in spared:
                assert spared[c.interrupter, c.feature].p >= c.p - 1e-12


def test_time_does_not_stand_in_for_a_travel_that_a_fault_of_the_test_spoils():
    """Poles of different speed differ in ms though their contacts are alike in mm: kinematics."""
    table = compare(healthy()[1].features.assign(quality="setup, travel: a wrong scale")).contributions
    assert not {c.feature for cs in table.values() for c in cs} & {"arcing_wipe_ms", "main_contact_ms"}


def test_what_lies_between_two_instants_on_one_clock_is_as_sure_as_without_the_skew():
    """JCGM 100, 5.2.2: what two inputs have in common cancels in their difference."""
    from drm.rules.context import Context
    from drm.rules.simultaneity import simultaneity

    made, result = healthy()
    skew = Fault(
        "skew", "watch", "late", "b", "o", "c", tuple(result.features["interrupter"]), evidence={"skew_ms": 0.5}
    )
    table = result.features.copy()
    last = table["interrupter"] == "C1"
    table.loc[last, "arcing_contact_ms"] += 4.0
    with_clock = table.assign(arcing_contact_ms_u=np.hypot(table["arcing_contact_ms_u"], clock_u_ms(skew)))
    assert clocked_by(skew)

    def spreads(rows, *faults):
        facts = {"reference_s": {(1, m.name): 0.05 for m in made.breaker.mechanisms}, "setup_faults": faults}
        return [
            (f.level, round(f.evidence["spread_expanded_u_ms"], 9))
            for f in simultaneity(Context(rows, result.mechanisms, compare(rows), made.breaker, facts=facts))
            if f.code.startswith("timing.pole")
        ]

    assert spreads(table)
    assert spreads(with_clock, skew) == spreads(table)
    assert spreads(with_clock) != spreads(table)


def test_a_limit_that_only_a_clock_in_doubt_reaches_draws_no_verdict():
    from drm.breaker import Limit

    made, result = healthy()
    top = float(result.features["arcing_contact_ms"].max()) + 0.4
    late = tuple(
        replace(c, samples=np.roll(c.samples, 10)) if c.name.startswith("U_") else c for c in made.record.channels
    )
    breaker = replace(made.breaker, limits={"arcing_contact_ms": Limit(max=top)})
    found = drm.diagnose(replace(made.record, channels=late), breaker).findings
    assert "setup.skew" in {f.code for f in found}
    (near, *_) = [f for f in found if f.code == "limit.straddling.arcing_contact_ms"]
    assert (near.level, near.subject) == ("note", "setup")
    assert "clock is in doubt" in near.message


def test_a_skew_moves_the_wipe_by_what_the_speed_changes_within_it():
    """Kinematics: both instants later by dt, the wipe longer by (v2 - v1) dt; the stated uncertainty covers it."""
    made, result = healthy()
    late = tuple(
        replace(c, samples=np.roll(c.samples, 10)) if c.name.startswith("I_") else c for c in made.record.channels
    )
    moved = drm.diagnose(replace(made.record, channels=late), made.breaker).features
    off = (moved["arcing_wipe_mm"] - result.features["arcing_wipe_mm"]).abs()
    assert float(off.max()) > 0.3
    assert (off <= 2.0 * moved["arcing_wipe_mm_u"]).all()
