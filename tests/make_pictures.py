"""The README's pictures, made anew: ``python tests/make_pictures.py tests/pictures``.

Needs Chromium and the `test` extra. A test makes them too, and looks that the README shows these and no others.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from browser import Tab, chromium
from review_fixture import Server, key_of, made, serving

import drm

#: File -> what it shows.
PICTURES = {
    "review.png": "the review page with an instant being moved",
    "review-beside.png": "two interrupters side by side over time",
    "plots.png": "plots made in Python",
}


def make(out: Path) -> None:
    """Write every picture into `out`."""
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as work, chromium() as browser:
        folder = made(Path(work), "open-close-open")
        with serving(folder) as server:
            _page(browser, server, out)
        _plots(folder, out)


def _page(browser: object, server: Server, out: Path) -> None:
    told = server.ask("/api/overview")
    tab = Tab(browser, width=1500, height=1020)
    key, beside = key_of(told, "B2"), key_of(told, "B3")
    tab.page.goto(server.url)
    tab.page.wait_for_selector("#own .traces[data-ready]")
    tab.page.click(f'[data-key="{key}"]')
    tab.page.wait_for_selector(f'#own .traces[data-ready^="{key} "]')
    tab.page.focus("#flag-arcing")
    for _ in range(3):
        tab.page.keyboard.press("Shift+ArrowRight")
    tab.page.wait_for_selector("#changes:not([hidden])")
    tab.page.wait_for_load_state("networkidle")
    tab.page.screenshot(path=out / "review.png")
    tab.page.click('[data-back="arcing"]')
    tab.page.check("#axis-time")
    tab.page.select_option("#beside", value=f"own {beside}")
    tab.page.wait_for_selector(f'#other .traces[data-ready^="{beside} time"]')
    tab.page.wait_for_load_state("networkidle")
    tab.page.wait_for_timeout(300)
    tab.page.locator("#panes").screenshot(path=out / "review-beside.png")


def _plots(folder: Path, out: Path) -> None:
    import matplotlib

    matplotlib.use("agg")
    import matplotlib.pyplot as plt

    from drm.origin import find_again

    origin = find_again(folder)
    result = drm.diagnose(origin.record, origin.breaker)
    figure, axes = plt.subplots(1, 3, figsize=(15, 4.2), layout="constrained")
    result.plot.resistance("B2", ax=axes[0])
    result.plot.instants(ax=axes[1])
    result.plot.siblings("arcing_wipe_mm", ax=axes[2])
    figure.savefig(out / "plots.png", dpi=80)
    plt.close(figure)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("one word is needed: the folder for the pictures")
    make(Path(sys.argv[1]))
