"""Figures of mechanism, coil, motor and contact lie within their stated uncertainty, on simulated truth."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

BENCHMARK = Path(__file__).resolve().parents[1] / "benchmarks" / "mechanism_figures.py"
CASES = 20


@pytest.fixture(scope="module")
def errors() -> dict[str, np.ndarray]:
    """Column -> rows of (error, standard uncertainty, expanded), of the cases that the benchmark draws."""
    spec = importlib.util.spec_from_file_location("mechanism_figures", BENCHMARK)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return {k: np.array(v) for k, v in module.errors_of(range(500, 500 + CASES)).items()}


def test_every_figure_is_measured_in_nearly_every_case(errors):
    # A coil that is cut off while its current still changes has no plateau.
    few = {k: len(v) for k, v in errors.items() if len(v) < 0.9 * CASES and not k.startswith("coil_plateau")}
    assert few == {}


def test_all_figures_together_are_covered_as_stated(errors):
    inside = np.concatenate([np.abs(v[:, 0]) <= v[:, 2] + 1e-12 for v in errors.values()])
    assert 0.93 <= float(np.mean(inside)) <= 0.975


def test_no_figure_is_far_from_what_it_states(errors):
    bad = {}
    for column, v in errors.items():
        rms = float(np.sqrt(np.mean(v[:, 0] ** 2)))
        stated = float(np.sqrt(np.mean(v[:, 1] ** 2)))
        inside = float(np.mean(np.abs(v[:, 0]) <= v[:, 2] + 1e-12))
        # A swing that all but touches the band makes the damping time long-tailed: there the share counts.
        tailed = column.startswith("damping_time")
        if inside < 0.8 or not (tailed or 0.5 * stated < rms < 1.6 * stated):
            bad[column] = (inside, rms, stated)
    assert bad == {}
