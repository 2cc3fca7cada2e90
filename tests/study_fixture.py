"""A small fleet on disk, simulated once, and what two studies must have alike."""

from __future__ import annotations

import hashlib
import shutil
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import numpy as np

from drm.study.run import Study, study
from drm.synthetic import Scenario, simulate, write_simulation
from drm.synthetic.scenario import Chain, Fault

BREAKERS = 10
SHORT = "station 0/b03"


@cache
def simulated() -> Path:
    """Ten breakers of three interrupters; the fourth has a short wipe in B1."""
    home = Path(mkdtemp(prefix="drm-study-"))
    for n in range(BREAKERS):
        faults = (Fault("B1", "short_wipe", 10.0),) if n == 3 else ()
        scenario = Scenario(
            name="test",
            poles=("A", "B", "C"),
            length_ms=110.0,
            chain=Chain(sample_rate_hz=10_000.0, oversampling=2),
            faults=faults,
        )
        made = simulate(scenario, rng=np.random.default_rng([7, n]))
        breaker = replace(
            made.breaker,
            name=f"breaker {n}",
            serial=f"S{n:02d}",
            station="north" if n < 5 else "south",
            type="spring" if n % 2 else "hydraulic",
            commissioned=f"{2000 + n}-06-01",
            conditions=replace(made.breaker.conditions, date="2024-06-01", operation_count=100 * n),
        )
        write_simulation(replace(made, breaker=breaker), home / f"station {n // 5}" / f"b{n:02d}")
    return home


def fleet(tmp_path: Path) -> Path:
    """A copy of the fleet that a test may spoil."""
    root = tmp_path / "fleet"
    shutil.copytree(simulated(), root)
    return root


@cache
def done() -> Study:
    """The fleet's study, made once by one process."""
    return study(simulated(), out=Path(mkdtemp(prefix="drm-study-")) / "out", jobs=1)


def prints(out: Path) -> dict[str, str]:
    """Hash of every file of the tables."""
    return {str(p.relative_to(out)): hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(out.rglob("*.parquet"))}
