"""A result to review, a server of its own for it, and a plain client that speaks as the page does."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import drm

RECORDS = Path(__file__).parent / "data" / "records"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


@cache
def diagnosed(name: str) -> drm.Result:
    """The named record's result, made once."""
    folder = RECORDS / name
    return drm.diagnose(drm.read(folder / "record.cfg"), drm.Breaker.load(folder / "breaker.toml"))


def made(tmp_path: Path, name: str = "series-injection") -> Path:
    """A result folder of its own, saved from the named record, which stays where it is."""
    out = tmp_path / "result"
    diagnosed(name).save(out)
    return out


class Server:
    """``drm review`` in a process of its own."""

    def __init__(self, folder: Path, *words: str) -> None:
        self.folder = folder
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-m", "drm", "review", str(folder), "--no-browser", *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        assert self.process.stdout is not None
        self.url = self.process.stdout.readline().strip()
        if not self.url:
            assert self.process.stderr is not None
            raise AssertionError(self.process.stderr.read())
        self.port = int(self.url.split(":")[2].split("/")[0])
        self.token = self.url.split("token=")[1]

    def request(
        self, method: str, path: str, body: object = None, *, headers: dict[str, str] | None = None
    ) -> tuple[int, dict[str, str], bytes]:
        """One request as the page would make it, `headers` on top (None takes one away)."""
        own = {
            "Host": f"127.0.0.1:{self.port}",
            "Cookie": f"drm_review_{self.port}={self.token}",
        }
        if method == "POST":
            own |= {"Origin": f"http://127.0.0.1:{self.port}", "X-Drm-Review": "1", "Content-Type": "application/json"}
        own = {k: v for k, v in (own | (headers or {})).items() if v is not None}
        data = None if body is None else body if isinstance(body, bytes) else json.dumps(body).encode()
        with contextlib.closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)) as line:
            line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            for k, v in own.items():
                line.putheader(k, v)
            if data is not None:
                line.putheader("Content-Length", str(len(data)))
            line.endheaders(data)
            answer = line.getresponse()
            return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()

    def ask(self, path: str) -> Any:
        """JSON of an address that must answer."""
        status, _, body = self.request("GET", path)
        assert status == 200, body
        return json.loads(body)

    def decide(
        self, key: str, *edits: dict[str, Any], who: str = "R. Person", reason: str = "seen", seen: int = 0
    ) -> Any:
        """Edits as the page sends them; status and answer."""
        told = {"reading": key, "seen": seen, "who": who, "reason": reason, "edits": list(edits)}
        status, _, body = self.request("POST", "/api/decide", told)
        return status, json.loads(body)

    def settled(self) -> Any:
        """The overview once tables and report have caught up with the log."""
        for _ in range(200):
            told = self.ask("/api/overview")
            if told["written"] == told["version"] or told["trouble"]:
                return told
            time.sleep(0.1)
        raise AssertionError("tables and report did not catch up")

    def stop(self, how: int = signal.SIGINT) -> int:
        """Stop it and wait; its exit status."""
        if self.process.poll() is None:
            self.process.send_signal(how)
        assert self.process.stdout is not None
        assert self.process.stderr is not None
        try:
            self.process.wait(60)
        finally:
            self.errors = self.process.stderr.read() if self.process.poll() is not None else ""
            self.process.stdout.close()
            self.process.stderr.close()
        return self.process.returncode


@contextlib.contextmanager
def serving(folder: Path, *words: str) -> Iterator[Server]:
    """A server for the time of the block."""
    server = Server(folder, *words)
    try:
        yield server
    finally:
        if server.process.poll() is None or not server.process.stdout.closed:  # type: ignore[union-attr]
            server.stop(signal.SIGKILL)


def key_of(told: Any, name: str, operation: int = 1) -> str:
    """What the page calls a reading."""
    return next(r["key"] for r in told["readings"] if (r["name"], r["operation"]) == (name, operation))
