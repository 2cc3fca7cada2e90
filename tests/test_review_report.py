"""The report in a real browser: silent, without requests, usable by keyboard and screen reader, whole on paper."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from browser import Tab, chromium, needs_chromium
from report_fixture import result
from review_fixture import RECORDS

import drm
from drm.edits import Edit
from drm.pipeline import conclude, see
from drm.report import render

pytestmark = [needs_chromium, pytest.mark.filterwarnings("ignore")]
NOW = "2026-01-02T03:04:05+00:00"


def edited() -> drm.Result:
    """A result with an edit of every kind, two of them undone."""
    folder = RECORDS / "close-two-per-pole"
    seen = see(drm.read(folder / "record.cfg"), drm.Breaker.load(folder / "breaker.toml"))
    at = next(r for r in conclude(seen).readings if r.interrupter.name == "A2").zones.main_s.value
    note = Edit(1, "annotate", 1, "A1", "R. Person", NOW, "lead looked at; " + "a long reason " * 40)
    edits = [
        note,
        replace(note, number=2, action="move", interrupter="A2", instant="main", at_s=at + 1e-4),
        replace(note, number=3, action="accept", reason="looks right"),
        replace(note, number=4, action="exclude", interrupter="B1", reason="clamp was loose"),
        replace(note, number=5, action="undo", undoes=4, reason="it was the other one"),
    ]
    return conclude(seen, edits=edits)


MADE = {"made by hand": result, "no travel": lambda: result(travel=False), "edited": edited}


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as running:
        yield running


@pytest.fixture(scope="module", params=MADE)
def page(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("report") / "report.html"
    file.write_text(render(MADE[request.param]()), encoding="utf-8")
    return file


@pytest.mark.parametrize("width", [1300, 900, 420])
def test_nothing_bars_a_screen_reader_and_nothing_is_said_or_asked(browser: Any, page: Path, width: int) -> None:
    tab = Tab(browser, width=width)
    tab.page.goto(page.as_uri())
    assert tab.barriers() == []
    assert tab.said == []
    assert tab.asked == [page.as_uri()]
    assert tab.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0


def test_the_keyboard_reaches_every_link_and_the_whole_of_every_table(browser: Any, page: Path) -> None:
    tab = Tab(browser, width=420)
    tab.page.goto(page.as_uri())
    links = tab.page.locator("a[href]").count()
    cut = tab.page.evaluate(
        "[...document.querySelectorAll('body *')].filter((n) => n.scrollWidth > n.clientWidth + 1"
        " && ['auto', 'scroll'].includes(getComputedStyle(n).overflowX)).length"
    )
    reached: list[str] = []
    scrolled = 0
    for _ in range(links + cut + 5):
        tab.page.keyboard.press("Tab")
        what = tab.page.evaluate(
            "document.activeElement.tagName + ' ' + (document.activeElement.getAttribute('href') ?? '')"
        )
        if what.startswith("A "):
            reached.append(what)
        elif not what.startswith("BODY"):
            scrolled += 1
    assert len(reached) >= links
    assert scrolled >= cut


def test_a_link_leads_to_a_place_in_the_report(browser: Any, page: Path) -> None:
    tab = Tab(browser)
    tab.page.goto(page.as_uri())
    for href in tab.page.evaluate("[...document.querySelectorAll('a[href]')].map((a) => a.getAttribute('href'))"):
        assert href.startswith("#")
        assert tab.page.locator(href).count() == 1


def test_on_paper_nothing_is_wider_than_the_page(browser: Any, page: Path) -> None:
    """A4 less its margins is 184 mm, 695 px: nothing may reach beyond it."""
    tab = Tab(browser, width=695)
    tab.page.emulate_media(media="print")
    tab.page.goto(page.as_uri())
    beyond = tab.page.evaluate(
        "[...document.querySelectorAll('body *')].filter((n) => n.getBoundingClientRect().right > 696"
        " && !n.closest('.hidden, svg')).map((n) => n.tagName + ' ' + n.className)"
    )
    assert beyond == []
    pdf = tab.page.pdf(format="A4", prefer_css_page_size=True)
    assert pdf.startswith(b"%PDF-")
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 20


def test_every_edit_by_hand_is_in_the_report_with_who_when_and_why(browser: Any, tmp_path: Path) -> None:
    file = tmp_path / "report.html"
    file.write_text(render(edited()), encoding="utf-8")
    tab = Tab(browser)
    tab.page.goto(file.as_uri())
    rows = tab.page.locator("table.edits tbody tr")
    assert rows.count() == 5
    told = rows.all_inner_texts()
    assert all("R. Person" in row and "2026-01-02 03:04:05 UTC" in row for row in told)
    assert re.search(r"main contact's instant set to [\d.]+ ms; the program found [\d.]+ ± [\d.]+ ms", told[1])
    assert "excluded (undone)" in told[3]
    assert "undoes edit 4" in told[4]
    assert "3 hold" in tab.page.inner_text("#verdict ~ p >> nth=0") + tab.page.inner_text(".verdict")
