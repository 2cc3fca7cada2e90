"""The summary for the terminal: verdict first, honest about its basis, and proof against any name."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from report_fixture import findings, renamed, result

from drm.summary import summary
from drm.wording import clean


def test_the_verdict_is_the_second_line():
    assert summary(result()).splitlines()[1].startswith("▲ Inspect.")


def test_the_worst_level_leads():
    hold = replace(findings()[0], level="hold")
    assert "Hold. Not to be returned to service" in summary(replace(result(), findings=(*findings(), hold)))


def test_a_finding_about_the_setup_is_no_verdict_on_the_breaker():
    setup = replace(findings()[2], level="inspect")
    text = summary(replace(result(), findings=(setup,)))
    assert text.splitlines()[1].startswith("– No reading stands out")
    assert "How the test was made limits what its readings are worth" in text.replace("\n", " ")


def test_one_line_per_interrupter_with_its_figures():
    text = summary(result())
    rows = [line for line in text.splitlines() if re.match(r"[ABC][1-4]  ", line)]
    assert len(rows) == 12
    worn = next(r for r in rows if r.startswith("C3"))
    assert re.search(r"\d+\.\d+ ± 0\.66 .* ± 0\.80 .* ± 12 .* 9\.3 .* ▲ inspect", worn)


def test_each_finding_has_its_basis_and_advice():
    text = summary(result())
    assert text.count("basis:") == text.count("advice:") == 3


def test_order_of_the_parts():
    text = summary(result())
    places = [text.index(w) for w in ("Inspect.", "Rests on:", "interrupter", "Findings:", "What cannot", "Caution:")]
    assert places == sorted(places)


def test_with_siblings_alone_it_says_what_they_cannot_show():
    assert "Wear that all interrupters share cannot be seen" in " ".join(summary(result()).split())


def test_it_never_calls_anything_safe():
    assert not re.search(r"\bsafe", summary(replace(result(), findings=())), flags=re.I)


def test_without_travel_it_says_that_the_wipe_is_not_known():
    assert "Without travel the arcing wipe in mm is not known" in " ".join(summary(result(travel=False)).split())


@pytest.mark.parametrize("hostile", ["a\x1b[2J\x07b", "\u202egnitsixe\u2066", "line\nline\r\x85", "x" * 10_000])
def test_names_cannot_steer_the_terminal(hostile):
    text = summary(renamed(result(kinds=("open",)), hostile))
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069]", text)
    assert len(text) < 60_000


def test_what_was_hidden_is_shown():
    assert clean("a\u202eb") == "a<U+202E>b"


def test_missing_values_are_dashes():
    made = result()
    number = [c for c in made.features.columns if made.features[c].dtype.kind == "f"]
    text = summary(replace(made, features=made.features.assign(**dict.fromkeys(number, np.nan))))
    assert "nan" not in text
    assert "–" in text


def test_nothing_read_is_said():
    made = result()
    assert "No interrupter could be read" in summary(replace(made, features=made.features.iloc[:0], findings=()))


def test_an_interrupter_that_could_not_be_compared_is_not_judged():
    made = result(kinds=("open",))
    score = made.features["sibling_score"].where(made.features["interrupter"] != "B1")
    lines = summary(replace(made, features=made.features.assign(sibling_score=score))).splitlines()
    assert next(line for line in lines if line.startswith("B1 ")).endswith("not judged")
    assert sum(line.endswith("not judged") for line in lines) == 1
