"""What the interrupters of one operation say about one another: how long the current takes to move."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from test_commutation import MOVE_S, fit, trace

import drm
from drm import operation_zones
from drm.breaker import Interrupter
from drm.quantity import Quantity
from drm.synthetic import simulate
from drm.synthetic.conditions import draw
from drm.zones import Zones


def knee(seed: int) -> tuple[float, float]:
    """Errors of the middle, s, without and with what like contacts say of the duration."""
    time, volt, amps, middle = trace(np.random.default_rng(seed), fluctuation=0.3)
    alone, beside = (fit(time, volt, amps, alike_s=s).middle_s for s in (0.0, MOVE_S))
    return alone.value - middle, beside.value - middle


def test_how_long_like_contacts_take_makes_a_fluctuating_ones_move_better_known() -> None:
    alone, beside = np.array([knee(seed) for seed in range(150)]).T
    assert np.sqrt((beside**2).mean()) < 0.9 * np.sqrt((alone**2).mean())


def test_a_move_much_shorter_than_its_likes_is_less_sure() -> None:
    time, volt, amps, _ = trace(np.random.default_rng(4), fluctuation=0.15)
    usual, longer = (fit(time, volt, amps, alike_s=s).middle_s.u for s in (MOVE_S, 6.0 * MOVE_S))
    assert longer > 1.5 * usual


def test_where_the_trace_tells_the_duration_its_likes_say_nothing() -> None:
    time, volt, amps, _ = trace(np.random.default_rng(1))
    alone, beside = (fit(time, volt, amps, alike_s=s) for s in (0.0, 3.0 * MOVE_S))
    assert abs(beside.duration_s.value - alone.duration_s.value) < 0.3 * alone.duration_s.u
    assert abs(beside.middle_s.value - alone.middle_s.value) < 0.3 * alone.middle_s.u


def found(name: str, duration_s: float, **more: Any) -> operation_zones.Found:
    zones = Zones(commutation_s=Quantity(duration_s, 1e-5), **more)
    return Interrupter(name, "A", 1, "A", f"U_{name}", f"I_{name}"), None, zones, None


def test_a_fluctuating_contact_is_told_the_median_of_the_others() -> None:
    four = [found("a", 1e-4, fluctuating=True), found("b", 6e-4), found("c", 8e-4), found("d", 7e-4)]
    assert operation_zones._alike(four) == {"a": pytest.approx(7e-4)}


def test_a_reading_that_is_doubtful_says_nothing_of_the_others() -> None:
    doubtful = found("d", 5e-3, reasons=("the current goes down and up",))
    four = [found("a", 1e-4, fluctuating=True), found("b", 6e-4), found("c", 8e-4), doubtful]
    assert operation_zones._alike(four) == {"a": pytest.approx(7e-4)}


def test_one_other_interrupter_says_nothing() -> None:
    """Of two that differ either may be the one that is wrong."""
    assert operation_zones._alike([found("a", 1e-4, fluctuating=True), found("b", 6e-4)]) == {}


@pytest.mark.parametrize(
    ("seed", "who", "operation"), [((2048, 799), "A1", 1), ((2050, 901), "B2", 1), ((2057, 548), "A2", 2)]
)
def test_a_contact_that_still_reads_closed_has_not_half_moved(seed: tuple[int, int], who: str, operation: int) -> None:
    """Closed samples behind a filter that rings pass for a fluctuation, an impulse before the move for the move; and
    an impulse after it for a closed contact.
    """
    rng = np.random.default_rng(seed)
    made = simulate(draw(rng)[1], rng=rng)
    features = drm.diagnose(made.record, made.breaker).features
    true = next(t for t in made.truth if (t.interrupter, t.operation) == (who, operation))
    (row,) = features[(features["interrupter"] == who) & (features["operation"] == operation)].to_dict("records")
    assert row["main_contact_ms"] == pytest.approx(true.main_ms, abs=0.1)


def test_a_source_may_stand_with_less_across_the_parted_contact_than_metal_could_bear() -> None:
    """In its limit: one volt, where no metal bears 1.1 V at its own current; the touch is where that volt goes."""
    rng = np.random.default_rng([78, 66])
    made = simulate(draw(rng, condition="limited_source")[1], rng=rng)
    rows = drm.diagnose(made.record, made.breaker).features.set_index(["interrupter", "operation"])
    for t in made.truth:
        if t.kind == "close":
            assert rows.loc[(t.interrupter, t.operation), "arcing_contact_ms"] == pytest.approx(t.arcing_ms, abs=0.1)
