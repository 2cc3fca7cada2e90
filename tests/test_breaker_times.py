"""Times of breaker and poles against examples worked by hand from IEC 62271-100, definitions 3.7 (restated)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from handmade import DURATION_S, LATENCY_S, breaker, changed, record

from drm.breaker import Breaker, Interrupter, Mechanism
from drm.breaker_times import Contact, contact_of, frame, timing_rows
from drm.contact_state import state_of, switched
from drm.operations import Operation, find_operations
from drm.pipeline import diagnose
from drm.quantity import NOTHING, Quantity
from drm.record import Channel, Record
from drm.resistor import insertion
from drm.sequence import sequence_of

UNITS = tuple(Interrupter(f"{p}{k}", p, k, "M") for p in "ABC" for k in (1, 2))
BREAKER = Breaker("by hand", (Mechanism("M", trip_coil="TC", close_coil="CC"),), UNITS, rated_frequency_hz=50.0)
RECORD = Record("by hand", "by hand.cfg", np.arange(10) / 1e4, ())


def operation(number: int, kind: str, command_s: float, *, reference: str = "coil") -> Operation:
    return Operation(
        number, "open" if kind == "open" else "close", command_s, command_s + 0.1, {"M": command_s}, {"M": reference}
    )


def contacts(instants_s: dict[str, float], u: float = 1e-5) -> list[Contact]:
    return [Contact(i, Quantity(instants_s[i.name], u) if i.name in instants_s else NOTHING, "state") for i in UNITS]


#: Opening at 1.000 s: separations; closing commanded at 1.300 s: touches; opening commanded at 1.400 s: separations.
OPEN = {"A1": 1.0301, "A2": 1.0305, "B1": 1.0312, "B2": 1.0310, "C1": 1.0320, "C2": 1.0318}
CLOSE = {"A1": 1.3602, "A2": 1.3611, "B1": 1.3590, "B2": 1.3597, "C1": 1.3640, "C2": 1.3633}
AGAIN = {k: v + 0.4 for k, v in OPEN.items()}


def table(b: Breaker = BREAKER, **changes):
    ops = [operation(1, "open", 1.0), operation(2, "close", 1.3), operation(3, "open", 1.4)]
    ops = [replace(o, **changes) for o in ops]
    rows = timing_rows(RECORD, b, ops, {1: contacts(OPEN), 2: contacts(CLOSE), 3: contacts(AGAIN)})
    return frame(rows).set_index(["operation", "scope", "name"])


def test_opening_time_runs_until_the_arcing_contacts_have_separated_in_all_poles():
    got = table()
    # The last of all is C1, 32.0 ms after the release was energised at 1.000 s.
    assert got.loc[(1, "breaker", "by hand"), "opening_time_ms"] == pytest.approx(32.0)
    assert got.loc[(1, "pole", "A"), "opening_time_ms"] == pytest.approx(30.5)
    assert got.loc[(1, "interrupter", "B2"), "opening_time_ms"] == pytest.approx(31.0)
    assert np.isnan(got.loc[(1, "breaker", "by hand"), "closing_time_ms"])


def test_closing_time_runs_until_the_contacts_touch_in_all_poles():
    # The last is C1 at 1.3640 s, the circuit was energised at 1.300 s.
    assert table().loc[(2, "breaker", "by hand"), "closing_time_ms"] == pytest.approx(64.0)


def test_open_close_time_runs_from_separation_in_all_poles_to_the_first_pole_that_touches():
    # Separated in all poles: C1, 1.0320 s. A pole of two units in series touches with its second: A 1.3611, B 1.3597.
    assert table().loc[(2, "breaker", "by hand"), "open_close_time_ms"] == pytest.approx(1e3 * (1.3597 - 1.0320))


def test_close_open_time_runs_from_the_first_pole_that_touches_to_separation_in_all_poles():
    assert table().loc[(3, "breaker", "by hand"), "close_open_time_ms"] == pytest.approx(1e3 * (1.4320 - 1.3597))


def test_spread_between_poles_and_within_one_beside_its_limit():
    # IEC 62271-100, simultaneity (from memory): poles 1/6 cycle opening, 1/4 closing; units 1/8 and 1/6.
    got = table()
    whole, pole = got.loc[(1, "breaker", "by hand")], got.loc[(1, "pole", "A")]
    assert whole.spread_ms == pytest.approx(32.0 - 30.5)
    assert (whole["first"], whole["last"]) == ("A", "C")
    assert whole.spread_limit_ms == pytest.approx(20.0 / 6.0)
    assert pole.spread_ms == pytest.approx(0.4)
    assert pole.spread_limit_ms == pytest.approx(2.5)
    at_60 = table(replace(BREAKER, rated_frequency_hz=60.0))
    assert at_60.loc[(2, "breaker", "by hand"), "spread_limit_ms"] == pytest.approx(4.1667, abs=1e-4)
    assert at_60.loc[(2, "pole", "B"), "spread_limit_ms"] == pytest.approx(2.7778, abs=1e-4)


def test_uncertainty_of_a_time_is_that_of_both_its_ends():
    row = table().loc[(1, "breaker", "by hand")]
    assert row.opening_time_ms_u == pytest.approx(1e3 * np.hypot(1e-5, 2e-5))
    # The command cancels in a spread.
    assert row.spread_ms_u == pytest.approx(1e3 * np.sqrt(2.0) * 1e-5)


def test_with_one_interrupter_unknown_nothing_is_said_of_the_whole():
    some = {k: v for k, v in OPEN.items() if k != "C2"}
    rows = timing_rows(RECORD, BREAKER, [operation(1, "open", 1.0)], {1: contacts(some)})
    got = frame(rows).set_index(["scope", "name"])
    assert np.isnan(got.loc[("breaker", "by hand"), "opening_time_ms"])
    assert got.loc[("breaker", "by hand"), "why"] == "not every interrupter's instant is known"
    assert np.isnan(got.loc[("pole", "C"), "opening_time_ms"])
    assert got.loc[("pole", "B"), "opening_time_ms"] == pytest.approx(31.2)


def test_without_a_coil_the_command_is_unknown_and_spreads_remain():
    got = table(reference={"M": "motion"})
    whole = got.loc[(1, "breaker", "by hand")]
    assert np.isnan(whole.opening_time_ms)
    assert "not known" in whole.why
    assert whole.spread_ms == pytest.approx(1.5)
    assert got.loc[(2, "breaker", "by hand"), "open_close_time_ms"] == pytest.approx(327.7)


@pytest.mark.parametrize(
    ("kinds", "gaps", "name"),
    [
        (["open"], [], "O"),
        (["close"], [], "C"),
        (["close", "open"], [60.0], "CO"),
        (["open", "close"], [310.0], "OC"),
        (["open", "close", "open"], [500.0, 50.0], "O-CO"),
        (["open", "close", "open"], [300.0, 50.0], "O-0.3 s-CO"),
        (["open", "close", "open"], [335.0, 50.0], "O-0.3 s-CO"),
        (["open", "close", "open", "close", "open"], [300.0, 50.0, 180e3, 50.0], "O-0.3 s-CO-180 s-CO"),
        (["close", "open"], [5000.0], "C-5 s-O"),
    ],
)
def test_sequences_have_the_standards_names(kinds, gaps, name):
    # IEC 62271-100: O - 0.3 s - CO - 3 min - CO.
    got = sequence_of(kinds, [Quantity(g, 0.1) for g in gaps])
    assert got.name == name
    if kinds[:2] == ["open", "close"]:
        assert got.dead_time_ms.value == gaps[0]


def test_a_gap_that_was_not_measured_is_told_from_the_commands():
    got = sequence_of(["open", "close", "open"], [NOTHING, NOTHING], [0.0, 0.3, 0.4])
    assert got.name == "O-0.3 s-CO"
    assert not got.dead_time_ms


def bouncing(t: np.ndarray, at: float) -> np.ndarray:
    """Touch, lost after 1 ms for 1 ms, lost again after 0.5 ms for 0.5 ms."""
    return (t >= at) & ~((t >= at + 1e-3) & (t < at + 2e-3)) & ~((t >= at + 2.5e-3) & (t < at + 3e-3))


def test_a_bouncing_contact_touches_first_and_settles_last():
    t = np.arange(0.0, 0.1, 1e-4)
    got = switched(t, bouncing(t, 0.05).astype(np.int8), 1, 0.0, 0.1)
    assert got.first_s.value == pytest.approx(0.05, abs=1e-4)
    assert got.last_s.value == pytest.approx(0.053, abs=1e-4)
    assert got.bounces == 2
    assert got.bounce_ms.value == pytest.approx(3.0, abs=0.1)


def test_on_opening_the_last_loss_counts():
    t = np.arange(0.0, 0.1, 1e-4)
    state = ~bouncing(t, 0.05)
    got = switched(t, state.astype(np.int8), 0, 0.0, 0.1)
    assert got.last_s.value == pytest.approx(0.053, abs=1e-4)


def test_missing_samples_widen_an_instant():
    t = np.arange(0.0, 0.1, 1e-4)
    x = (t >= 0.05).astype(float)
    x[(t > 0.049) & (t < 0.051)] = np.nan
    got = switched(t, state_of(Channel("CH", "", x, digital=True)), 1, 0.0, 0.1)
    assert got.first_s.u == pytest.approx(2e-3 / np.sqrt(12.0), rel=0.1)
    assert abs(got.first_s.value - 0.05) < 2.0 * got.first_s.u


def test_an_analogue_state_channel_is_split_half_way():
    t = np.arange(0.0, 0.1, 1e-4)
    volts = np.where(t < 0.05, 0.2, 23.7)
    got = switched(t, state_of(Channel("CH", "V", volts)), 1, 0.0, 0.1)
    assert got.first_s.value == pytest.approx(0.05, abs=1e-4)
    assert state_of(Channel("CH", "V", np.full(t.size, 5.0))) is None


def only_states(commands: list[tuple[str, float]], **changes) -> tuple[Record, Breaker]:
    """Hand-made motion of two mechanisms of which only coils and contact states were recorded."""
    one = record(commands, stop_s=0.6, **changes)
    states = [Channel(f"S_{n}", "", (one.channel(f"TRV_{n}").samples < 50.0).astype(float), digital=True) for n in "AB"]
    keep = tuple(c for c in one.channels if c.name[:2] in ("TC", "CC"))
    b = replace(
        breaker(travel=None, auxiliary={}),
        interrupters=tuple(Interrupter(f"{n}1", n, 1, n, state=f"S_{n}") for n in "AB"),
    )
    return replace(one, channels=(*keep, *states)), b


def test_contact_states_alone_give_the_times():
    one, b = only_states([("open", 0.05), ("close", 0.38)])
    result = diagnose(one, b)
    # handmade.path(): 50 mm of 120 are passed at u = 0.1 + 0.9 * 50 / 120 of the motion.
    passed = (0.1 + 0.9 * 50.0 / 120.0) * DURATION_S
    whole = result.timing.set_index(["operation", "scope"]).loc[(1, "breaker")]
    assert whole.opening_time_ms == pytest.approx(1e3 * (LATENCY_S["open"] + passed), abs=0.06)
    back = (0.1 + 0.9 * 70.0 / 120.0) * DURATION_S
    whole = result.timing.set_index(["operation", "scope"]).loc[(2, "breaker")]
    assert whole.closing_time_ms == pytest.approx(1e3 * (LATENCY_S["close"] + back), abs=0.06)
    assert result.sequence.name == "OC"
    assert result.features.arcing_contact_ms.notna().all()
    assert result.features.quality.str.startswith("only the contact's state").all()
    assert result.features.main_resistance_uohm.isna().all()


def test_poles_too_far_apart_are_found_from_states_alone():
    one, b = only_states([("open", 0.05)], spread_s=5e-3)
    codes = {f.code for f in diagnose(one, b).findings}
    assert "timing.poles" in codes


def test_resistor_told_by_its_contacts_state():
    one, b = only_states([("close", 0.05)])
    t = one.time_s
    touch = float(t[np.flatnonzero(one.channel("S_A").samples)[0]])
    one = replace(one, channels=(*one.channels, Channel("R_A", "", (t >= touch - 9e-3).astype(float), digital=True)))
    unit = replace(b.interrupters[0], resistor_state="R_A", resistor_ohm=450.0)
    b = replace(b, interrupters=(unit, b.interrupters[1]))
    (op,) = find_operations(one, b)
    got = contact_of(one, unit, op, NOTHING, gain_rel=0.0).resistor
    assert got.source == "state"
    assert got.duration_ms.value == pytest.approx(9.0, abs=0.1)
    assert not got.ohm


def with_resistor(volts: float, ohm: float, *, supply_ohm: float, range_a: float, seed: int = 0) -> Record:
    """A gap under `volts` behind `supply_ohm`, bridged by the resistor at 40 ms and by the contact at 50 ms."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 0.1, 5e-5)
    path = np.where(t < 0.04, np.inf, np.where(t < 0.05, ohm, 50e-6))
    amps = volts / (supply_ohm + path)
    across = np.where(np.isinf(path), volts, amps * np.where(np.isinf(path), 0.0, path))
    return Record(
        "r",
        "r.cfg",
        t,
        (
            Channel("U", "V", across + 0.01 * rng.standard_normal(t.size)),
            Channel("I", "A", amps + 2e-5 * range_a * rng.standard_normal(t.size)),
        ),
    )


def test_resistor_told_by_voltage_and_small_current_with_its_value():
    unit = Interrupter("A1", "A", 1, "A", "U", "I")
    one = with_resistor(24.0, 600.0, supply_ohm=50.0, range_a=10.0)
    got = insertion(one, unit, 0.0, Quantity(0.05, 1e-5), gain_rel=0.005)
    assert got.source in ("voltage", "current")
    assert got.at_s.value == pytest.approx(0.04, abs=1e-4)
    assert got.duration_ms.value == pytest.approx(10.0, abs=0.1)
    assert got.ohm.value == pytest.approx(600.0, abs=3.0 * got.ohm.u)
    assert 0.005 * 600.0 < got.ohm.u < 0.02 * 600.0


def test_resistor_whose_current_drowns_in_noise_has_an_instant_but_no_value():
    unit = Interrupter("A1", "A", 1, "A", "U", "I")
    one = with_resistor(24.0, 600.0, supply_ohm=50.0, range_a=5e4)
    got = insertion(one, unit, 0.0, Quantity(0.05, 1e-5))
    assert got.source == "voltage"
    assert got.at_s.value == pytest.approx(0.04, abs=1e-4)
    assert not got.ohm


@pytest.mark.parametrize("seed", range(10))
def test_no_resistor_is_seen_where_there_is_none(seed):
    unit = Interrupter("A1", "A", 1, "A", "U", "I")
    one = with_resistor(24.0, 1e12, supply_ohm=50.0, range_a=10.0, seed=seed)
    assert insertion(one, unit, 0.0, Quantity(0.05, 1e-5)).source == ""


def test_a_breaker_with_resistance_and_times_agrees_with_its_states():
    one = record([("open", 0.05)])
    states = [Channel(f"S_{n}", "", (one.channel(f"TRV_{n}").samples < 50.0).astype(float), digital=True) for n in "AB"]
    both = replace(one, channels=(*one.channels, *states))
    b = breaker()
    unit = replace(b.interrupters[0], state="S_A")
    (op,) = find_operations(both, b)
    told = contact_of(both, unit, op, NOTHING, gain_rel=0.0)
    measured = contact_of(both, unit, op, Quantity(told.at_s.value + 1e-5, 1e-5), gain_rel=0.0)
    assert (told.source, measured.source) == ("state", "resistance")


def test_polarity_of_the_coil_changes_no_time():
    one, b = only_states([("open", 0.05)])
    a, c = diagnose(one, b).timing, diagnose(changed(one, "TC_", np.negative), b).timing
    np.testing.assert_allclose(a.opening_time_ms, c.opening_time_ms, atol=1e-3)
