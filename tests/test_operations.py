"""Operations are found where they are, whatever the record holds."""

from __future__ import annotations

import itertools
import json
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from handmade import DURATION_S, LATENCY_S, breaker, changed, record
from hypothesis import given, settings
from hypothesis import strategies as st

from drm.breaker import Breaker, Interrupter, Mechanism, TravelSensor
from drm.coils import pulses
from drm.errors import RecordError
from drm.operations import find_operations
from drm.readers import read
from drm.record import Channel
from drm.travel import at, travel_of

SEQUENCE = [("open", 0.05), ("close", 0.38), ("open", 0.8)]
NO_COILS: dict[str, object] = {"trip_coil": None, "close_coil": None}
ABSENT: tuple[dict[str, object], ...] = (NO_COILS, {"travel": None}, {"auxiliary": {}})


def _coil(t: np.ndarray, onset: float, tau: float, seed: int, *, peak: float = 4.0) -> np.ndarray:
    on = (t >= onset) & (t < onset + 40e-3)
    rise = np.where(on, peak * -np.expm1(-np.maximum(t - onset, 0.0) / tau), 0.0)
    return rise + np.random.default_rng(seed).normal(0.0, 0.01, t.size)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.04, 0.06), st.sampled_from([2e-3, 5e-3, 10e-3, 20e-3]), st.integers(0, 10**6))
def test_coil_onset_is_found_within_fifty_microseconds(onset: float, tau: float, seed: int) -> None:
    t = np.arange(0.0, 0.2, 5e-5)
    (pulse,) = pulses(t, Channel("TC", "A", _coil(t, onset, tau, seed)))
    # A slower rise is a weaker clock: five standard uncertainties of the slowest are 80 us.
    assert abs(pulse.onset_s - onset) < (50e-6 if tau <= 10e-3 else 80e-6)


def test_stated_uncertainty_of_the_onset_covers_its_scatter() -> None:
    t = np.arange(0.0, 0.15, 5e-5)
    z = []
    for seed in range(60):
        onset = 0.05 + seed * 7.3e-6
        (pulse,) = pulses(t, Channel("TC", "A", _coil(t, onset, 8e-3, seed)))
        z.append((pulse.onset_s - onset) / pulse.onset_u_s)
    assert 0.5 < float(np.sqrt(np.mean(np.square(z)))) < 1.5


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("offset", [0.0, 0.3, -0.3])
def test_coil_onset_does_not_mind_sign_or_offset(sign: float, offset: float) -> None:
    t = np.arange(0.0, 0.2, 5e-5)
    (pulse,) = pulses(t, Channel("TC", "A", sign * _coil(t, 0.05, 8e-3, 3) + offset))
    assert pulse.onset_s == pytest.approx(0.05, abs=50e-6)


def test_coil_pulse_survives_hum_missing_samples_and_impulses() -> None:
    t = np.arange(0.0, 0.2, 5e-5)
    x = _coil(t, 0.05, 8e-3, 3) + 0.02 * np.sin(2 * np.pi * 50.0 * t)
    x[[100, 2500, 3000]] = 20.0
    x[1100:1110] = np.nan
    (pulse,) = pulses(t, Channel("TC", "A", x))
    assert pulse.onset_s == pytest.approx(0.05, abs=0.2e-3)
    assert pulse.peak_a == pytest.approx(4.0, rel=0.05)


@pytest.mark.parametrize("seed", range(20))
def test_a_coil_channel_that_holds_noise_and_hum_does_not_fire(seed: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 1.0, 5e-5)
    x = rng.normal(0.0, 0.01, t.size) + 0.02 * np.sin(2 * np.pi * 50.0 * t) + 0.01
    assert pulses(t, Channel("TC", "A", x)) == ()


def test_a_sequence_is_three_operations_with_their_kinds_and_commands() -> None:
    found = find_operations(record(SEQUENCE, stop_s=1.0), breaker())
    assert [(o.number, o.kind) for o in found] == [(1, "open"), (2, "close"), (3, "open")]
    for op, (_, command) in zip(found, SEQUENCE, strict=True):
        assert set(op.reference.values()) == {"coil"}
        assert list(op.reference_s.values()) == pytest.approx([command, command], abs=50e-6)


def test_windows_begin_before_the_command_and_follow_each_other_to_the_end() -> None:
    one = record(SEQUENCE, stop_s=1.0)
    found = find_operations(one, breaker())
    assert [o.start_s for o in found] == pytest.approx([0.01, 0.34, 0.76], abs=1e-3)
    assert [a.stop_s for a in found[:-1]] == [b.start_s for b in found[1:]]
    assert found[-1].stop_s == one.time_s[-1]


# Travel alone does not tell which way is open and has a test of its own below.
@pytest.mark.parametrize(
    ("absent", "electrical"),
    [
        (c, e)
        for n in (0, 1, 2)
        for c in itertools.combinations(range(3), n)
        for e in (True, False)
        if e or not {0, 2} <= set(c)
    ],
)
def test_kinds_are_found_from_any_mixture_of_channels(absent: tuple[int, ...], electrical: bool) -> None:
    changes: dict[str, object] = {}
    for k in absent:
        changes |= ABSENT[k]
    b = breaker(**changes)
    b = b if electrical else replace(b, interrupters=())
    found = find_operations(record(SEQUENCE, stop_s=1.0), b)
    assert [o.kind for o in found] == ["open", "close", "open"]
    assert set(found[0].reference) == {"A", "B"}
    assert set(found[0].reference.values()) == ({"motion"} if 0 in absent else {"coil"})


def test_interrupters_alone_show_the_operations() -> None:
    b = breaker(trip_coil=None, close_coil=None, travel=None, auxiliary={})
    assert [o.kind for o in find_operations(record(SEQUENCE, stop_s=1.0), b)] == ["open", "close", "open"]


def test_travel_alone_is_refused_with_the_mend() -> None:
    b = replace(breaker(trip_coil=None, close_coil=None, auxiliary={}), interrupters=())
    with pytest.raises(RecordError, match=r"handmade\.cfg.*opens or closes.*record a coil current"):
        find_operations(record(SEQUENCE, stop_s=1.0), b)


def test_direction_of_travel_names_an_operation_nothing_else_names() -> None:
    one = record(SEQUENCE, stop_s=1.0)
    # The trip coil fires first; then its channel fails, and no other tells of the later operations.
    one = changed(one, "TC_", lambda x: np.where(one.time_s < 0.2, x, 0.0))
    b = replace(breaker(close_coil=None, auxiliary={}), interrupters=())
    found = find_operations(one, b)
    assert [o.kind for o in found] == ["open", "close", "open"]
    assert [o.reference["A"] for o in found] == ["coil", "motion", "motion"]


def test_start_of_motion_is_the_reference_where_no_coil_is_recorded() -> None:
    (op,) = find_operations(record([("open", 0.05)]), breaker(**NO_COILS))
    # Encoder steps of 0.05 mm hide the first 0.3 ms of a constant acceleration.
    assert op.reference_s["A"] == pytest.approx(0.05 + LATENCY_S["open"], abs=0.5e-3)


def test_mechanisms_commanded_ten_milliseconds_apart_are_one_operation() -> None:
    one = record([("open", 0.05), ("close", 0.38)], names="ABC", stop_s=0.6, spread_s=5e-3)
    found = find_operations(one, breaker("ABC"))
    assert [o.kind for o in found] == ["open", "close"]
    assert list(found[0].reference_s.values()) == pytest.approx([0.05, 0.055, 0.06], abs=50e-6)


@pytest.mark.parametrize("gap", [0.05, 0.1])
def test_close_open_with_a_short_dead_time_is_two_operations(gap: float) -> None:
    # The trip command comes `gap` after the contacts have closed.
    trip = 0.05 + LATENCY_S["close"] + DURATION_S + gap - LATENCY_S["open"]
    found = find_operations(record([("close", 0.05), ("open", trip)], stop_s=0.4), breaker())
    assert [o.kind for o in found] == ["close", "open"]
    assert found[0].start_s < 0.05 < found[1].start_s <= trip
    assert found[0].stop_s > 0.05 + LATENCY_S["close"] + DURATION_S


def test_trip_commanded_before_the_closing_has_ended_is_told_from_it() -> None:
    found = find_operations(record([("close", 0.05), ("open", 0.1)], stop_s=0.4), breaker())
    assert [o.kind for o in found] == ["close", "open"]
    assert [o.reference_s["A"] for o in found] == pytest.approx([0.05, 0.1], abs=50e-6)


def test_a_slow_opening_of_seconds_is_one_operation() -> None:
    one = record([("open", 0.3)], stop_s=8.0, rate_hz=5e3, duration_s=6.0)
    (op,) = find_operations(one, breaker(**NO_COILS))
    assert op.kind == "open"
    assert op.stop_s == one.time_s[-1]


@pytest.mark.parametrize("prefix", ["TC_", "TRV_", "U_", "I_"])
def test_polarity_of_a_sensor_changes_nothing(prefix: str) -> None:
    one = record(SEQUENCE, stop_s=1.0)
    plain, turned = find_operations(one, breaker()), find_operations(changed(one, prefix, np.negative), breaker())
    for a, b in zip(plain, turned, strict=True):
        assert a.kind == b.kind
        assert list(a.reference_s.values()) == pytest.approx(list(b.reference_s.values()), abs=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_shifting_the_events_shifts_the_operations(seed: int) -> None:
    a = find_operations(record([("open", 0.05)], seed=seed), breaker())
    b = find_operations(record([("open", 0.0731)], seed=seed), breaker())
    assert b[0].reference_s["A"] - a[0].reference_s["A"] == pytest.approx(0.0231, abs=50e-6)


def test_skew_of_the_coil_channel_is_honoured() -> None:
    one = record([("open", 0.05)])
    late = replace(one, channels=tuple(replace(c, skew_s=2e-4) if c.name == "TC_A" else c for c in one.channels))
    moved = find_operations(late, breaker())[0].reference_s["A"] - find_operations(one, breaker())[0].reference_s["A"]
    assert moved == pytest.approx(2e-4, abs=1e-9)


def test_missing_samples_do_not_make_operations() -> None:
    def holes(x: np.ndarray) -> np.ndarray:
        y = x.copy()
        y[np.random.default_rng(1).integers(0, y.size, 200)] = np.nan
        return y

    one = record(SEQUENCE, stop_s=1.0)
    for prefix in ("TC_", "CC_", "TRV_", "U_", "I_", "a_", "b_"):
        one = changed(one, prefix, holes)
    assert [o.kind for o in find_operations(one, breaker())] == ["open", "close", "open"]


def test_swapped_coils_are_overruled_by_the_electrical_state() -> None:
    b = breaker()
    swapped = replace(
        b, mechanisms=tuple(replace(m, trip_coil=m.close_coil, close_coil=m.trip_coil) for m in b.mechanisms)
    )
    assert [o.kind for o in find_operations(record(SEQUENCE, stop_s=1.0), swapped)] == ["open", "close", "open"]


def test_a_record_without_an_operation_is_refused_with_place_and_mend() -> None:
    still = record([("open", 5.0)], stop_s=0.3)
    with pytest.raises(RecordError, match=r"handmade\.cfg, operations: no opening or closing.*check that"):
        find_operations(still, breaker())


def test_a_coil_that_moves_nothing_is_no_operation() -> None:
    one = record([("open", 0.05)])
    still = record([("open", 5.0)])
    coils = {c.name: c for c in one.channels if c.name.startswith("TC_")}
    stuck = replace(still, channels=tuple(coils.get(c.name, c) for c in still.channels))
    with pytest.raises(RecordError, match="a coil was energised but nothing moved"):
        find_operations(stuck, breaker())


def test_source_switched_off_is_no_opening() -> None:
    still = record([("open", 5.0)])
    off = still.time_s > 0.2
    one = changed(still, "I_", lambda x: np.where(off, 0.0, x))
    one = changed(one, "U_", lambda x: np.where(off, 0.0, x))
    with pytest.raises(RecordError, match="no opening or closing"):
        find_operations(one, breaker(trip_coil=None, close_coil=None, travel=None, auxiliary={}))


def test_part_separations_of_a_slow_opening_are_no_operations_of_their_own() -> None:
    one = record([("open", 0.3)], stop_s=8.0, rate_hz=5e3, duration_s=6.0)
    rng = np.random.default_rng(2)

    def flicker(x: np.ndarray) -> np.ndarray:
        y = x.copy()
        for begin in rng.uniform(2.2, 2.9, 40):
            y[int(begin * 5e3) : int(begin * 5e3) + int(rng.integers(1, 60))] = 8.0
        return y

    alone = breaker(trip_coil=None, close_coil=None, travel=None, auxiliary={})
    assert [o.kind for o in find_operations(changed(one, "U_", flicker), alone)] == ["open"]


def test_crosstalk_from_the_other_coil_does_not_fire() -> None:
    one = record(SEQUENCE, stop_s=1.0)
    leak = 0.06 * one.channel("TC_A").samples
    found = find_operations(changed(one, "CC_", lambda x: x + leak), breaker())
    assert [o.kind for o in found] == ["open", "close", "open"]


def test_a_trip_coil_energised_again_while_open_is_no_operation() -> None:
    one = record([("open", 0.05)], stop_s=0.6)
    again = np.where((one.time_s > 0.4) & (one.time_s < 0.43), 3.0, 0.0)
    assert len(find_operations(changed(one, "TC_", lambda x: x + again), breaker())) == 1


TRUTH = Path(__file__).parent / "data" / "records"
FILES = {
    "open-close-open": "record.cfg",
    "open-100A-csv": "record.csv",
    "close-two-per-pole": "record.cfg",
    "series-injection": "record.cfg",
}


@pytest.mark.parametrize("name", FILES)
def test_commands_and_kinds_of_the_records_with_known_truth(name: str) -> None:
    text = (TRUTH / name / "breaker.toml").read_text(encoding="utf-8")
    drawn = tomllib.loads(text)
    b = Breaker(
        drawn["breaker"]["name"],
        tuple(Mechanism(**(m | {"travel": TravelSensor(**m["travel"])})) for m in drawn["mechanism"]),
        tuple(Interrupter(**i) for i in drawn["interrupter"]),
    )
    truth = json.loads((TRUTH / name / "truth.json").read_text(encoding="utf-8"))["truth"]
    wanted = sorted({(t["t_command_ms"], {"O": "open", "C": "close"}[t["operation"]]) for t in truth})
    one = read(TRUTH / name / FILES[name])
    found = find_operations(one, b)
    assert [o.kind for o in found] == [kind for _, kind in wanted]
    for op, (command_ms, _) in zip(found, wanted, strict=True):
        assert set(op.reference.values()) == {"coil"}
        np.testing.assert_allclose([1e3 * t for t in op.reference_s.values()], command_ms, atol=0.05)
    for m in b.mechanisms:
        mm = travel_of(one, m, found, instrument=b.instrument)
        assert mm is not None
        for t in (t for t in truth if t["interrupter"].startswith(m.name)):
            for which in ("main", "arcing"):
                instant = 1e-3 * (t["t_command_ms"] + t[f"{which}_ms"])
                assert at(mm, one.time_s, instant) == pytest.approx(t[f"{which}_travel_mm"], abs=0.1)
