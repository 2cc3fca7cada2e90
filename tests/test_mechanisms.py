"""Figures of the mechanisms, against motions made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from handmade import DURATION_S, OVERTRAVEL_MM, STROKE_MM, breaker, changed, record

from drm.breaker import Breaker
from drm.mechanisms import COLUMNS, mechanism_table
from drm.operations import find_operations
from drm.record import Channel, Record
from drm.travel import travel_of

SEQUENCE = [("open", 0.05), ("close", 0.38), ("open", 0.8)]


def table(
    one: Record, b: Breaker | None = None, instants: dict[tuple[int, str], list[float]] | None = None
) -> pd.DataFrame:
    b = breaker() if b is None else b
    operations = find_operations(one, b)
    travels = {m.name: travel_of(one, m, operations, instrument=b.instrument) for m in b.mechanisms}
    return mechanism_table(one, b, operations, travels, instants)


def test_one_row_for_each_operation_and_mechanism_with_every_column() -> None:
    got = table(record(SEQUENCE, stop_s=1.0))
    assert list(zip(got.operation, got.kind, got.mechanism, strict=True)) == [
        (n, k, m) for n, k in ((1, "open"), (2, "close"), (3, "open")) for m in "AB"
    ]
    assert set(got.reference) == {"coil"}
    for name, has_u in COLUMNS.items():
        assert name in got
        assert (f"{name}_u" in got) == has_u


def test_stroke_overtravel_and_speed_are_those_of_the_motion() -> None:
    got = table(record(SEQUENCE, stop_s=1.0))
    np.testing.assert_allclose(got.stroke_mm, STROKE_MM, atol=0.1)
    np.testing.assert_allclose(got.overtravel_mm, OVERTRAVEL_MM, atol=0.1)
    np.testing.assert_allclose(got.rebound_mm, 0.0, atol=0.06)
    # handmade.path(): constant speed beyond a ninth of the stroke.
    np.testing.assert_allclose(got.speed_m_s, STROKE_MM / 0.9 / DURATION_S * 1e-3, rtol=0.01)
    assert (got.speed_m_s_u > 0.005 * got.speed_m_s).all()


def test_rebound_is_how_far_it_comes_back() -> None:
    one = record([("open", 0.05)])
    back = (one.time_s > 0.11) & (one.time_s < 0.12)
    got = table(changed(one, "TRV_", lambda x: x - np.where(back, 1.5, 0.0)))
    np.testing.assert_allclose(got.rebound_mm, 1.5, atol=0.06)


def test_times_count_the_last_interrupter() -> None:
    got = table(record(SEQUENCE, stop_s=1.0), instants={(1, "A"): [27.1, 27.9, 27.4], (2, "A"): [60.0, 61.5]})
    rows = got.set_index(["operation", "mechanism"])
    assert rows.loc[(1, "A"), "opening_time_ms"] == 27.9
    assert rows.loc[(2, "A"), "closing_time_ms"] == 61.5
    assert np.isnan(rows.loc[(1, "A"), "closing_time_ms"])
    assert np.isnan(rows.loc[(2, "A"), "opening_time_ms"])
    assert np.isnan(rows.loc[(1, "B"), "opening_time_ms"])
    # Half a sample's, and the coil's onset's.
    u = np.hypot(0.05 / np.sqrt(12.0), 1e3 * rows.loc[(1, "A"), "coil_onset_s_u"])
    assert rows.loc[(1, "A"), "opening_time_ms_u"] == pytest.approx(u)


def test_time_is_not_guessed_where_one_interrupter_is_unknown() -> None:
    got = table(record([("open", 0.05)]), instants={(1, "A"): [27.1, float("nan")]})
    assert got.opening_time_ms.isna().all()


def test_coil_figures_are_those_of_the_pulse() -> None:
    got = table(record([("open", 0.05)]))
    np.testing.assert_allclose(got.coil_onset_s, 0.05, atol=50e-6)
    # handmade.record(): 4 A, L/R 8 ms, cut off after 35 ms.
    np.testing.assert_allclose(got.coil_peak_a, 4.0 * -np.expm1(-35.0 / 8.0), atol=0.05)
    np.testing.assert_allclose(got.coil_duration_ms, 35.0, atol=0.15)


@pytest.mark.parametrize("prefix", ["TC_", "TRV_"])
def test_polarity_of_a_sensor_changes_no_figure(prefix: str) -> None:
    one = record([("open", 0.05)])
    columns = ["stroke_mm", "overtravel_mm", "rebound_mm", "speed_m_s", "coil_onset_s", "coil_peak_a"]
    pd.testing.assert_frame_equal(
        table(one)[columns], table(changed(one, prefix, np.negative))[columns], check_exact=False, rtol=1e-6
    )


def test_auxiliary_contacts_count_from_the_onset() -> None:
    one = record([("open", 0.05)])
    got = table(one)
    mm = one.channel("TRV_A").samples
    for role, level in (("a", 45.0), ("b", 90.0)):
        crossing = float(one.time_s[np.flatnonzero(mm > level)[0]])
        np.testing.assert_allclose(got[f"auxiliary_{role}_ms"], (crossing - 0.05) * 1e3, atol=0.15)


def test_without_a_coil_the_start_of_motion_is_the_reference() -> None:
    got = table(record([("open", 0.05)]), breaker(trip_coil=None, close_coil=None))
    assert set(got.reference) == {"motion"}
    assert got.coil_onset_s.isna().all()
    np.testing.assert_allclose(got.stroke_mm, STROKE_MM, atol=0.1)


def test_without_travel_nothing_in_mm_is_given() -> None:
    got = table(record([("open", 0.05)]), breaker(travel=None))
    assert got[["stroke_mm", "overtravel_mm", "rebound_mm", "speed_m_s"]].isna().all(axis=None)
    assert got.coil_peak_a.notna().all()


def test_motor_current_gives_peak_and_running_time() -> None:
    one = record([("close", 0.05)], stop_s=1.0)
    t = one.time_s
    run = (t > 0.2) & (t < 0.7)
    amps = np.where(run, 5.0 + 15.0 * np.exp(-(t - 0.2) / 0.05), 0.0)
    one = replace(one, channels=(*one.channels, Channel("M", "A", amps)))
    got = table(one, breaker(motor="M"))
    np.testing.assert_allclose(got.motor_peak_a, 20.0, rtol=0.03)
    np.testing.assert_allclose(got.motor_duration_s, 0.5, atol=0.03)


def test_mechanism_that_stands_still_has_no_stroke() -> None:
    one = changed(record([("open", 0.05)]), "TRV_B", lambda x: np.zeros_like(x))
    rows = table(one).set_index("mechanism")
    assert rows.loc["B", "stroke_mm"] == pytest.approx(0.0, abs=0.1)
    assert np.isnan(rows.loc["B", "speed_m_s"])
