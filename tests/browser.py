"""A real browser for the tests, and what it complains of."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")

AXE = Path(__file__).parent / "data" / "axe" / "axe.min.js"
#: axe-core 4.14.1 as the npm registry has it.
AXE_SHA256 = "29348999450cdf2849a8e70b7912fc2da85a849da39c0d0d5394f51d4a9ed95c"


@contextmanager
def chromium() -> Iterator[Any]:
    """A browser without a window."""
    driver = pytest.importorskip("playwright.sync_api")
    with driver.sync_playwright() as p:
        browser = p.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        try:
            yield browser
        finally:
            browser.close()


class Tab:
    """A page of its own, with all that it said and asked for."""

    def __init__(self, browser: Any, *, width: int = 1500, height: int = 1000, **more: Any) -> None:
        self.context = browser.new_context(viewport={"width": width, "height": height}, **more)
        self.page = self.context.new_page()
        self.said: list[str] = []
        self.asked: list[str] = []
        self.dialogs: list[str] = []
        self.page.on("console", lambda m: self.said.append(m.text))
        self.page.on("pageerror", lambda e: self.said.append(str(e)))
        self.page.on("request", lambda r: self.asked.append(r.url))
        self.page.on("dialog", self._dialog)

    def _dialog(self, dialog: Any) -> None:
        self.dialogs.append(dialog.message)
        dialog.dismiss()

    def until(self, condition: str, *, seconds: float = 15.0) -> None:
        """Wait until `condition` holds in the page; asked from outside, since the page's policy forbids it within."""
        end = time.monotonic() + seconds
        while not self.page.evaluate(condition):
            if time.monotonic() > end:
                raise AssertionError(f"did not become true: {condition}")
            self.page.wait_for_timeout(50)

    def barriers(self) -> list[str]:
        """What axe-core calls serious or critical, one line each."""
        source = AXE.read_bytes()
        assert sha256(source).hexdigest() == AXE_SHA256
        self.page.evaluate(source.decode("utf-8"))
        found = self.page.evaluate("axe.run(document, {resultTypes: ['violations']})")
        return [
            f"{v['id']}: {n['target']} {n.get('failureSummary', '')}"
            for v in found["violations"]
            if v["impact"] in ("serious", "critical")
            for n in v["nodes"]
        ]
