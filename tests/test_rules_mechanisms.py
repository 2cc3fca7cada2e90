"""Rules about mechanisms: what they say, of whom, on what ground, and when they are silent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from drm.breaker import Breaker, Interrupter, Limit, Mechanism, ReferenceTravel
from drm.rules.context import Context
from drm.rules.limits import file_limits
from drm.rules.mechanisms import envelope, mechanisms_apart, resistors, sensors, shifted_instants

NAMES = "ABC"


def breaker(**unit: object) -> Breaker:
    mechanisms = tuple(Mechanism(n) for n in NAMES)
    units = tuple(Interrupter(f"{n}{k}", n, k, n, "U", "I", **unit) for n in NAMES for k in (1, 2))
    return Breaker("rules", mechanisms, units)


def context(mechanisms: pd.DataFrame | None = None, timing: pd.DataFrame | None = None, b: Breaker | None = None):
    return Context(
        pd.DataFrame(),
        pd.DataFrame() if mechanisms is None else mechanisms,
        None,
        b or breaker(),
        (),
        {"timing": timing},
    )


def parts(**changes: dict[str, float]) -> pd.DataFrame:
    """Rows of an opening: 15 ms of latch, 10 ms of run, no offset; changes by mechanism or interrupter."""
    rows = []
    for n in NAMES:
        for k in (1, 2):
            row = {"operation": 1, "kind": "open", "scope": "interrupter", "name": f"{n}{k}"}
            values = (
                {"latch_ms": 15.0, "run_ms": 10.0, "offset_ms": 0.0} | changes.get(n, {}) | changes.get(f"{n}{k}", {})
            )
            rows.append(row | values | {f"{c}_u": 0.03 for c in values})
    return pd.DataFrame(rows)


def test_a_slow_latch_is_one_finding_of_the_mechanism_with_all_that_it_drives():
    (found,) = shifted_instants(context(timing=parts(B={"latch_ms": 19.0})))
    assert found.code == "mechanism.slow-latch"
    assert found.subject == "mechanism"
    assert found.interrupters == ("B1", "B2")
    assert found.level == "inspect"
    assert found.evidence["shift_ms"] == pytest.approx(4.0)
    assert "4.00 ms late" in found.message
    assert "isolate" in found.advice


def test_a_slow_mechanism_and_a_misadjusted_contact_have_names_of_their_own():
    (slow,) = shifted_instants(context(timing=parts(C={"run_ms": 13.0})))
    assert (slow.code, slow.interrupters) == ("mechanism.slow-mechanism", ("C1", "C2"))
    (contact,) = shifted_instants(context(timing=parts(A2={"offset_ms": 2.5})))
    assert (contact.code, contact.interrupters, contact.subject) == ("mechanism.misadjusted-contact", ("A2",), "timing")
    assert contact.level == "watch"


@pytest.mark.parametrize(("stop", "words"), [(14.0, "coil and its supply first"), (10.0, "the latch itself is slow")])
def test_the_armature_tells_the_coil_from_the_latch(stop, words):
    table = pd.DataFrame({"operation": [1] * 3, "mechanism": list(NAMES), "armature_stop_ms": [10.0, stop, 10.1]})
    (found,) = shifted_instants(context(table, parts(B={"latch_ms": 19.0})))
    assert words in found.message


def test_like_mechanisms_are_silent():
    assert not list(shifted_instants(context(timing=parts(B={"latch_ms": 15.8}))))
    assert not list(shifted_instants(context(timing=None)))


def figures(column: str, values: list[float], u: float = 0.0) -> pd.DataFrame:
    return pd.DataFrame(
        {"operation": [1] * 3, "kind": ["open"] * 3, "mechanism": list(NAMES), column: values, f"{column}_u": [u] * 3}
    )


@pytest.mark.parametrize(
    ("column", "values", "level"),
    [
        ("speed_m_s", [6.5, 6.6, 4.9], "inspect"),
        ("speed_m_s", [6.5, 6.6, 5.9], "watch"),
        ("speed_m_s", [6.5, 6.6, 6.3], None),
        ("motor_duration_s", [8.0, 8.1, 12.0], "inspect"),
        ("coil_resistance_ohm", [40.0, 40.5, 30.0], "inspect"),
        ("rebound_mm", [1.0, 1.2, 5.5], "inspect"),
        ("speed_m_s", [6.5, np.nan, 4.9], None),
        ("speed_m_s", [6.5, 5.5, 4.5], None),
    ],
)
def test_a_mechanism_far_from_two_that_agree_stands_apart(column, values, level):
    found = list(mechanisms_apart(context(figures(column, values))))
    assert [f.level for f in found] == ([level] if level else [])
    if level:
        assert found[0].interrupters == ("C1", "C2")
        assert found[0].code == f"mechanism.apart.{column}"


def test_an_uncertain_figure_does_not_stand_apart():
    assert not list(mechanisms_apart(context(figures("speed_m_s", [6.5, 6.6, 4.9], u=1.0))))


def enveloped(above: float, below: float, u: float, *, band: tuple[float, float]) -> Context:
    b = breaker()
    b = replace(
        b, mechanisms=(replace(b.mechanisms[0], reference_travel=ReferenceTravel("r.csv", *band)), *b.mechanisms[1:])
    )
    row = {"operation": 1, "kind": "open", "mechanism": "A"}
    row |= {"envelope_above_percent": above, "envelope_above_percent_u": u}
    row |= {"envelope_below_percent": below, "envelope_below_percent_u": u}
    return context(pd.DataFrame([row]), b=b)


@pytest.mark.parametrize(
    ("above", "below", "band", "found"),
    [
        (4.0, 4.0, (5.0, 5.0), []),
        (7.0, 0.0, (5.0, 5.0), [("mechanism.envelope-above", "inspect")]),
        (5.8, 0.0, (5.0, 5.0), [("mechanism.envelope-above", "watch")]),
        (7.0, 0.0, (10.0, 0.0), []),
        (0.0, 3.0, (10.0, 0.0), [("mechanism.envelope-below", "inspect")]),
        (0.0, 7.0, (0.0, 10.0), []),
        (0.2, 0.2, (10.0, 0.0), []),
    ],
)
def test_envelope_of_five_or_ten_percent(above, below, band, found):
    # IEC 62271-100, annex on mechanical travel (from memory): ±5, +10/-0 or +0/-10 % of total travel.
    assert [(f.code, f.level) for f in envelope(enveloped(above, below, 0.5, band=band))] == found


def test_a_sensors_fault_is_one_of_the_test_and_none_of_the_breaker():
    table = pd.DataFrame({"operation": [1, 2], "mechanism": ["A", "A"], "travel_flags": ["slip: x", ""]})
    (found,) = sensors(context(table))
    assert (found.subject, found.level, found.operations) == ("setup", "note", (1,))


@pytest.mark.parametrize(
    ("ohm", "duration", "code"),
    [
        (450.0, 10.0, None),
        (480.0, 10.0, None),
        (600.0, 10.0, "contact.resistor-value"),
        (np.nan, np.nan, "setup.resistor-not-seen"),
        (np.nan, 9.0, None),
    ],
)
def test_resistors_against_their_stated_value(ohm, duration, code):
    rows = [
        {"operation": 1, "kind": "close", "scope": "interrupter", "name": f"{n}{k}"}
        | {"resistor_ohm": ohm, "resistor_ohm_u": 3.0, "resistor_duration_ms": duration}
        for n in NAMES
        for k in (1, 2)
    ]
    found = list(resistors(context(timing=pd.DataFrame(rows), b=breaker(resistor_ohm=450.0))))
    assert {f.code for f in found} == ({code} if code else set())


@pytest.mark.parametrize(("most", "level"), [(350.0, None), (330.0, "inspect"), (335.95, "watch")])
def test_a_limit_may_name_a_time_of_the_whole_breaker(most, level):
    row = {"operation": 2, "kind": "close", "scope": "breaker", "name": "rules"}
    row |= {"open_close_time_ms": 335.9, "open_close_time_ms_u": 0.05}
    b = replace(breaker(), limits={"open_close_time_ms": Limit(None, most)})
    found = list(file_limits(context(timing=pd.DataFrame([row]), b=b)))
    assert [(f.level, f.subject, f.interrupters) for f in found] == ([(level, "timing", ())] if level else [])


def test_a_limit_on_bounce_names_the_interrupter():
    rows = [
        {"operation": 1, "kind": "close", "scope": "interrupter", "name": f"{n}1", "bounce_ms": ms, "bounce_ms_u": 0.02}
        for n, ms in (("A", 0.4), ("B", 3.1))
    ]
    b = replace(breaker(), limits={"bounce_ms": Limit(None, 2.0)})
    (found,) = file_limits(context(timing=pd.DataFrame(rows), b=b))
    assert found.interrupters == ("B1",)
