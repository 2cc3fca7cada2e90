"""Simulated breakers whose truth is known."""

if __name__ != "drm.synthetic":
    raise ImportError("this folder is the package drm.synthetic: write `import drm.synthetic`, never the bare name")

from drm.synthetic.metrics import compare, summary
from drm.synthetic.scenario import Scenario
from drm.synthetic.scenario_file import load, named, shipped
from drm.synthetic.simulate import simulate
from drm.synthetic.truth import (
    AuxiliaryTruth,
    CoilTruth,
    MotionTruth,
    MotorTruth,
    Simulation,
    StaticTruth,
    Truth,
)
from drm.synthetic.write import breaker_toml, read_truth, write_simulation

__all__ = [
    "AuxiliaryTruth",
    "CoilTruth",
    "MotionTruth",
    "MotorTruth",
    "Scenario",
    "Simulation",
    "StaticTruth",
    "Truth",
    "breaker_toml",
    "compare",
    "load",
    "named",
    "read_truth",
    "shipped",
    "simulate",
    "summary",
    "write_simulation",
]
