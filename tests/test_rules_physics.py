"""Rules that rest on physics or on the shape of a move: melting, softening, drawn-out commutation, bounce."""

import math

import numpy as np
import pandas as pd
import pytest
from test_findings import breaker, coded
from test_siblings import healthy

from drm.findings import findings
from drm.rules.physics import COPPER_MELTS_V, COPPER_SOFTENS_V, SILVER_SOFTENS_V
from drm.siblings import compare


def table(amps: float = 200.0, **columns: float) -> pd.DataFrame:
    return healthy(6, seed=1).assign(current_a=amps, **columns)


def say(t, *, timing=None):
    return findings(t, pd.DataFrame(), compare(t), breaker(t), readings_facts={"timing": timing})


def test_voltages_of_softening_and_melting_follow_from_temperature():
    # Holm, Electric Contacts: U^2 = 4 L (Tm^2 - T0^2), L = 2.44e-8 V^2/K^2; within 10 % of his tables
    def volts(celsius: float) -> float:
        return math.sqrt(4 * 2.44e-8 * ((celsius + 273.15) ** 2 - 293.0**2))

    assert pytest.approx(volts(1083.0), rel=0.01) == COPPER_MELTS_V
    assert pytest.approx(volts(190.0), rel=0.1) == COPPER_SOFTENS_V
    assert pytest.approx(volts(150.0), rel=0.05) == SILVER_SOFTENS_V


@pytest.mark.parametrize(
    ("amps", "uohm", "named"), [(200.0, 2500.0, True), (200.0, 1500.0, False), (100.0, 2500.0, False)]
)
def test_an_arcing_contact_above_coppers_melting_voltage_is_named_whatever_its_siblings(amps, uohm, named):
    found = coded(say(table(amps, arcing_resistance_uohm=uohm)), "physics.arcing-melts")
    assert len(found) == (6 if named else 0)
    assert all(f.level == "inspect" and "Holm" in f.basis for f in found)


def test_a_voltage_within_its_uncertainty_of_melting_is_not_named():
    t = table(200.0, arcing_resistance_uohm=2100.0, arcing_resistance_uohm_u=50.0)
    assert not coded(say(t), "physics.arcing-melts")


@pytest.mark.parametrize(
    ("amps", "uohm", "soft"), [(100.0, 1150.0, False), (100.0, 1250.0, True), (400.0, 320.0, True)]
)
def test_softening_is_a_note_on_the_current_and_no_verdict(amps, uohm, soft):
    # 0.12 V: 1200 uOhm at 100 A, 300 uOhm at 400 A
    found = coded(say(table(amps, arcing_resistance_uohm=uohm)), "physics.arcing-softens")
    assert [(f.level, f.subject) for f in found] == ([("note", "setup")] if soft else [])


def test_a_main_contact_at_which_silver_softens_is_named():
    found = coded(say(table(200.0, main_resistance_uohm=600.0)), "physics.main-softens")
    assert {n for f in found for n in f.interrupters} == set(table()["interrupter"])
    assert not coded(say(table(200.0, main_resistance_uohm=400.0)), "physics.main-softens")


def drawn_out(*, times=1.0, kinds=("open", "close"), pace=6.0):
    t = healthy(6, seed=2, kinds=kinds).assign(commutation_ms=0.4, commutation_ms_u=0.05, parting_speed_m_s=pace)
    t.loc[t["interrupter"] == "C1", "commutation_ms"] *= times
    return t


@pytest.mark.parametrize(("times", "level"), [(1.3, None), (2.0, "watch"), (3.0, "inspect")])
def test_a_drawn_out_commutation_speaks_for_an_uneven_main_contact(times, level):
    found = coded(say(drawn_out(times=times)), "main.uneven")
    assert [(f.interrupters, f.level) for f in found] == ([(("C1",), level)] if level else [])


def test_one_kind_alone_must_be_drawn_out_further():
    assert not coded(say(drawn_out(times=2.0, kinds=("open",))), "main.uneven")
    assert coded(say(drawn_out(times=4.0, kinds=("open",))), "main.uneven")


def test_a_commutation_that_a_coarse_trace_hardly_tells_is_not_drawn_out():
    t = drawn_out(times=3.0)
    assert not coded(say(t.assign(commutation_ms_u=0.3)), "main.uneven")


def test_a_slower_mechanism_does_not_draw_the_commutation_out():
    t = drawn_out(times=3.0)
    t.loc[t["interrupter"] == "C1", "parting_speed_m_s"] /= 3.0
    assert not coded(say(t), "main.uneven")


def bounced(**ms: float) -> pd.DataFrame:
    names = ["A1", "A2", "B1", "B2", "C1", "C2"]
    return pd.DataFrame(
        {
            "scope": "interrupter",
            "name": names,
            "operation": 2,
            "kind": "close",
            "bounce_ms": [ms.get(n, 0.6) for n in names],
        }
    )


@pytest.mark.parametrize(("ms", "named"), [(1.5, False), (2.5, True), (6.0, True)])
def test_a_bounce_longer_than_its_siblings_is_worth_following(ms, named):
    found = coded(say(table(), timing=bounced(B1=ms)), "timing.bounce")
    assert [(f.interrupters, f.level, f.subject) for f in found] == ([(("B1",), "watch", "timing")] if named else [])


def test_all_that_bounce_long_are_named_though_alike():
    assert (
        len(
            coded(
                say(table(), timing=bounced(**dict.fromkeys(["A1", "A2", "B1", "B2", "C1", "C2"], 7.0))),
                "timing.bounce",
            )
        )
        == 6
    )


def test_opening_has_no_bounce():
    timing = bounced(B1=9.0).assign(kind="open")
    assert not coded(say(table(), timing=timing), "timing.bounce")


def test_every_finding_with_a_cure_names_its_cautions():
    t = table(200.0, arcing_resistance_uohm=2500.0, main_resistance_uohm=700.0)
    for f in say(t, timing=bounced(B1=9.0)):
        if f.subject != "setup":
            assert "Local codes" in f.advice, f.code
            assert np.isfinite([v for v in f.evidence.values() if isinstance(v, float)]).all(), f.code
