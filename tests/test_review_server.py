"""The review page's server: whom it answers, what it keeps, and that nothing that was confirmed is ever lost."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from review_fixture import RECORDS, Server, key_of, made, serving

from drm.edit_log import read_log
from drm.move_in import in_order


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """One server for the tests that leave its result as it is."""
    with serving(made(tmp_path_factory.mktemp("shared"))) as running:
        yield running


def drm_words(*words: str, env: dict[str, str] | None = None) -> subprocess.CompletedProcess[str]:
    run = [sys.executable, "-P", "-m", "drm", *words]
    return subprocess.run(run, capture_output=True, text=True, timeout=120, env={**os.environ, **(env or {})})


# -- who is answered


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "example.org"},
        {"Host": "127.0.0.1"},
        {"Cookie": "drm_review_1=x"},
        {"Cookie": None},
        {"Origin": "http://example.org"},
        {"Sec-Fetch-Site": "cross-site"},
    ],
)
@pytest.mark.parametrize("path", ["/api/overview", "/report", "/static/review.js", "/"])
def test_whoever_is_not_the_page_is_refused(server: Server, headers: dict[str, str], path: str) -> None:
    status, _, body = server.request("GET", path, headers=headers)
    assert status == 403
    assert body.startswith(b"drm review: ")


@pytest.mark.parametrize(
    "headers", [{"Origin": None}, {"Origin": "null"}, {"X-Drm-Review": None}, {"Origin": "http://localhost:1"}]
)
def test_a_decision_from_elsewhere_is_refused(server: Server, headers: dict[str, str]) -> None:
    status, _, _ = server.request("POST", "/api/decide", {}, headers=headers)
    assert status == 403


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "TRACE"])
def test_other_kinds_of_request_are_refused(server: Server, method: str) -> None:
    assert server.request(method, "/api/overview")[0] == 403


def test_the_token_is_taken_once_from_the_address_and_sent_away(server: Server) -> None:
    status, headers, _ = server.request("GET", f"/?token={server.token}", headers={"Cookie": None})
    assert (status, headers["location"]) == (303, "/")
    assert "HttpOnly" in headers["set-cookie"]
    assert "SameSite=Strict" in headers["set-cookie"]
    assert server.request("GET", "/?token=wrong", headers={"Cookie": None})[0] == 403


def test_each_start_has_a_token_of_its_own(server: Server, tmp_path: Path) -> None:
    with serving(made(tmp_path)) as second:
        assert second.token != server.token
        assert len(second.token) >= 40


@pytest.mark.parametrize(
    "path",
    [
        "/static/../session.py",
        "/static/..%2fsession.py",
        "/static/%2e%2e/%2e%2e/pyproject.toml",
        "/static//etc/passwd",
        "/static/page.html",
        "/../../etc/passwd",
        "/findings.json",
        "/edits.jsonl",
        "/report/../findings.json",
    ],
)
def test_no_path_leads_to_another_file(server: Server, path: str) -> None:
    status, _, body = server.request("GET", path)
    assert status == 404
    assert len(body) < 100


def test_only_this_computer_is_answered(server: Server) -> None:
    """On every other address of this computer nothing listens."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as s:
        s.settimeout(5)
        with pytest.raises(OSError, match="refused"):
            s.connect(("127.0.0.2", server.port))


@pytest.mark.parametrize("path", ["/", "/api/overview", "/static/review.js", "/nothing"])
def test_every_answer_carries_the_policy(server: Server, path: str) -> None:
    _, headers, _ = server.request("GET", path)
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert "server" not in headers


def test_the_report_may_run_no_script_at_all(server: Server) -> None:
    status, headers, body = server.request("GET", "/report")
    assert status == 200
    assert body == (server.folder / "report.html").read_bytes()
    assert "script-src" not in headers["content-security-policy"]
    assert headers["content-security-policy"].startswith("default-src 'none'")


def test_a_report_that_is_a_link_is_not_followed(server: Server, tmp_path: Path) -> None:
    report, aside = server.folder / "report.html", tmp_path / "report.html"
    shutil.move(report, aside)
    report.symlink_to(aside)
    try:
        assert server.request("GET", "/report")[0] == 404
    finally:
        report.unlink()
        shutil.move(aside, report)


# -- words that are wrong


@pytest.mark.parametrize(
    ("path", "place"),
    [
        ("/api/reading?reading=9-9", "reading"),
        ("/api/reading?reading=1-%C2%B2", "reading"),
        ("/api/reading?reading=1-0&of=beside", "of"),
        ("/api/band?reading=1-0&axis=mass", "axis"),
        ("/api/columns?reading=1-0&axis=time&low=x&high=2&columns=3", "low"),
        ("/api/columns?reading=1-0&axis=time&low=0&high=inf&columns=3", "high"),
    ],
)
def test_a_question_that_makes_no_sense_is_answered_in_one_line(server: Server, path: str, place: str) -> None:
    status, _, body = server.request("GET", path)
    assert status == 400
    assert json.loads(body)["error"].startswith(f"{place}: ")


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"[]",
        b"{",
        b"\xff",
        b'{"reading": "1-0"}',
        b'{"reading": "1-0", "seen": "0", "edits": [{}]}',
        b"x" * 2_100_000,
    ],
)
def test_a_decision_that_makes_no_sense_is_refused(server: Server, body: bytes) -> None:
    status, _, answer = server.request("POST", "/api/decide", body)
    assert status == 400
    assert "\n" not in json.loads(answer)["error"]


@pytest.mark.parametrize(
    "edit",
    [
        {"action": "erase"},
        {"action": "move", "instant": "third", "at_ms": 1.0},
        {"action": "move", "instant": "main", "at_ms": "soon"},
        {"action": "move", "instant": "main", "at_ms": True},
        {"action": "move", "instant": "main", "at_ms": 1.0, "u_ms": 0.0},
        {"action": "move", "instant": "main", "at_ms": 1.0, "u_ms": -0.1},
        {"action": "move", "instant": "main", "at_ms": 1.0, "u_ms": "wide"},
        {"action": "undo", "undoes": 99},
        {"action": {"a": 1}},
        {"action": ["move"]},
    ],
)
def test_an_edit_that_makes_no_sense_is_refused_and_not_kept(server: Server, edit: dict[str, Any]) -> None:
    status, answer = server.decide("1-0", edit)
    assert status == 400, answer
    assert server.ask("/api/overview")["version"] == 0


# -- what is kept


def test_a_decision_is_on_the_disk_when_it_is_confirmed_and_tables_follow(tmp_path: Path) -> None:
    folder = made(tmp_path)
    with serving(folder) as server:
        told = server.ask("/api/overview")
        key = key_of(told, "A2")
        found = server.ask(f"/api/reading?reading={key}")["instants"]["arcing"]["ms"]
        status, answer = server.decide(key, {"action": "move", "instant": "arcing", "at_ms": found + 0.5})
        assert (status, answer["version"]) == (200, 1)
        assert read_log(folder / "edits.jsonl").edits[0].who == "R. Person"
        server.settled()
    table = pd.read_parquet(folder / "features.parquet")
    row = table[table["interrupter"] == "A2"].iloc[0]
    assert row["arcing_contact_ms"] == pytest.approx(found + 0.5)
    assert row["by_hand"] == "arcing contact"
    report = (folder / "report.html").read_text("utf-8")
    assert "Edits by hand" in report
    assert "R. Person" in report


def test_a_preview_is_kept_nowhere(tmp_path: Path) -> None:
    folder = made(tmp_path)
    with serving(folder) as server:
        key = key_of(server.ask("/api/overview"), "A1")
        before = server.ask(f"/api/reading?reading={key}")
        told = {
            "reading": key,
            "edits": [{"action": "move", "instant": "main", "at_ms": before["instants"]["main"]["ms"] - 0.4}],
        }
        status, _, body = server.request("POST", "/api/preview", told)
        assert status == 200
        after = json.loads(body)
        assert after["instants"]["main"]["ms"] == pytest.approx(before["instants"]["main"]["ms"] - 0.4)
        assert server.ask(f"/api/reading?reading={key}") == before
        assert not (folder / "edits.jsonl").exists()


def test_stopped_at_once_after_a_decision_it_still_writes_the_tables(tmp_path: Path) -> None:
    folder = made(tmp_path)
    with serving(folder) as server:
        key = key_of(server.ask("/api/overview"), "B1")
        assert server.decide(key, {"action": "exclude"})[0] == 200
        assert server.stop(signal.SIGINT) == 0, server.errors
        assert server.errors == ""
    assert "excluded" in set(pd.read_csv(folder / "features.csv")["by_hand"].dropna())


def test_two_who_decide_at_once_lose_nothing(tmp_path: Path) -> None:
    """All decide on one reading from what they saw at the start; each edit is kept or refused, none lost."""
    folder = made(tmp_path)
    with serving(folder) as server:
        key = key_of(server.ask("/api/overview"), "A1")
        answers: list[tuple[int, Any, str]] = []

        def one(who: str) -> None:
            status, answer = server.decide(key, {"action": "annotate"}, who=who, reason=f"by {who}")
            answers.append((status, answer, who))

        threads = [threading.Thread(target=one, args=(f"P{n}",)) for n in range(6)]
        for t in threads:
            t.start()
        for t in threads:
            t.join()
        kept = [who for status, _, who in answers if status == 200]
        refused = [answer for status, answer, _ in answers if status == 409]
        assert len(kept) == 1
        assert len(refused) == 5
        assert all(a["overtaken"] and "decide again" in a["error"] for a in refused)
        # Each of the refused, having seen the others', keeps theirs in turn.
        for who in [w for s, _, w in answers if s == 409]:
            seen = server.ask("/api/overview")["version"]
            assert server.decide(key, {"action": "annotate"}, who=who, seen=seen)[0] == 200
    assert {e.who for e in read_log(folder / "edits.jsonl").edits} == {f"P{n}" for n in range(6)}


def test_those_who_decide_on_different_readings_do_not_wait_for_each_other(tmp_path: Path) -> None:
    folder = made(tmp_path)
    with serving(folder) as server:
        told = server.ask("/api/overview")
        for name in ("A1", "A2", "B1"):
            assert server.decide(key_of(told, name), {"action": "accept"}, seen=0)[0] == 200
        assert server.ask("/api/overview")["version"] == 3


def test_an_undo_is_an_entry_and_brings_back_what_was_found(tmp_path: Path) -> None:
    with serving(made(tmp_path)) as server:
        key = key_of(server.ask("/api/overview"), "A2")
        before = server.ask(f"/api/reading?reading={key}")
        server.decide(key, {"action": "move", "instant": "arcing", "at_ms": before["instants"]["arcing"]["ms"] + 1})
        server.decide(key, {"action": "undo", "undoes": 1}, seen=1)
        assert server.ask(f"/api/reading?reading={key}") == before
        edits = server.ask("/api/overview")["edits"]
        assert [(e["what"], e["holds"]) for e in edits][1] == ("undoes edit 1", False)
        assert [e["holds"] for e in edits] == [False, False]


@pytest.mark.skipif(os.name == "nt", reason="signals of another kind there")
@pytest.mark.parametrize("part", ["features.parquet", "report.html", "source.json"])
def test_killed_while_it_saves_it_loses_nothing(part: str, tmp_path: Path) -> None:
    """Killed as soon as that file of the new result is being made or moved in: all is there, whole, and catches up."""
    folder = made(tmp_path)
    names = {p.name for p in folder.iterdir()}
    with serving(folder) as server:
        told = server.ask("/api/overview")
        server.decide(key_of(told, "A1"), {"action": "exclude"}, reason="first")
        server.decide(key_of(told, "A2"), {"action": "accept"}, reason="second")
        # The file stands there for some milliseconds: where it was missed, another saving is waited for.
        decided, until = ["first", "second"], time.monotonic() + 60.0
        again = time.monotonic() + 6.0
        while not any(p.name == part for p in folder.glob(".part-*/*")):
            assert time.monotonic() < until, "no saving was seen"
            if time.monotonic() > again:
                again = time.monotonic() + 6.0
                decided.append(f"{len(decided)} more")
                server.decide(key_of(told, "A2"), {"action": "accept"}, reason=decided[-1])
        assert server.stop(signal.SIGKILL) == -signal.SIGKILL
    in_order(folder)
    assert names <= {p.name for p in folder.iterdir()}
    # All files are of one saving.
    told = [json.loads((folder / "findings.json").read_text("utf-8"))["provenance"]["edits"]]
    for table in ("features", "mechanisms", "timing", "travel"):
        about = json.loads(pq.read_schema(folder / f"{table}.parquet").metadata[b"drm"])
        told.append(about["provenance"]["edits"])
    assert len({len(t) for t in told}) == 1
    assert ("second" in (folder / "report.html").read_text("utf-8")) == (len(told[0]) >= 2)
    assert len(pd.read_parquet(folder / "features.parquet")) == 6
    assert (folder / "report.html").read_text("utf-8").rstrip().endswith("</html>")
    assert [e.reason for e in read_log(folder / "edits.jsonl").edits] == decided
    with serving(folder) as once_more:
        assert once_more.settled()["version"] == len(decided)
    assert "excluded" in set(pd.read_parquet(folder / "features.parquet")["by_hand"])


def test_the_second_result_is_only_looked_at(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    one, two = made(tmp_path / "a"), made(tmp_path / "b", "close-two-per-pole")
    with serving(one, "--beside", str(two)) as server:
        told = server.ask("/api/overview")
        key = key_of(told["beside"], "B2")
        reading = server.ask(f"/api/reading?of=beside&reading={key}")
        assert (reading["name"], reading["kind"]) == ("B2", "closing")
        low, high = reading["time"]["whole"]
        _, _, body = server.request(
            "GET", f"/api/columns?of=beside&reading={key}&axis=time&low={low}&high={high}&columns=300"
        )
        assert np.frombuffer(body).size % 12 == 0


# -- the command


def test_the_missing_extra_is_one_line_and_status_two(tmp_path: Path) -> None:
    """A folder on the path whose `starlette` cannot be imported stands in for an installation without the extra."""
    (tmp_path / "starlette.py").write_text(
        "raise ModuleNotFoundError(\"No module named 'starlette'\", name='starlette')"
    )
    folder = made(tmp_path)
    code = "import sys; sys.argv = ['drm', 'review', sys.argv[1]]; from drm.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-P", "-c", code, str(folder)],
        capture_output=True, text=True, timeout=120, env={**os.environ, "PYTHONPATH": str(tmp_path)},
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "pip install 'interrupter-drm[review]'" in done.stderr


def test_a_folder_without_a_result_is_one_line_and_status_two(tmp_path: Path) -> None:
    done = drm_words("review", str(tmp_path), "--no-browser")
    assert done.returncode == 2
    assert done.stderr.startswith(f"drm: {tmp_path}: holds no result that can be reviewed: source.json is missing; ")
    assert done.stderr.count("\n") == 1


def test_a_port_that_is_taken_is_one_line_and_status_two(server: Server, tmp_path: Path) -> None:
    done = drm_words("review", str(made(tmp_path)), "--no-browser", "--port", str(server.port))
    assert done.returncode == 2
    assert done.stderr.startswith(f"drm: --port: port {server.port} cannot be used")
    assert done.stderr.count("\n") == 1


def test_edits_given_to_diagnose_give_the_reviewed_tables(tmp_path: Path) -> None:
    source = tmp_path / "in"
    shutil.copytree(RECORDS / "series-injection", source)
    words = ("diagnose", str(source / "record.cfg"), "--breaker", str(source / "breaker.toml"))
    folder = made(tmp_path)
    with serving(folder) as server:
        server.decide(key_of(server.ask("/api/overview"), "C1"), {"action": "exclude"}, reason="lead was loose")
        server.settled()
    refused = drm_words(*words, "--out", str(folder))
    assert refused.returncode == 2
    assert "holds 1 edits by hand" in refused.stderr
    done = drm_words(*words, "--out", str(tmp_path / "again"), "--edits", str(folder / "edits.jsonl"))
    assert done.returncode == 0, done.stderr
    assert "Edits by hand: 1 hold, on 1 interrupters, by R. Person" in " ".join(done.stdout.split())
    both = [pd.read_parquet(f / "features.parquet") for f in (folder, tmp_path / "again")]
    pd.testing.assert_frame_equal(*both)


def test_edits_of_another_record_are_refused_by_diagnose(tmp_path: Path) -> None:
    folder = made(tmp_path)
    with serving(folder) as server:
        server.decide(key_of(server.ask("/api/overview"), "C1"), {"action": "exclude"})
    other = RECORDS / "close-two-per-pole"
    done = drm_words(
        "diagnose", str(other / "record.cfg"), "--breaker", str(other / "breaker.toml"),
        "--out", str(tmp_path / "o"), "--edits", str(folder / "edits.jsonl"),
    )  # fmt: skip
    assert done.returncode == 2
    assert "made on another record" in done.stderr


def test_the_shell_completes_the_words_of_the_command_line() -> None:
    """As the README says it is switched on; the answer is what the shell's script asks for (click's own protocol)."""
    script = Path(sys.executable).with_name("drm")
    readme = (Path(__file__).resolve().parents[1] / "README.md").read_text(encoding="utf-8")
    for shell in ("bash", "zsh", "fish"):
        assert f"_DRM_COMPLETE={shell}_source drm" in readme
        done = subprocess.run(
            [script], capture_output=True, text=True, timeout=60, env={**os.environ, "_DRM_COMPLETE": f"{shell}_source"}
        )
        assert "_DRM_COMPLETE" in done.stdout
    asked = {"_DRM_COMPLETE": "bash_complete", "COMP_WORDS": "drm rev", "COMP_CWORD": "1"}
    done = subprocess.run([script], capture_output=True, text=True, timeout=60, env={**os.environ, **asked})
    assert done.stdout.split() == ["plain,review"]
