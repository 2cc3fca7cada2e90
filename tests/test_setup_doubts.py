"""A verdict between siblings that another way of connecting the test, which the record cannot exclude, would undo."""

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from test_setup_faults import bench

import drm
from drm.breaker import Breaker
from drm.findings import Finding
from drm.grounds import grounds, setup_words, unjudged
from drm.pipeline import Result, Seen, see
from drm.setup_alternatives import Alternative, alternatives
from drm.setup_doubts import instants_of
from drm.setup_reread import read_again
from drm.synthetic import Simulation, named, simulate
from drm.synthetic.conditions import draw
from drm.synthetic.scenario import Fault


@cache
def three_poles(*faults: Fault) -> Simulation:
    scenario = replace(named("open"), poles=("A", "B", "C"), interrupters_per_pole=2, faults=faults)
    return simulate(scenario, rng=np.random.default_rng(4))


@cache
def seen_and_done() -> tuple[Seen, Result]:
    s = three_poles()
    return see(s.record, s.breaker), drm.diagnose(s.record, s.breaker)


def wipes(result: Result) -> list[Finding]:
    return [f for f in result.findings if f.code.startswith("siblings.wipe")]


def assert_note(found: Finding, word: str) -> None:
    assert (found.level, found.subject) == ("note", "setup")
    assert word in found.evidence["explained_by"]
    assert "No verdict is drawn" in found.message


def exchanged_in_the_file(seed: int) -> Result:
    """Mechanisms of two poles exchanged in the breaker file; their motions differ so little that no check tells it."""
    s, _, _, rng = bench.drawn(bench.CASES["file: mechanisms of two poles exchanged"], seed)
    return drm.diagnose(*bench.CASES["file: mechanisms of two poles exchanged"].do(s, rng))


def test_a_long_wipe_that_mechanisms_exchanged_in_the_file_explain_is_a_note_that_says_so():
    result = exchanged_in_the_file(1162)
    (found,) = wipes(result)
    assert_note(found, "mechanisms exchanged between A and B")
    # Who reads the summary alone is told.
    assert "B2" in unjudged(result)
    assert any("B2 stands apart" in text for text in grounds(result).cannot)
    assert "Nothing is concluded from how B2 stands apart" in setup_words(result)


def test_a_pole_whose_wipes_mechanisms_exchanged_in_the_file_explain_is_a_note_that_says_so():
    (found,) = [f for f in exchanged_in_the_file(1014).findings if f.code == "siblings.pole"]
    assert_note(found, "mechanisms exchanged between A and B")


def test_a_long_wipe_that_a_doubtful_clock_explains_is_a_note_that_says_so():
    """The same breaker on one clock has none."""
    rng = np.random.default_rng([7, 6])
    scenario = draw(rng, condition="skew_two_devices")[1]
    chain = replace(scenario.chain, filter_hz=0.32 * scenario.chain.sample_rate_hz)
    made = simulate(replace(scenario, chain=chain), rng=rng)
    (found,) = wipes(drm.diagnose(made.record, made.breaker))
    assert_note(found, "skew of C1")


@pytest.mark.parametrize("amount", [5.0, 8.0])
def test_a_short_wipe_stays_a_verdict_whatever_the_connection(amount):
    """Another pairing moves a worn contact to another name; it does not heal it."""
    s = three_poles(Fault("B1", "worn", amount))
    (found,) = wipes(drm.diagnose(s.record, s.breaker))
    assert found.interrupters == ("B1",)
    assert found.level != "note"


def test_leads_of_contacts_that_part_apart_are_no_alternative():
    seen, result = seen_and_done()
    instants = instants_of(result.readings, seen.movements, seen.setup)
    at = {i.interrupter: i.arcing_s.value for i in instants}
    offered = {a.who for a in alternatives(instants, "A1") if a.kind == "leads"}
    assert all(abs(at["A1"] - at[n]) < 3.0 * instants[0].step_s for who in offered for n in who)


def table_of(result: Result) -> pd.DataFrame:
    return result.features.drop(columns=["sibling_score", "sibling_p"])


def test_a_connection_as_it_is_reads_what_was_read():
    seen, result = seen_and_done()
    instants = instants_of(result.readings, seen.movements, seen.setup)
    same = Alternative("travel", ("A1", "B1"), "", "", travel={"A1": "A", "B1": "B"})
    again = read_again(table_of(result), instants, same)
    columns = ["main_contact_mm", "arcing_contact_mm", "arcing_wipe_mm", "arcing_area_uohm_mm", "parting_speed_m_s"]
    np.testing.assert_allclose(again[columns], result.features[columns], rtol=1e-9)


def test_leads_exchanged_in_the_record_and_again_in_thought_read_what_the_right_ones_do():
    """The record of the right leads is the truth here, not this program."""
    s = three_poles()
    channels = {c.name: c.samples for c in s.record.channels}
    to = {"U_A1": "U_B2", "U_B2": "U_A1", "I_A1": "I_B2", "I_B2": "I_A1"}
    wrong = replace(
        s.record, channels=tuple(replace(c, samples=channels[to.get(c.name, c.name)]) for c in s.record.channels)
    )
    breaker: Breaker = s.breaker
    result, seen = drm.diagnose(wrong, breaker), see(wrong, breaker)
    mended = Alternative("leads", ("A1", "B2"), "", "", voltage={"A1": "B2", "B2": "A1"})
    again = read_again(table_of(result), instants_of(result.readings, seen.movements, seen.setup), mended)
    right = seen_and_done()[1].features
    for column in ("arcing_wipe_mm", "main_contact_mm", "arcing_contact_mm"):
        np.testing.assert_allclose(again[column], right[column], atol=1e-6)
