"""Edits by hand in the engine: what they change, what they leave, and how they are undone."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import drm
from drm.edits import Edit, by_hand, column_by_hand, standing
from drm.pipeline import Seen, conclude, see
from drm.quantity import Quantity
from drm.zones import Zones

RECORDS = Path(__file__).parent / "data" / "records"
NOW = "2026-01-02T03:04:05+00:00"


@cache
def seen(name: str = "open-close-open") -> Seen:
    folder = RECORDS / name
    return see(drm.read(folder / "record.cfg"), drm.Breaker.load(folder / "breaker.toml"))


@cache
def automatic(name: str = "open-close-open") -> drm.Result:
    return conclude(seen(name))


def edit(action: str = "move", *, number: int = 1, who: str = "B2", operation: int = 1, **more: object) -> Edit:
    return replace(Edit(number, "move", operation, who, "R. Person", NOW, "seen in the trace"), action=action, **more)


def zones_of(result: drm.Result, who: str, operation: int = 1) -> Zones:
    return next(r.zones for r in result.readings if (r.interrupter.name, r.operation.number) == (who, operation))


def row(result: drm.Result, who: str, operation: int = 1) -> pd.Series:
    f = result.features
    return f[(f["interrupter"] == who) & (f["operation"] == operation)].iloc[0]


def test_without_edits_nothing_is_different() -> None:
    folder = RECORDS / "open-close-open"
    whole = drm.diagnose(drm.read(folder / "record.cfg"), drm.Breaker.load(folder / "breaker.toml"))
    pd.testing.assert_frame_equal(whole.features, automatic().features)
    assert whole.findings == automatic().findings
    assert set(automatic().features["by_hand"]) == {""}


def test_a_later_arcing_instant_lengthens_the_wipe_by_speed_times_delay() -> None:
    before = zones_of(automatic(), "B2").arcing_s.value
    moved = conclude(seen(), edits=[edit(instant="arcing", at_s=before + 1e-3)])
    was, now = row(automatic(), "B2"), row(moved, "B2")
    assert now["arcing_contact_ms"] == pytest.approx(was["arcing_contact_ms"] + 1.0)
    grown = now["arcing_wipe_mm"] - was["arcing_wipe_mm"]
    assert grown == pytest.approx(was["parting_speed_m_s"], rel=0.15)
    assert now["by_hand"] == "arcing contact"


def test_an_edit_leaves_every_other_reading_as_it_was() -> None:
    before = zones_of(automatic(), "B2").arcing_s.value
    moved = conclude(seen(), edits=[edit(instant="arcing", at_s=before + 1e-3)])
    others = [c for c in moved.features.columns if not c.startswith("sibling") and c != "by_hand"]
    mask = ~((moved.features["interrupter"] == "B2") & (moved.features["operation"] == 1))
    pd.testing.assert_frame_equal(moved.features[mask][others], automatic().features[mask][others])


def test_siblings_and_findings_follow_an_edit() -> None:
    """B2 is the worn one; put where its siblings part, it no longer stands out by its wipe."""
    about = {f.code for f in automatic().findings if "B2" in f.interrupters and f.subject == "contact"}
    assert about
    edits = []
    for number, operation in enumerate((1, 2, 3), start=1):
        healthy = row(automatic(), "B1", operation)["arcing_wipe_ms"]
        kind = row(automatic(), "B1", operation)["kind"]
        main = zones_of(automatic(), "B2", operation).main_s.value
        at = main + (1e-3 if kind == "open" else -1e-3) * healthy
        edits.append(edit(number=number, operation=operation, instant="arcing", at_s=at))
    mended = conclude(seen(), edits=edits)
    assert row(mended, "B2")["sibling_score"] < row(automatic(), "B2")["sibling_score"]
    left = {
        f.code for f in mended.findings if "B2" in f.interrupters and f.subject == "contact" and "wipe" in f.message
    }
    assert not left


def test_an_excluded_reading_keeps_its_numbers_and_no_verdict_rests_on_it() -> None:
    gone = conclude(seen(), edits=[edit("exclude", number=n, operation=n) for n in (1, 2, 3)])
    assert row(gone, "B2")["arcing_wipe_mm"] == row(automatic(), "B2")["arcing_wipe_mm"]
    assert "excluded by hand (seen in the trace)" in row(gone, "B2")["quality"]
    assert math.isnan(row(gone, "B2")["sibling_score"])
    assert not [f for f in gone.findings if "B2" in f.interrupters and f.subject == "contact"]
    assert [f for f in gone.findings if "B2" in f.interrupters and f.subject == "setup"]


def test_a_reading_excluded_and_accepted_again_counts_again() -> None:
    back = conclude(seen(), edits=[edit("exclude"), edit("accept", number=2)])
    assert row(back, "B2")["quality"] == row(automatic(), "B2")["quality"]
    assert row(back, "B2")["by_hand"] == "accepted"


def test_a_note_changes_no_number() -> None:
    noted = conclude(seen(), edits=[edit("annotate")])
    pd.testing.assert_frame_equal(noted.features, automatic().features)
    assert noted.edits[0].reason == "seen in the trace"
    assert noted.provenance["edits"][0]["who"] == "R. Person"


def test_an_instant_taken_out_is_empty_and_says_why() -> None:
    out = row(conclude(seen(), edits=[edit(instant="arcing", at_s=math.nan)]), "B2")
    assert math.isnan(out["arcing_contact_ms"])
    assert math.isnan(out["arcing_wipe_mm"])
    assert "the arcing contact's instant was taken out by hand" in out["quality"]


def test_an_edit_of_one_in_series_moves_where_the_others_current_ends() -> None:
    name = "series-injection"
    ended = next(r for r in automatic(name).readings if any("was cut off by" in reason for reason in r.zones.reasons))
    by = next(r.split("cut off by ")[1].split(",")[0] for r in ended.zones.reasons if "was cut off by" in r)
    first = zones_of(automatic(name), by)
    moved = conclude(seen(name), edits=[edit(who=by, instant="arcing", at_s=first.arcing_s.value - 5e-4)])
    now = zones_of(moved, ended.interrupter.name)
    assert now.end_s == pytest.approx(ended.zones.end_s - 5e-4)


def test_an_edit_of_a_reading_that_is_not_there_is_refused() -> None:
    with pytest.raises(drm.InputError, match="interrupter 'Z9' in operation 1"):
        conclude(seen(), edits=[edit(who="Z9", instant="main", at_s=0.1)])


def test_the_same_edits_twice_give_the_same_result() -> None:
    edits = [
        edit(instant="main", at_s=zones_of(automatic(), "B2").main_s.value + 2e-4),
        edit("exclude", number=2, who="A1"),
    ]
    one, two = conclude(seen(), edits=edits), conclude(see(seen().record, seen().breaker), edits=edits)
    pd.testing.assert_frame_equal(one.features, two.features)
    assert one.findings == two.findings


# -- on zones alone


ZONES = Zones(main_s=Quantity(0.1, 1e-5), arcing_s=Quantity(0.104, 3e-5))


def test_an_instant_by_hand_is_no_surer_than_the_programs_nor_than_a_sample() -> None:
    at = edit(instant="main", at_s=0.0995)
    assert by_hand(ZONES, [at], kind="open", step_s=5e-5).main_s == Quantity(0.0995, 5e-5)
    assert by_hand(ZONES, [at], kind="open", step_s=1e-6).main_s == Quantity(0.0995, 1e-5)
    assert by_hand(ZONES, [replace(at, u_s=2e-4)], kind="open", step_s=1e-6).main_s == Quantity(0.0995, 2e-4)


def test_placing_the_instant_answers_the_doubt_about_it() -> None:
    cut = replace(ZONES, end_s=0.103, arcing_s=Quantity(), reasons=("the current was cut off by A2, in series",))
    placed = by_hand(cut, [edit(instant="arcing", at_s=0.1035)], kind="open", step_s=5e-5)
    assert placed.reasons == ()
    assert math.isnan(placed.end_s)


@pytest.mark.parametrize(("kind", "arcing", "kept"), [("open", 0.103, 0), ("open", 0.097, 1), ("close", 0.097, 0)])
def test_a_missing_arcing_zone_is_answered_only_by_one_in_the_right_order(kind: str, arcing: float, kept: int) -> None:
    none = replace(ZONES, arcing_s=Quantity(0.1, 3e-5), reasons=("no arcing zone longer than the resolution",))
    placed = by_hand(none, [edit(instant="arcing", at_s=arcing)], kind=kind, step_s=5e-5)
    assert len(placed.reasons) == kept


def test_accepting_answers_which_contact_a_low_level_is() -> None:
    assert math.isnan(by_hand(replace(ZONES, rise=1.6), [edit("accept")], kind="open", step_s=5e-5).rise)


def test_accepting_takes_away_doubts_and_no_facts() -> None:
    both = replace(ZONES, reasons=("the trace wanders", "no arcing zone longer than the resolution"))
    kept = by_hand(both, [edit("accept")], kind="open", step_s=5e-5).reasons
    assert kept == ("no arcing zone longer than the resolution",)


def test_a_reason_with_a_separator_stays_one_reason() -> None:
    out = by_hand(ZONES, [edit("exclude", reason="lead off; no;\nclamp")], kind="open", step_s=5e-5)
    assert ";" not in out.reasons[-1]
    assert "\n" not in out.reasons[-1]


# -- undo


def test_an_undone_edit_does_not_hold() -> None:
    assert standing([edit(), edit("undo", number=2, undoes=1)]) == ()


def test_an_undone_undo_brings_the_edit_back() -> None:
    edits = [edit(), edit("undo", number=2, undoes=1), edit("undo", number=3, undoes=2)]
    assert [e.number for e in standing(edits)] == [1]


@settings(deadline=None)
@given(st.lists(st.one_of(st.just(0), st.integers(1, 30)), max_size=30))
def test_what_holds_is_what_no_holding_undo_names(names: list[int]) -> None:
    edits = [edit("undo", number=n, undoes=u) if 0 < u < n else edit(number=n) for n, u in enumerate(names, start=1)]
    hold = {e.number for e in standing(edits)}
    alive: dict[int, bool] = {}
    for e in reversed(edits):
        alive[e.number] = not any(
            o.action == "undo" and o.undoes == e.number and alive[o.number] for o in edits[e.number :]
        )
    assert hold == {e.number for e in edits if alive[e.number] and e.action != "undo"}


def test_the_last_edit_of_an_instant_holds() -> None:
    out = by_hand(ZONES, [edit(instant="main", at_s=0.09), edit(instant="main", at_s=0.098)], kind="open", step_s=1e-6)
    assert out.main_s.value == 0.098


def test_the_column_names_what_was_decided() -> None:
    edits = [edit(instant="arcing", at_s=0.1), edit("exclude"), edit("annotate"), edit(instant="main", at_s=0.09)]
    assert column_by_hand(edits) == "main contact;arcing contact;excluded"


def test_the_trace_shown_after_an_edit_ends_at_the_new_instant() -> None:
    before = zones_of(automatic(), "B2").arcing_s.value
    moved = conclude(seen(), edits=[edit(instant="arcing", at_s=before - 1e-3)])
    last = [
        max(r.time_ms[np.isfinite(r.resistance_uohm)])
        for result in (automatic(), moved)
        for r in result.readings
        if (r.interrupter.name, r.operation.number) == ("B2", 1)
    ]
    assert last[0] - last[1] == pytest.approx(1.0, abs=0.2)
