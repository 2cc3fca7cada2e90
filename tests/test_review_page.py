"""The review page in a real browser: what a person does there, by mouse and by keyboard alone."""

from __future__ import annotations

import csv
import json
import re
import shutil
import signal
import subprocess
import sys
import unicodedata
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from browser import Tab, chromium, needs_chromium
from review_fixture import RECORDS, Server, key_of, made, serving

import drm
from drm.edit_log import read_log

pytestmark = [needs_chromium, pytest.mark.filterwarnings("ignore")]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as running:
        yield running


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return made(tmp_path)


def opened(browser: Any, server: Server, **more: Any) -> Tab:
    """The page with its first reading drawn."""
    tab = Tab(browser, **more)
    tab.page.goto(server.url)
    drawn(tab)
    return tab


def drawn(tab: Tab) -> None:
    tab.page.wait_for_selector("#own .traces[data-ready]")
    tab.page.wait_for_load_state("networkidle")


def chosen(tab: Tab, name: str) -> None:
    """Choose the reading of `name` in the first operation."""
    button = tab.page.locator("#list button").filter(has_text=re.compile(rf"\b{name} · 1 "))
    key = button.get_attribute("data-key")
    button.click()
    tab.page.wait_for_selector(f'#own .traces[data-ready^="{key} "]')
    tab.until(f"document.getElementById('reading-title').textContent.startsWith('{name} ')")


def wipe(tab: Tab) -> float:
    return float(tab.page.inner_text("#wipe-now").split()[0])


def settled_wipe(tab: Tab) -> float:
    """The wipe once it stands still: on the way of a drag the page asks for what lies between as well."""
    before, now = float("nan"), wipe(tab)
    while now != before:
        tab.page.wait_for_timeout(700)
        before, now = now, wipe(tab)
    return now


def decide(tab: Tab, action: str, reason: str, who: str = "R. Person") -> None:
    """Fill in the form and press one of its buttons; wait for the answer."""
    before = tab.page.evaluate("document.getElementById('log').rows.length")
    tab.page.fill("#who", who)
    tab.page.fill("#reason", reason)
    tab.page.click(f'[data-action="{action}"]')
    tab.until(f"document.getElementById('log').rows.length > {before}")


def drag(tab: Tab, part: str, by_px: int) -> None:
    flag = tab.page.locator(f"#flag-{part}")
    # Once it stands still: after a decision the page draws the traces anew.
    before, box = None, flag.bounding_box()
    while box is None or box != before:
        tab.page.wait_for_timeout(300)
        before, box = box, flag.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    tab.page.mouse.move(x, y)
    tab.page.mouse.down()
    tab.page.mouse.move(x + by_px, y, steps=5)
    tab.page.mouse.up()
    tab.page.wait_for_selector("#changes:not([hidden])")


def test_the_whole_way_of_an_edit(browser: Any, folder: Path) -> None:
    """Open, drag, see the wipe change, keep, annotate, stop, start again, undo; the report shows each of them."""
    with serving(folder) as server:
        tab = opened(browser, server)
        chosen(tab, "A2")
        found = wipe(tab)
        drag(tab, "arcing", 30)
        tab.until(f"!document.getElementById('wipe-now').textContent.startsWith('{found}')")
        longer = settled_wipe(tab)
        assert longer > found + 0.5
        decide(tab, "move", "parts later than it was read")
        assert wipe(tab) == pytest.approx(longer, abs=0.02)
        decide(tab, "annotate", "lead checked")
        server.settled()
        assert tab.said == []
        assert server.stop(signal.SIGINT) == 0
        tab.context.close()
    report = (folder / "report.html").read_text("utf-8")
    assert "parts later than it was read" in report
    assert "lead checked" in report
    table = pd.read_parquet(folder / "features.parquet").set_index("interrupter")
    assert table.loc["A2", "arcing_wipe_mm"] == pytest.approx(longer, abs=0.05)

    with serving(folder) as server:
        tab = opened(browser, server)
        chosen(tab, "A2")
        assert wipe(tab) == pytest.approx(longer, abs=0.02)
        assert tab.page.locator("#log tbody tr").count() == 2
        tab.page.fill("#who", "Q. Other")
        tab.page.fill("#reason", "it was right before")
        tab.page.get_by_role("button", name="Undo 1", exact=True).click()
        tab.until("document.getElementById('log').rows.length === 4")
        tab.until(f"Number(document.getElementById('wipe-now').textContent.split(' ')[0]) === {found}")
        assert "(undone)" in tab.page.inner_text("#log tbody tr:last-child")
        server.settled()
    report = (folder / "report.html").read_text("utf-8")
    assert "undoes edit 1" in report
    assert "Q. Other" in report
    assert pd.read_parquet(folder / "features.parquet")["by_hand"].tolist() == [""] * 6
    assert [e.action for e in read_log(folder / "edits.jsonl").edits] == ["move", "annotate", "undo"]


def test_the_keyboard_alone_is_enough(browser: Any, folder: Path) -> None:
    with serving(folder) as server:
        tab = opened(browser, server)
        keys = tab.page.keyboard

        def to(condition: str) -> None:
            for _ in range(60):
                keys.press("Tab")
                if tab.page.evaluate(f"document.activeElement.matches({condition!r})"):
                    return
            raise AssertionError(f"Tab does not lead to {condition}")

        key = tab.page.locator("#list button").filter(has_text="A2 · 1 ").get_attribute("data-key")
        to(f'[data-key="{key}"]')
        keys.press("Enter")
        tab.page.wait_for_selector(f'#own .traces[data-ready^="{key} "]')
        step = server.ask(f"/api/reading?reading={key}")["step_ms"]
        to("#flag-arcing")
        now = "Number(document.getElementById('flag-arcing').getAttribute('aria-valuenow'))"
        start = tab.page.evaluate(now)
        keys.press("ArrowRight")
        assert tab.page.evaluate(now) - start == pytest.approx(step, abs=2e-3)
        keys.press("Shift+ArrowRight")
        assert tab.page.evaluate(now) - start == pytest.approx(11 * step, abs=2e-3)
        assert "mm, moved" in tab.page.locator("#flag-arcing").get_attribute("aria-valuetext")
        keys.press("Shift+ArrowLeft")
        keys.press("PageUp")
        assert tab.page.evaluate(now) - start == pytest.approx(101 * step, abs=2e-3)
        # Beyond what is shown the flag waits at the edge and can be brought back.
        assert "beyond the range shown" in tab.page.locator("#flag-arcing").get_attribute("aria-valuetext")
        keys.press("PageDown")
        assert tab.page.evaluate(now) - start == pytest.approx(step, abs=2e-3)
        ready = "document.querySelector('#own .traces').dataset.ready"
        before = tab.page.evaluate(ready)
        to(".traces")
        keys.press("+")
        tab.until(f"{ready} !== {before!r}")
        to("#who")
        keys.type("R. Person")
        to("#reason")
        keys.type("moved by keyboard")
        to('[data-action="move"]')
        keys.press("Enter")
        tab.until("document.getElementById('log').rows.length === 2")
    (edit,) = read_log(folder / "edits.jsonl").edits
    assert (edit.action, edit.instant, edit.reason) == ("move", "arcing", "moved by keyboard")


def test_the_keyboard_reaches_every_control(browser: Any, folder: Path) -> None:
    """Every control that can be used, each with an outline; of alternatives the chosen one."""
    with serving(folder) as server:
        tab = opened(browser, server)
        chosen(tab, "A2")
        decide(tab, "exclude", "so that there is something to take back")
        drag(tab, "main", 12)
        controls = "a[href], button, input, select, textarea, [tabindex='0']"
        wanted = tab.page.evaluate(
            f'[...document.querySelectorAll("{controls}")].filter((n) => n.checkVisibility() && !n.disabled'
            " && !(n.type === 'radio' && !n.checked)).map((n, k) => (n.dataset.test = k)).length"
        )
        reached, unseen = set(), []
        for _ in range(3 * wanted):
            tab.page.keyboard.press("Tab")
            now, outline = tab.page.evaluate(
                "[document.activeElement.dataset.test, getComputedStyle(document.activeElement).outlineStyle]"
            )
            if now is not None:
                reached.add(int(now))
                unseen += [now] if outline == "none" else []
        assert reached == set(range(wanted))
        assert unseen == []
        tab.page.fill("#who", "R. Person")
        tab.page.fill("#reason", "taken back by keyboard")
        tab.page.focus("[aria-label='Undo 1']")
        tab.page.keyboard.press("Enter")
        tab.until("document.getElementById('log').rows.length === 3")


@pytest.mark.parametrize(("width", "height"), [(1920, 1080), (1280, 800)])
def test_wipe_traces_and_decision_are_seen_at_once(browser: Any, folder: Path, width: int, height: int) -> None:
    """While an instant is dragged its wipe changes beside the hand, and no scrolling is needed to keep it."""
    with serving(folder) as server:
        tab = opened(browser, server, width=width, height=height)
        chosen(tab, "A2")
        for place in ("#wipe", "#flag-arcing", "#arcing-ms", "#arcing-u", "#who", "#keep"):
            box = tab.page.locator(place).bounding_box()
            assert box["y"] >= 0
            assert box["y"] + box["height"] <= height
        last = tab.page.locator("#own .uplot").last.bounding_box()
        assert last["y"] + 0.5 * last["height"] <= height
        assert tab.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0


def test_an_instant_can_be_typed_with_either_decimal_sign_and_taken_out(browser: Any, folder: Path) -> None:
    with serving(folder) as server:
        tab = opened(browser, server)
        chosen(tab, "A2")
        found = float(tab.page.input_value("#arcing-ms"))
        tab.page.fill("#arcing-ms", f"{found + 0.25:.3f}".replace(".", ","))
        tab.page.press("#arcing-ms", "Enter")
        tab.page.wait_for_selector("#changes:not([hidden])")
        assert tab.page.evaluate("Number(document.getElementById('flag-arcing').ariaValueNow)") == pytest.approx(
            found + 0.25
        )
        tab.page.fill("#arcing-ms", "soon")
        tab.page.press("#arcing-ms", "Enter")
        assert "number of milliseconds" in tab.page.inner_text("#message")
        tab.page.fill("#arcing-ms", "")
        tab.page.press("#arcing-ms", "Enter")
        tab.until("document.getElementById('wipe-now').textContent.startsWith('–')")
        assert not tab.page.locator("#flag-arcing").is_visible()
        decide(tab, "move", "no parting can be seen")
        server.settled()
    table = pd.read_parquet(folder / "features.parquet").set_index("interrupter")
    assert pd.isna(table.loc["A2", "arcing_contact_ms"])
    assert "taken out by hand" in table.loc["A2", "quality"]


def test_a_standard_uncertainty_can_be_stated_with_an_instant(browser: Any, folder: Path) -> None:
    with serving(folder) as server:
        tab = opened(browser, server)
        chosen(tab, "A2")
        u_of = "document.getElementById('wipe-now').textContent.split(' ± ')[1].split(' ')[0]"
        own = float(tab.page.evaluate(u_of))
        # By keyboard alone, with a decimal comma, and without moving the instant.
        tab.page.focus("#arcing-ms")
        tab.page.keyboard.press("Tab")
        assert tab.page.evaluate("document.activeElement.id") == "arcing-u"
        tab.page.keyboard.type("0,3")
        tab.page.keyboard.press("Enter")
        tab.page.wait_for_selector("#changes:not([hidden])")
        tab.until(f"Number({u_of}) > {2 * own}")
        for wrong in ("-0.1", "0", "wide"):
            tab.page.fill("#arcing-u", wrong)
            tab.page.press("#arcing-u", "Enter")
            assert "above zero" in tab.page.inner_text("#message")
            assert tab.page.get_attribute("#arcing-u", "aria-invalid") == "true"
        tab.page.fill("#arcing-u", "0.3")
        tab.page.press("#arcing-u", "Enter")
        assert not tab.page.is_visible("#message")
        decide(tab, "move", "the edge is smeared")
        assert "standard uncertainty 0.3 ms stated" in tab.page.inner_text("#log tbody")
        server.settled()
        assert tab.said == []
        tab.context.close()
    (edit,) = read_log(folder / "edits.jsonl").edits
    assert edit.u_s == pytest.approx(0.3e-3)
    assert "standard uncertainty 0.3 ms stated" in (folder / "report.html").read_text("utf-8")
    table = pd.read_parquet(folder / "features.parquet").set_index("interrupter")
    assert table.loc["A2", "arcing_contact_ms_u"] == pytest.approx(0.3, abs=0.01)
    with serving(folder) as server:
        tab = opened(browser, server)
        chosen(tab, "A2")
        # What was stated stands there again, and goes along when the instant is moved.
        assert tab.page.input_value("#arcing-u") == "0.3"
        assert tab.page.input_value("#main-u") == ""
        drag(tab, "arcing", 8)
        decide(tab, "move", "a little later")
        tab.page.fill("#arcing-u", "")
        tab.page.press("#arcing-u", "Enter")
        decide(tab, "move", "it is sharp after all")
    assert [e.u_s for e in read_log(folder / "edits.jsonl").edits] == [
        pytest.approx(0.3e-3),
        pytest.approx(0.3e-3),
        pytest.approx(float("nan"), nan_ok=True),
    ]


def test_without_a_name_or_a_reason_nothing_is_kept(browser: Any, folder: Path) -> None:
    with serving(folder) as server:
        tab = opened(browser, server)
        tab.page.click('[data-action="exclude"]')
        assert "name" in tab.page.inner_text("#message")
        assert tab.page.evaluate("document.activeElement.id") == "who"
        tab.page.fill("#who", "R. Person")
        tab.page.click('[data-action="exclude"]')
        assert "reason" in tab.page.inner_text("#message")
        assert server.ask("/api/overview")["version"] == 0


def test_two_browsers_at_once_lose_nothing(browser: Any, folder: Path) -> None:
    with serving(folder) as server:
        one, two = opened(browser, server), opened(browser, server)
        for tab in (one, two):
            chosen(tab, "A2")
        # So that the second does not see the first's decision before it decides itself.
        two.page.route("**/api/overview*", lambda route: route.abort())
        two.page.fill("#who", "Second")
        two.page.fill("#reason", "mine")
        decide(one, "exclude", "theirs", who="First")
        two.page.unroute("**/api/overview*")
        two.page.click('[data-action="accept"]')
        two.until("document.getElementById('message').textContent.startsWith('Not kept yet')")
        assert "First: excluded (theirs)" in two.page.inner_text("#message")
        assert two.page.input_value("#reason") == "mine"
        two.page.click('[data-action="accept"]')
        two.until("document.getElementById('log').rows.length === 3")
        # The first sees the second's without loading the page again.
        one.until("document.getElementById('log').rows.length === 3")
    assert [(e.who, e.action) for e in read_log(folder / "edits.jsonl").edits] == [
        ("First", "exclude"),
        ("Second", "accept"),
    ]


def test_a_server_that_died_is_told_and_what_was_typed_stays(browser: Any, folder: Path) -> None:
    with serving(folder) as server:
        tab = opened(browser, server)
        decide(tab, "annotate", "before")
        server.stop(signal.SIGKILL)
        tab.page.fill("#reason", "after")
        tab.page.click('[data-action="annotate"]')
        tab.until("document.getElementById('message').textContent.includes('does not answer')")
        assert tab.page.input_value("#reason") == "after"
    assert [e.reason for e in read_log(folder / "edits.jsonl").edits] == ["before"]


def test_two_readings_side_by_side_share_their_range(browser: Any, tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    with serving(made(tmp_path / "a"), "--beside", str(made(tmp_path / "b"))) as server:
        tab = opened(browser, server)
        chosen(tab, "A2")
        words = [o for o in tab.page.locator("#beside option").all_inner_texts() if o.startswith("B2")]
        assert len(words) == 2  # another pole of this result, and the second result's
        tab.page.select_option("#beside", label=words[0])
        tab.page.wait_for_selector("#other .traces[data-ready]")
        tab.page.click('[data-range="in"]')
        tab.until(
            "(() => { const [a, b] = ['own', 'other'].map((i) =>"
            " document.querySelector(`#${i} .traces`).dataset.ready.split(' ').slice(1).join(' '));"
            " return a === b; })()"
        )
        tab.page.select_option("#beside", index=len(tab.page.locator("#beside option").all_inner_texts()) - 1)
        tab.until("document.querySelector('#other h3').textContent.includes('second result')")
        assert tab.said == []


def test_traces_are_shown_over_time_as_well(browser: Any, folder: Path) -> None:
    with serving(folder) as server:
        tab = opened(browser, server)
        chosen(tab, "A2")
        tab.page.check("#axis-time")
        tab.page.wait_for_selector('#own .traces[data-ready*=" time "]')
        drag(tab, "main", -20)
        assert float(tab.page.input_value("#main-ms")) < 25.235
        tab.page.check("#axis-travel")
        tab.page.wait_for_selector('#own .traces[data-ready*=" travel "]')
        assert tab.page.locator("#flag-main").get_attribute("class") == "flag main moved"


def test_only_this_server_is_asked_and_nothing_is_complained_of(browser: Any, folder: Path) -> None:
    with serving(folder) as server:
        tab = opened(browser, server)
        for name in ("A1", "C2"):
            chosen(tab, name)
        assert tab.said == []
        assert {u.split("/")[2] for u in tab.asked if not u.startswith("data:")} == {f"127.0.0.1:{server.port}"}
        # The token is in no address that stays.
        assert server.token not in tab.page.url


@pytest.mark.parametrize("width", [1500, 1100, 420])
def test_nothing_bars_a_screen_reader_or_the_keyboard(browser: Any, folder: Path, width: int) -> None:
    with serving(folder) as server:
        tab = opened(browser, server, width=width)
        chosen(tab, "A2")
        decide(tab, "exclude", "for the log's table")
        assert tab.barriers() == []
        assert tab.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0


def test_what_could_not_be_read_and_what_has_no_travel_can_be_decided_on(browser: Any, tmp_path: Path) -> None:
    """A1 names a coil's current as its own, pole B names no travel."""
    source = tmp_path / "in"
    shutil.copytree(RECORDS / "series-injection", source)
    text = (source / "breaker.toml").read_text("utf-8")
    text = text.replace('current = "I_A"', 'current = "TC_A"', 1)
    text = text.replace('travel = { channel = "TRV_B", scale = 1.0 }\n', "")
    (source / "breaker.toml").write_text(text, "utf-8")
    drm.diagnose(drm.read(source / "record.cfg"), drm.Breaker.load(source / "breaker.toml")).save(tmp_path / "result")
    with serving(tmp_path / "result") as server:
        tab = Tab(browser)
        tab.page.goto(server.url)
        tab.page.locator("#list button").filter(has_text="A1 · 1 ").click()
        tab.until("document.querySelector('#own').textContent.includes('could not be used')")
        assert tab.page.locator("#arcing-ms").is_disabled()
        decide(tab, "annotate", "the wrong clamp")
        chosen(tab, "B2")
        assert " time " in tab.page.locator("#own .traces").get_attribute("data-ready")
        assert tab.page.locator("#axis-travel").is_disabled()
        drag(tab, "main", 12)
        assert "ms" in tab.page.inner_text("#wipe-now")
        decide(tab, "move", "later")
        assert tab.said == []
    assert [e.interrupter for e in read_log(tmp_path / "result" / "edits.jsonl").edits] == ["A1", "B2"]


def test_an_edit_of_another_reading_can_be_taken_back_from_any(browser: Any, folder: Path) -> None:
    with serving(folder) as server:
        tab = opened(browser, server)
        chosen(tab, "A2")
        told = server.ask("/api/overview")
        status, _ = server.decide(key_of(told, "B2"), {"action": "exclude"})
        assert status == 200
        tab.until("document.getElementById('log').rows.length === 2")
        tab.page.fill("#who", "R. Person")
        tab.page.fill("#reason", "not so")
        tab.page.get_by_role("button", name="Undo 1", exact=True).click()
        tab.until("document.getElementById('message').textContent.startsWith('Kept as edit 2')")
    assert [(e.action, e.interrupter) for e in read_log(folder / "edits.jsonl").edits] == [
        ("exclude", "B2"),
        ("undo", "B2"),
    ]


# -- hostile words

NASTY = (
    '<img src=x onerror="alert(1)"><script>alert(2)</script>',
    "=cmd|' /C calc'!A0",
    "../../../etc/passwd",
    "right \u202eto left\u2066",
    "\x1b[31mred\x07\x00null",
    "{{7*7}}{% raw %}'\"`${alert(3)}",
)


def hostile(tmp_path: Path) -> Path:
    """A result whose breaker, poles and interrupters carry hostile names."""
    source = tmp_path / "in"
    shutil.copytree(RECORDS / "series-injection", source)
    text = (source / "breaker.toml").read_text("utf-8")
    names = re.findall(r'^name = "([ABC]\d)"', text, flags=re.M)
    for old, new in zip(names, NASTY, strict=True):
        text = text.replace(f'name = "{old}"', f"name = {json.dumps(new)}")
    text = re.sub(r'(\[breaker\]\nname = )"[^"]*"', lambda m: m.group(1) + json.dumps("".join(NASTY)), text)
    (source / "breaker.toml").write_text(text, "utf-8")
    drm.diagnose(drm.read(source / "record.cfg"), drm.Breaker.load(source / "breaker.toml")).save(tmp_path / "result")
    return tmp_path / "result"


def test_hostile_words_are_shown_as_words_and_do_nothing_anywhere(browser: Any, tmp_path: Path) -> None:
    folder = hostile(tmp_path)
    reasons = [*NASTY, "x" * 100_000, "half \ud83d of a pair"]
    with serving(folder) as server:
        tab = opened(browser, server)
        for n, reason in enumerate(reasons):
            status, answer = server.decide("1-0", {"action": "annotate"}, who=reason[:200], reason=reason, seen=n)
            assert status == 200, answer
        server.decide("1-1", {"action": "exclude"}, reason="=1+1;\n@x" + NASTY[0])
        tab.until(f"document.getElementById('log').rows.length === {len(reasons) + 2}")
        shown = tab.page.inner_text("body")
        assert "<script>alert(2)</script>" in shown
        assert "=cmd|' /C calc'!A0" in shown
        assert "<U+202E>" in shown
        assert tab.page.locator("img").count() == 0
        assert tab.page.evaluate("document.scripts.length") == 2
        assert tab.dialogs == []
        assert tab.said == []
        assert tab.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
        server.settled()
        report = Tab(browser)
        report.page.goto((folder / "report.html").as_uri())
        assert report.page.evaluate("document.scripts.length") == 0
        assert report.page.locator("img").count() == 0
        assert (report.dialogs, report.said) == ([], [])
        assert report.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
    harmless_on_paper(folder, tmp_path)


def harmless_on_paper(folder: Path, tmp_path: Path) -> None:
    """Tables, findings and terminal after the same edits."""
    with open(folder / "features.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 6
    for row in rows:
        for cell in row.values():
            try:
                float(cell)
            except ValueError:
                assert not cell.lstrip().startswith(("=", "+", "-", "@"))
            assert all(c.isprintable() for c in cell)
    assert "excluded by hand (=1+1, @x" in rows[1]["quality"]
    told = json.loads((folder / "findings.json").read_text("utf-8"))
    assert len(told["provenance"]["edits"]) == len(NASTY) + 3
    assert told["provenance"]["edits"][6]["reason"] == "x" * 100_000
    words = [
        "diagnose",
        "record.cfg",
        "--breaker",
        "breaker.toml",
        "--out",
        "../again",
        "--edits",
        str(folder / "edits.jsonl"),
    ]
    done = subprocess.run(
        [sys.executable, "-P", "-m", "drm", *words], capture_output=True, timeout=120, cwd=tmp_path / "in"
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    said = done.stdout.decode("utf-8")
    assert not {c for c in said if unicodedata.category(c) in {"Cc", "Cf", "Cs"}} - {"\n"}
