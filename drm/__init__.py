"""Dynamic contact resistance of high-voltage circuit-breakers: from a record to figures and findings.

The names below are the interface for Python; they are loaded on first use, so that `import drm` stays light.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from drm.breaker import Breaker
    from drm.errors import BreakerError, DrmError, InputError, OutputError, RecordError, ScenarioError
    from drm.pipeline import Result, diagnose
    from drm.readers import read
    from drm.record import Channel, Record

__version__ = "0.1.0"

__all__ = [
    "Breaker",
    "BreakerError",
    "Channel",
    "DrmError",
    "InputError",
    "OutputError",
    "Record",
    "RecordError",
    "Result",
    "ScenarioError",
    "__version__",
    "diagnose",
    "read",
]

_WHERE = {
    "Breaker": "drm.breaker",
    "BreakerError": "drm.errors",
    "Channel": "drm.record",
    "DrmError": "drm.errors",
    "InputError": "drm.errors",
    "OutputError": "drm.errors",
    "Record": "drm.record",
    "RecordError": "drm.errors",
    "Result": "drm.pipeline",
    "ScenarioError": "drm.errors",
    "diagnose": "drm.pipeline",
    "read": "drm.readers",
}

# A checkout without links holds a small text file where drm/features should be a folder:
# the real folders then stand in the root, one level up.
_here = Path(__file__).parent
if not (_here / "features").is_dir() and (_here.parent / "features").is_dir():
    __path__.append(str(_here.parent))


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module 'drm' has no attribute '{name}'")
    return getattr(import_module(_WHERE[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
