"""Travels and voltages that fit another mechanism than the one they are named for, on hand-made motions."""

import numpy as np
import pytest

from drm.operations import Operation
from drm.setup_travel import Happening, exchanged_across, wrong_pole, wrong_time

T = np.arange(0.0, 0.2, 5e-5)
#: Start of motion after the coil, s, and speed, m/s, of three mechanisms.
MOTIONS = {"A": (0.014, 6.0), "B": (0.0152, 5.6), "C": (0.0145, 6.2)}
PLACES = {"main 1": 24.0, "arcing 1": 42.0}
COIL_S = 0.05
OPENING = Operation(1, "open", 0.01, 0.2, dict.fromkeys("ABC", COIL_S), dict.fromkeys("ABC", "coil"))
NAMES = {m: [f"{m}1"] for m in MOTIONS}


def travel(name: str) -> np.ndarray:
    start, speed = MOTIONS[name]
    return np.clip(1e3 * speed * (T - COIL_S - start), 0.0, 160.0)


def at(name: str, mm: float) -> float:
    start, speed = MOTIONS[name]
    return COIL_S + start + 1e-3 * mm / speed


def happenings(rng: np.random.Generator, *, units: int = 1, scatter_mm: float = 0.2) -> list[Happening]:
    out = []
    for m in MOTIONS:
        for k in range(1, units + 1):
            off = scatter_mm * rng.standard_normal()
            for what, mm in (("main", 24.0), ("arcing", 42.0)):
                out.append(Happening(1, "open", m, f"{what} {k}", at(m, mm + off), f"{m}{k}"))
        out += [Happening(1, "open", m, f"auxiliary {r}", at(m, mm)) for r, mm in (("a", 64.0), ("b", 90.0))]
    return out


def travels(**exchanged: str) -> dict[str, np.ndarray]:
    return {m: travel(exchanged.get(m, m)) for m in MOTIONS}


@pytest.mark.parametrize("pair", [("A", "B"), ("B", "C")])
def test_exchanged_sensors_are_told_by_what_happens_along_the_strokes(pair):
    a, b = pair
    for seed in range(20):
        found = list(wrong_pole(happenings(np.random.default_rng(seed)), T, travels(**{a: b, b: a}), NAMES))
        assert [f.evidence["mechanisms"] for f in found] == [[a, b]]
        assert found[0].spoils == "travel"


def test_sensors_where_they_belong_are_left_alone():
    for seed in range(200):
        assert not list(wrong_pole(happenings(np.random.default_rng(seed)), T, travels(), NAMES))


def test_a_misadjusted_pole_is_not_taken_for_exchanged_sensors():
    for seed in range(50):
        moved = [
            Happening(
                h.operation, h.kind, h.mechanism, h.what, at("B", 29.0 if "main" in h.what else 47.0), h.interrupter
            )
            if h.interrupter == "B1"
            else h
            for h in happenings(np.random.default_rng(seed))
        ]
        assert not list(wrong_pole(moved, T, travels(), NAMES))


def test_voltages_exchanged_between_poles_in_series_are_told_by_the_travels():
    for seed in range(20):
        mine = happenings(np.random.default_rng(seed), units=2)
        swap = {"A1": "B2", "B2": "A1"}
        when = {(h.interrupter, h.what.split()[0]): h.at_s for h in mine if h.interrupter}
        swapped = [
            Happening(1, "open", h.mechanism, h.what, when[swap[h.interrupter], h.what.split()[0]], h.interrupter)
            if h.interrupter in swap
            else h
            for h in mine
        ]
        assert [f.interrupters for f in exchanged_across(swapped, T, travels())] == [("A1", "B2")]
        assert not list(exchanged_across(mine, T, travels()))


def test_a_misadjusted_contact_is_not_taken_for_exchanged_voltages():
    for seed in range(50):
        moved = [
            Happening(1, "open", "A", h.what, at("A", 30.0 if "main" in h.what else 48.0), "A1")
            if h.interrupter == "A1"
            else h
            for h in happenings(np.random.default_rng(seed), units=2)
        ]
        assert not list(exchanged_across(moved, T, travels()))


@pytest.mark.parametrize("late_s", [-4e-3, 3e-3, 8e-3])
def test_a_travel_on_another_clock_is_told_from_a_mechanism_that_is_late(late_s):
    mine = happenings(np.random.default_rng(1))
    moved = travels() | {"C": np.interp(T - late_s, T, travel("C"))}
    (one,) = wrong_time(mine, T, moved, [OPENING], NAMES)
    assert one.interrupters == ("C1",)
    assert one.evidence.get("motion_late_by_ms", 1e3 * late_s) == pytest.approx(1e3 * late_s, abs=1.0)
    # The same delay of contacts and travel alike is the mechanism's.
    late = [
        Happening(1, "open", h.mechanism, h.what, h.at_s + late_s * (h.mechanism == "C"), h.interrupter) for h in mine
    ]
    assert not list(wrong_time(late, T, moved, [OPENING], NAMES))


def test_contacts_that_part_while_the_travel_stands_still_are_not_its_own():
    moved = travels() | {"A": np.interp(T - 0.05, T, travel("A"))}
    found = list(wrong_time(happenings(np.random.default_rng(1)), T, moved, [OPENING], NAMES))
    assert [f.interrupters for f in found] == [("A1",)]
    assert "stands still" in found[0].what


def test_a_travel_that_moves_before_its_coil_is_not_its_own():
    moved = {"A": np.interp(T + 0.02, T, travel("A"))}
    mine = [Happening(1, "open", "A", "main 1", at("A", 24.0) - 0.02 + 0.0, "A1")]
    (one,) = wrong_time(mine, T, moved, [OPENING], {"A": ["A1"]})
    assert "before its coil" in one.what
