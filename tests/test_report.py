"""The report: self-contained, honest about its basis, and proof against any name."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from report_fixture import renamed, result

from drm.breaker import Limit
from drm.report import render
from drm.report.curves import Curve, grid_of, on_grid, spread
from drm.report.decimate import keep
from drm.wording import measured

MARKUP = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'&"
TURNED = "A\u202eB\u2066C\x1b[31mD\x00"


class Seen(HTMLParser):
    """Tags and attributes of a page, and whether every opened element was closed."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.open: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, k, v or "") for k, v in attrs]
        if tag not in ("meta", "link", "br", "img"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@pytest.fixture(scope="module")
def page() -> str:
    return render(result())


def visible(page: str) -> str:
    """The page's words without style and markup."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", re.sub(r"<style>.*?</style>", "", page, flags=re.S)))


def test_nothing_is_loaded_from_anywhere(page):
    loads = [v for _, k, v in Seen(page).attributes if k in ("src", "href", "xlink:href", "action", "data", "srcset")]
    assert all(v.startswith("#") or v == "data:," for v in loads)
    assert "url(" not in page
    assert "@import" not in page


def test_the_policy_forbids_loading(page):
    assert "default-src 'none'" in page


def test_no_script(page):
    seen = Seen(page)
    assert "script" not in seen.tags
    assert not [k for _, k, _ in seen.attributes if k.startswith("on")]


def test_the_page_is_well_formed(page):
    assert Seen(page).open == []


def test_every_picture_is_named_for_those_who_cannot_see_it(page):
    seen = Seen(page)
    pictures = [v for t, k, v in seen.attributes if t == "svg" and k == "role" and v == "img"]
    labels = [v for t, k, v in seen.attributes if t == "svg" and k == "aria-label"]
    assert len(pictures) == len(labels) >= 9 + 3 + 3  # a row per pole and operation, zones, travel
    assert all(len(v) > 40 for v in labels)


def test_language_and_landmarks(page):
    seen = Seen(page)
    assert ("html", "lang", "en") in seen.attributes
    assert {"header", "main", "footer"} <= set(seen.tags)


def test_the_verdict_stands_before_everything_else(page):
    words = visible(page)
    order = ["Inspect.", "What this rests on", "Poles and positions", "The siblings side by side", "The numbers"]
    order += ["Mechanisms", "What else could explain it", "Before any work on the breaker", "Provenance"]
    places = [words.index(w) for w in order]
    assert places == sorted(places)


def test_with_siblings_alone_it_says_what_they_cannot_show(page):
    assert "Wear that all interrupters share cannot be seen" in visible(page)


def test_with_limits_that_sentence_is_gone_and_the_limits_are_named():
    made = result()
    limited = replace(made, breaker=replace(made.breaker, limits={"arcing_wipe_mm": Limit(min=14.0)}))
    words = visible(render(limited))
    assert "Wear that all interrupters share" not in words
    assert "Limits in the breaker file: arcing wipe" in words


def test_it_never_calls_anything_safe(page):
    quiet = render(replace(result(), findings=()))
    assert not re.search(r"\bsafe", visible(page) + visible(quiet), flags=re.I)
    assert "Absence of a finding is no statement that the breaker may go into service" in visible(quiet)


@pytest.mark.parametrize("source", ["EN 50110-1", "IEC 62271-4", "IEC 60480", "L·di/dt", "induced voltage", "Stored"])
def test_the_cautions_are_there(page, source):
    assert source in visible(page)


def test_size_of_a_large_breaker(page):
    assert len(page.encode()) < 2_000_000  # twelve interrupters, three operations


@pytest.mark.parametrize("hostile", [MARKUP, TURNED, "x" * 10_000, "<" * 10_000, "{{ 7*7 }}{% raw %}", ""])
def test_hostile_names_stay_text(hostile):
    text = render(renamed(result(kinds=("open",)), hostile))
    seen = Seen(text)
    assert not {"script", "img"} & set(seen.tags)
    assert not [k for _, k, _ in seen.attributes if k.startswith("on")]
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f\u200e\u200f\u202a-\u202e\u2066-\u2069]", text)
    assert len(text.encode()) < 2_000_000


def test_names_keep_their_letters():
    assert "Штанга Ω 断路器" in render(renamed(result(kinds=("open",)), "Штанга Ω 断路器"))


def test_without_travel_it_shows_time_and_says_so():
    words = visible(render(result(travel=False)))
    assert "time, ms" in words
    assert "Without travel the arcing wipe in mm is not known" in words


def test_values_that_could_not_be_measured_are_dashes():
    made = result()
    value = [c for c in made.features.columns if c.endswith(("_uohm", "_ms", "_mm", "_u", "_m_s", "_p", "_score"))]
    blank = replace(made, features=made.features.assign(**dict.fromkeys(value, np.nan)))
    text = render(blank)
    assert not re.search(r"\b(nan|inf|None)\b", visible(text))
    assert "not measured" in visible(text)


@pytest.mark.parametrize("units", [1, 2, 13])
def test_any_number_of_interrupters(units):
    assert f"A{units}" in render(result(kinds=("close",), poles="A", units=units))


def test_one_interrupter_has_no_siblings_and_it_says_so():
    assert "no sibling to compare with" in visible(render(result(kinds=("open",), poles="A", units=1)))


def test_an_empty_result_is_still_a_report():
    made = result()
    empty = replace(
        made,
        operations=(),
        readings=(),
        findings=(),
        features=made.features.iloc[:0],
        mechanisms=made.mechanisms.iloc[:0],
    )
    assert "No operation could be read" in render(empty)


def test_traces_without_any_value_do_not_stop_it():
    made = result(kinds=("open",))
    blank = tuple(replace(r, shown_uohm=np.full(r.time_ms.size, np.nan)) for r in made.readings)
    assert "not measured" in render(replace(made, readings=blank))


def test_uncertainty_is_expanded_and_sets_the_digits():
    # Two significant digits of U = 2 u, the value rounded alike: JCGM 100, 7.2.6.
    assert measured(19.1534, 0.33) == "19.15 ± 0.66"
    assert measured(1234.5, 60.0) == "1230 ± 120"
    assert measured(float("nan"), 0.1) == "–"
    assert measured(5.0) == "5.000"


@given(n=st.integers(2, 4000), width=st.integers(1, 400), at=st.floats(0, 1, exclude_max=True), seed=st.integers(0, 99))
@settings(max_examples=60, deadline=None)
def test_a_spike_of_one_sample_survives_and_the_points_are_few(n, width, at, seed):
    y = np.random.default_rng(seed).normal(0, 1, n)
    spike = int(at * n)
    y[spike] = 1e6
    chosen = keep(np.linspace(0, width, n, endpoint=False), y)
    assert spike in chosen
    assert chosen.size <= min(n, 4 * (width + 1))
    assert (np.diff(chosen) > 0).all()


def test_a_dip_of_one_sample_survives_too():
    y = np.ones(10_000)
    y[4321] = -5.0
    assert 4321 in keep(np.linspace(0, 100, y.size), y)


def test_a_gap_stays_a_gap_after_decimation():
    x, y = np.linspace(0, 100, 10_000), np.ones(10_000)
    y[4000:6000] = np.nan
    chosen = keep(x, y)
    gap = np.isnan(y[chosen])
    assert gap.any()
    assert (x[chosen][gap] > 39).all()
    assert (x[chosen][gap] < 61).all()


def test_the_spread_is_the_percentiles_of_the_siblings():
    x = np.linspace(0, 60, 3000)
    rows = [on_grid(Curve(str(k), 1, x, np.full(x.size, 10.0 * k)), (0, 60)) for k in range(1, 12)]
    band = spread(grid_of((0, 60)), rows)
    assert band.low == pytest.approx(20.0)
    assert band.median == pytest.approx(60.0)
    assert band.high == pytest.approx(100.0)


def test_no_spread_is_drawn_where_most_siblings_have_parted():
    x = np.linspace(0, 60, 3000)
    rows = [on_grid(Curve("a", 1, x, np.where(x < 60 if k == 0 else x < 30, 50.0, np.nan)), (0, 60)) for k in range(5)]
    band = spread(grid_of((0, 60)), rows)
    assert np.isfinite(band.median[: 160 // 2 - 1]).all()
    assert np.isnan(band.median[160 // 2 + 7 :]).all()


CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
@pytest.mark.filterwarnings("ignore")
def test_a_real_browser_has_nothing_to_complain_of_and_asks_for_nothing(page, tmp_path: Path):
    driver = pytest.importorskip("playwright.sync_api")
    file = tmp_path / "report.html"
    file.write_text(page, encoding="utf-8")
    said: list[str] = []
    asked: list[str] = []
    with driver.sync_playwright() as p:
        browser = p.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        tab = browser.new_page(viewport={"width": 1000, "height": 1400})
        tab.on("console", lambda m: said.append(m.text))
        tab.on("pageerror", lambda e: said.append(str(e)))
        tab.on("request", lambda r: asked.append(r.url))
        tab.goto(file.as_uri())
        first = tab.locator("#verdict").bounding_box()
        wide = tab.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        browser.close()
    assert said == []
    assert [u for u in asked if not u.startswith(("file:", "data:"))] == []
    assert len([u for u in asked if u.startswith("file:")]) == 1
    assert first is not None
    assert first["y"] < 400
    assert wide <= 0


def test_no_path_is_cut_short(page):
    paths = [v for t, k, v in Seen(page).attributes if t == "path" and k == "d"]
    assert max(len(v) for v in paths) > 1000
    assert all(re.fullmatch(r"[MLZh\d. -]+", v) for v in paths if "v" not in v)


def test_a_finding_marks_the_operations_that_it_names():
    # C3's finding names the openings 1 and 3, A2's the first alone: the closing has no marked picture.
    marked = re.findall(r'class="own loud"', render(result()).split("</style>")[1].split('id="op1"')[1])
    assert len(marked) == 3


def test_evidence_in_parts_is_told_in_words():
    made = result()
    parts = [{"feature": "arcing_wipe_mm", "value": 9.2, "p": 1.4e-7, "ratio": None}]
    text = visible(render(replace(made, findings=(replace(made.findings[0], evidence={"contributions": parts}),))))
    assert "feature arcing wipe (mm); value 9.200; p 1.4e-07" in text


def test_spread_of_the_siblings_is_numpys_percentiles() -> None:
    from drm.report.curves import spread

    rng = np.random.default_rng(3)
    table = rng.normal(size=(7, 40))
    table[rng.random(table.shape) < 0.2] = np.nan
    table[:, 5] = np.nan
    got = spread(np.arange(40.0), list(table))
    enough = np.isfinite(table).sum(axis=0) >= 4
    for row, q in ((got.low, 10), (got.median, 50), (got.high, 90)):
        expected = [np.nanpercentile(c, q) if good else np.nan for c, good in zip(table.T, enough, strict=True)]
        np.testing.assert_allclose(row, expected)


def test_cells_of_the_common_grid_hold_the_median() -> None:
    from drm.report.curves import BINS, Curve, on_grid

    rng = np.random.default_rng(4)
    x, y = rng.uniform(-5.0, 45.0, 3000), rng.normal(size=3000)
    y[rng.random(3000) < 0.1] = np.nan
    cell = np.floor(x / 40.0 * BINS)
    expected = [np.nanmedian(y[cell == k]) for k in range(BINS)]
    np.testing.assert_allclose(on_grid(Curve("A1", 1, x, y), (0.0, 40.0)), expected)


def test_templates_that_cannot_be_kept_are_compiled_all_the_same(tmp_path):
    import jinja2

    from drm.report.compiled import Compiled

    for folder in (tmp_path, tmp_path, tmp_path / "missing"):
        kept = Compiled(str(folder), "%s.j2c")
        made = jinja2.Environment(loader=jinja2.DictLoader({"a": "{{ x }} mm"}), bytecode_cache=kept)
        assert made.get_template("a").render(x=3) == "3 mm"
    assert len(list(tmp_path.glob("*.j2c"))) == 1
