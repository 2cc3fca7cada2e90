"""An edit costs what it changes, and changes nothing else: steps worked out before are kept and answer alike."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from review_fixture import RECORDS

import drm
from drm import reading
from drm.edits import Edit
from drm.kept import ROUNDS, Kept, keeping, kept
from drm.pipeline import Seen, conclude, see
from drm.quantity import Quantity

NOW = "2026-01-02T03:04:05+00:00"
MOVE = Edit(1, "move", 1, "A2", "R. Person", NOW, "seen", instant="arcing")


def seen_in(name: str = "series-injection") -> Seen:
    return see(drm.read(RECORDS / name / "record.cfg"), drm.Breaker.load(RECORDS / name / "breaker.toml"))


@pytest.fixture(scope="module")
def seen() -> Seen:
    return seen_in()


# -- the store

CALLS: list[object] = []


@kept
def step(*args: object) -> int:
    CALLS.append(args)
    return len(CALLS)


@pytest.fixture(autouse=True)
def _none_yet() -> None:
    CALLS.clear()


@pytest.mark.parametrize(
    ("one", "same"),
    [
        (1.5, 1.5),
        (math.nan, float("nan")),
        ([1, "a"], (1, "a")),
        ({"a": (math.nan,)}, {"a": (float("nan"),)}),
        (Quantity(1.0, math.nan), Quantity(1.0, float("nan"))),
    ],
)
def test_what_is_equal_is_answered_from_the_store(one: object, same: object) -> None:
    with keeping(Kept()):
        assert step(one) == step(same) == 1


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (1.0, 2.0),
        ("a", "b"),
        (None, math.nan),
        (Quantity(1.0, 0.1), Quantity(1.0, 0.2)),
        (Quantity(1.0, 0.1), (1.0, 0.1)),
        (np.zeros(3), np.zeros(3)),
    ],
)
def test_what_differs_is_worked_out_anew(one: object, other: object) -> None:
    with keeping(Kept()):
        assert (step(one), step(other)) == (1, 2)


def test_without_a_store_nothing_is_kept() -> None:
    assert (step(1), step(1)) == (1, 2)


def test_an_array_that_is_gone_does_not_answer_for_another_in_its_place() -> None:
    with keeping(Kept()):
        assert [step(np.full(100, float(k))) for k in range(50)] == list(range(1, 51))


def test_what_nobody_asks_for_any_more_is_let_go() -> None:
    store = Kept()
    with keeping(store):
        step("once")
    for _ in range(ROUNDS + 1):
        with keeping(store):
            step("always")
    assert len(store) == 1
    with keeping(store):
        assert step("always") == 2
        assert step("once") == 3


# -- edits


@settings(max_examples=12, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["A1", "A2", "C1", "C2"]),
            st.sampled_from(["main", "arcing"]),
            st.one_of(st.none(), st.floats(-3e-4, 3e-4)),
            st.sampled_from([math.nan, 5e-5]),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_edits_one_after_the_other_give_what_each_gives_by_itself(seen: Seen, moves: list[tuple]) -> None:  # type: ignore[type-arg]
    """C1 and C2 are injected in series: where one parts decides what the other's trace can tell."""
    first = {r.interrupter.name: r for r in conclude(seen).readings}
    edits: list[Edit] = []
    for number, (who, instant, shift, u) in enumerate(moves, start=1):
        own = getattr(first[who].zones, f"{instant}_s").value
        at = math.nan if shift is None or not math.isfinite(own) else own + shift
        edits.append(replace(MOVE, number=number, interrupter=who, instant=instant, at_s=at, u_s=u))
        got, alone = conclude(seen, edits=edits), conclude(replace(seen, kept=Kept()), edits=edits)
        for table in ("features", "mechanisms", "timing", "curves", "automatic"):
            pd.testing.assert_frame_equal(getattr(got, table), getattr(alone, table))
        assert [repr(f) for f in got.findings] == [repr(f) for f in alone.findings]


def test_an_edit_measures_one_reading_and_no_other(seen: Seen, monkeypatch: pytest.MonkeyPatch) -> None:
    """The main instant: the arcing one would also end the current of those in series."""
    conclude(seen)
    measured: list[float] = []
    measure = reading.measure

    def counted(observation: object) -> dict[str, float]:
        measured.append(1.0)
        return measure(observation)  # type: ignore[arg-type]

    monkeypatch.setattr(reading, "measure", counted)
    at = next(r for r in conclude(seen).readings if r.interrupter.name == "A2").zones.main_s.value
    conclude(seen, edits=[replace(MOVE, instant="main", at_s=at + 1e-4)])
    assert len(measured) == 1
    conclude(seen, edits=[replace(MOVE, instant="main", at_s=at + 1e-4)])
    assert len(measured) == 1


def test_what_follows_from_the_travel_alone_is_not_looked_at_again(seen: Seen, monkeypatch: pytest.MonkeyPatch) -> None:
    first = conclude(seen)
    at = next(r for r in first.readings if r.interrupter.name == "A2").zones.arcing_s.value

    def refused(*_: object, **__: object) -> None:
        raise AssertionError("worked out again")

    monkeypatch.setattr("drm.stroke.speed", refused)
    monkeypatch.setattr("drm.coil_shape._armature", refused)
    monkeypatch.setattr("drm.setup_scale._level", refused)
    moved = conclude(seen, edits=[replace(MOVE, at_s=at + 2e-4)])
    assert moved.mechanisms["stroke_mm"].tolist() == first.mechanisms["stroke_mm"].tolist()
    assert moved.features["arcing_contact_ms"].tolist() != first.features["arcing_contact_ms"].tolist()
