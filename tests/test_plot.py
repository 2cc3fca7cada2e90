"""Plots for users of Python, and how a notebook shows a result."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from html.parser import HTMLParser

import numpy as np
import pytest
from report_fixture import renamed, result

import drm

matplotlib = pytest.importorskip("matplotlib")
matplotlib.use("agg")


@pytest.fixture(autouse=True)
def _closed() -> Iterator[None]:
    yield
    import matplotlib.pyplot as plt

    plt.close("all")


@pytest.fixture(scope="module")
def made() -> drm.Result:
    return result()


def test_resistance_is_drawn_over_travel_with_both_instants(made: drm.Result) -> None:
    ax = made.plot.resistance("B2")
    reading = next(r for r in made.readings if r.interrupter.name == "B2")
    np.testing.assert_array_equal(ax.lines[0].get_xdata(), reading.travel_mm)
    np.testing.assert_array_equal(ax.lines[0].get_ydata(), reading.resistance_uohm)
    at = [float(line.get_xdata()[0]) for line in ax.lines[2:]]
    row = made.features[(made.features["interrupter"] == "B2") & (made.features["operation"] == 1)].iloc[0]
    assert at == pytest.approx([row["main_contact_mm"], row["arcing_contact_mm"]], abs=0.05)
    assert (ax.get_yscale(), ax.get_ylabel()) == ("log", "resistance, µΩ")


def test_over_time_the_instants_stand_in_their_uncertainty(made: drm.Result) -> None:
    ax = made.plot.resistance("B2", operation=2, along="time")
    reading = next(r for r in made.readings if (r.interrupter.name, r.operation.number) == ("B2", 2))
    at = [float(line.get_xdata()[0]) for line in ax.lines[2:]]
    assert at == pytest.approx([1e3 * (q.value - 0.1) for q in (reading.zones.main_s, reading.zones.arcing_s)])
    width = ax.patches[0].get_extents().width
    pixels = ax.transData.transform([(0, 100), (4e3 * reading.zones.main_s.u, 100)])
    assert width == pytest.approx(pixels[1, 0] - pixels[0, 0], rel=1e-6)
    assert "coil current" in ax.get_xlabel()


def test_travel_draws_every_mechanism_once(made: drm.Result) -> None:
    ax = made.plot.travel(operation=2)
    assert [line.get_label() for line in ax.lines] == ["A", "B", "C"]
    assert len({line.get_linestyle() for line in ax.lines}) == 3


def test_instants_are_bars_from_the_closed_position(made: drm.Result) -> None:
    ax = made.plot.instants()
    table = made.features[made.features["operation"] == 1]
    main, alone = ax.patches[: len(table)], ax.patches[len(table) :]
    assert [p.get_width() for p in main] == pytest.approx(list(table["main_contact_mm"]))
    ends = [p.get_x() + p.get_width() for p in alone]
    assert ends == pytest.approx(list(table["arcing_contact_mm"]))
    assert [t.get_text() for t in ax.get_yticklabels()] == list(table["interrupter"])


def test_siblings_shows_the_worn_one_below_the_median(made: drm.Result) -> None:
    ax = made.plot.siblings("arcing_wipe_mm", kind="open")
    names = [t.get_text() for t in ax.get_xticklabels()]
    middle = next(line for line in ax.lines if line.get_label() == "median of all").get_ydata()[0]
    values = ax.containers[0].lines[0].get_ydata()
    assert values[names.index("C3")] < 0.6 * middle
    assert ax.get_ylabel() == "arcing wipe, mm"


@pytest.mark.parametrize("plot", ["resistance", "travel", "instants", "siblings"])
def test_a_plot_goes_into_the_axes_that_are_given(made: drm.Result, plot: str) -> None:
    import matplotlib.pyplot as plt

    _, ax = plt.subplots()
    words = ("A1",) if plot == "resistance" else ()
    assert getattr(made.plot, plot)(*words, ax=ax) is ax
    assert len(plt.get_fignums()) == 1


def test_without_travel_everything_is_over_time() -> None:
    made = result(travel=False)
    assert "time" in made.plot.resistance("A1").get_xlabel()
    with pytest.raises(drm.InputError, match="no travel was recorded"):
        made.plot.travel()
    with pytest.raises(drm.InputError, match="along='time'"):
        made.plot.resistance("A1", along="travel")


@pytest.mark.parametrize(
    ("call", "words", "told"),
    [
        ("resistance", {"interrupter": "B22"}, "did you mean 'B2'"),
        ("resistance", {"interrupter": "B2", "operation": 9}, "allowed: 1, 2, 3"),
        ("resistance", {"interrupter": "B2", "along": "mass"}, "allowed: travel, time"),
        ("instants", {"along": "mass"}, "allowed: travel, time"),
        ("siblings", {"feature": "arcing_wipe"}, "did you mean 'arcing_wipe_m"),
        ("siblings", {"kind": "shut"}, "allowed: open, close"),
        ("travel", {"operation": 0}, "allowed: 1, 2, 3"),
    ],
)
def test_what_is_not_there_is_told_with_the_nearest(
    made: drm.Result, call: str, words: dict[str, object], told: str
) -> None:
    with pytest.raises(drm.InputError, match=told):
        getattr(made.plot, call)(**words)


def test_matplotlib_is_loaded_by_the_first_plot_only() -> None:
    code = "import sys, drm, drm.plot, drm.pipeline; print('matplotlib' in sys.modules)"
    done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, timeout=120)
    assert done.stdout.strip() == "False", done.stderr


class Shape(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.depth = 0

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.tags.append(tag)
        self.depth += 1

    def handle_endtag(self, tag: str) -> None:
        self.depth -= 1


def test_a_notebook_shows_verdict_figures_and_findings(made: drm.Result) -> None:
    shown = made._repr_html_()
    assert "Inspect." in shown
    assert "C3 has an arcing wipe of 9.2" in shown
    assert shown.count("<tr>") == 1 + len(made.breaker.interrupters)
    assert "safe" not in re.sub(r"<[^>]+>", "", shown)


@pytest.mark.parametrize("hostile", ["<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "\u202e\x1b[2J"])
def test_hostile_names_stay_words_in_a_notebook(made: drm.Result, hostile: str) -> None:
    shown = renamed(made, hostile)._repr_html_()
    seen = Shape()
    seen.feed(shown)
    assert set(seen.tags) <= {"div", "p", "strong", "table", "thead", "tbody", "tr", "th", "td", "ul", "li"}
    assert seen.depth == 0
    assert "\u202e" not in shown
    assert "\x1b" not in shown
