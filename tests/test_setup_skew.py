"""Skew between voltage and current that the record does not declare."""

from dataclasses import replace

import numpy as np
import pytest

from drm.breaker import Breaker
from drm.operations import find_operations
from drm.quantity import Quantity
from drm.record import Record
from drm.resistance import Trace
from drm.setup_skew import LARGEST_SKEW, events_of, pooled, skew_of, without_skew
from drm.synthetic import Scenario, named, simulate
from drm.traces import Unusable, trace_of

STEP_S = 50e-6


def scenario(late_us: float = 0.0, **injection: float) -> Scenario:
    """Two interrupters opened and closed; the voltages come `late_us` after the currents."""
    s = named("open")
    return replace(
        s,
        interrupters_per_pole=2,
        sequence="OC",
        commands_ms=(50.0, 300.0),
        length_ms=550.0,
        chain=replace(s.chain, skew_us=-late_us),
        injection=replace(s.injection, **injection),
    )


def undeclared(s: Scenario, seed: int) -> tuple[Record, Breaker]:
    made = simulate(s, rng=np.random.default_rng(seed))
    return replace(made.record, channels=tuple(replace(c, skew_s=0.0) for c in made.record.channels)), made.breaker


def traces(s: Scenario, seed: int) -> list[Trace]:
    record, breaker = undeclared(s, seed)
    got = [
        trace_of(record, i, o, frequency_hz=50.0)
        for o in find_operations(record, breaker)
        for i in breaker.interrupters
    ]
    return [t[0] for t in got if not isinstance(t, Unusable)]


@pytest.mark.parametrize("late_us", [-500.0, -130.0, 0.0, 70.0, 333.0, 500.0])
def test_skew_is_told_to_its_stated_uncertainty(late_us):
    got = [t for seed in range(3) for t in traces(scenario(late_us), seed)]
    assert len(got) == 12
    # A voltage that falls after the current has begun to flow is late, or the contact bounced in between: see below.
    skews = [s for t in got if (s := skew_of(t)) or t.kind == "open"]
    assert len(skews) == 12 or late_us > 0.0
    errors = np.array([(s.value - 1e-6 * late_us) / s.u for s in skews])
    assert float(np.sqrt(np.mean(errors**2))) < 1.5
    assert float(np.abs(errors).max()) < 4.0
    assert all(0.0 < s.u < STEP_S for s in skews)


def test_a_closing_whose_touch_hides_above_the_ceiling_tells_no_late_voltage():
    """While a bouncing contact arcs, current flows and the voltage stays high: circuit law, not a skew."""
    closing = next(t for t in traces(scenario(), 4) if t.kind == "close")
    first = int(np.flatnonzero(closing.current_a > 0.2 * closing.injected_a)[0])
    arcs = closing.voltage_v.copy()
    arcs[: first + 12] = closing.ceiling_v if np.isfinite(closing.ceiling_v) else 10.0
    assert not skew_of(replace(closing, voltage_v=arcs, ceiling_v=float(np.nanmax(arcs))))
    assert np.isnan(events_of(replace(closing, voltage_v=arcs, ceiling_v=float(np.nanmax(arcs)))).lag_s)


@pytest.mark.parametrize("many", [-7, -2, 3, 9])
def test_moving_one_channel_by_whole_samples_moves_the_skew_by_as_much(many):
    trace = traces(scenario(), 4)[0]
    moved = replace(trace, voltage_v=np.roll(trace.voltage_v, many))
    assert skew_of(moved).value - skew_of(trace).value == pytest.approx(many * STEP_S, abs=0.3 * STEP_S)


def test_what_is_taken_out_is_gone():
    trace = traces(scenario(400.0), 1)[0]
    late = skew_of(trace)
    left = skew_of(without_skew(trace, late.value))
    assert abs(late.value) > 300e-6
    assert abs(left.value) < 2.0 * late.u


def test_nothing_to_take_out_leaves_the_trace_alone():
    trace = traces(scenario(), 1)[0]
    assert without_skew(trace, 0.0) is trace


def test_no_skew_is_told_where_the_current_goes_on_past_the_parted_contact():
    # With both ends earthed the current goes on through the loop: the two channels show nothing in common.
    assert not any(skew_of(t) for t in traces(scenario(300.0, earth_loop_mohm=2.0), 0))


def test_the_events_of_voltage_and_current_do_not_look_at_one_another():
    trace = traces(scenario(), 2)[0]
    other = replace(trace, voltage_v=np.roll(trace.voltage_v, 40))
    assert events_of(other).current_s == events_of(trace).current_s
    assert events_of(other).voltage_s - events_of(trace).voltage_s == pytest.approx(40 * STEP_S, abs=0.3 * STEP_S)


def test_pooling_is_robust_and_never_more_certain_than_the_filters():
    one = Quantity(1e-4, 2e-5)
    several = pooled([one, one, one, Quantity(5e-3, 2e-5)])
    assert several.value == pytest.approx(1e-4)
    assert several.u >= 0.7 * one.u
    assert not pooled([Quantity()])


def test_half_a_millisecond_is_within_what_is_taken_out():
    assert LARGEST_SKEW > 0.5e-3


def test_missing_samples_stay_missing_and_spoil_no_others():
    trace = traces(scenario(), 1)[0]
    holes = trace.voltage_v.copy()
    holes[[100, 500, 501]] = np.nan
    moved = without_skew(replace(trace, voltage_v=holes), 3 * STEP_S)
    assert np.flatnonzero(~np.isfinite(moved.voltage_v)).size <= 5
    assert set(np.flatnonzero(~np.isfinite(moved.voltage_v))) >= {97, 497, 498}
    assert skew_of(replace(trace, voltage_v=holes)).value == pytest.approx(skew_of(trace).value, abs=1e-9)
