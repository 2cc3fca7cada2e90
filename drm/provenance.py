"""What was read, by what, with which settings."""

from __future__ import annotations

import os
from dataclasses import asdict
from typing import Any

from drm.breaker import Breaker
from drm.record import Record

__all__ = ["provenance_of"]


def provenance_of(record: Record, breaker: Breaker) -> dict[str, Any]:
    """What was read, by what, with which settings: data, written after the steps succeeded."""
    import platform
    from importlib import import_module

    from drm import __version__

    return {
        "program": "drm",
        "version": __version__,
        "python": platform.python_version(),
        "libraries": {name: str(import_module(name).__version__) for name in ("numpy", "scipy", "numba", "pandas")},
        "inputs": dict(record.sha256),
        "breaker_file": os.path.basename(breaker.path) if breaker.path else None,
        "record_flags": list(record.flags),
        "record_start": record.start.isoformat() if record.start else None,
        "samples": int(record.time_s.size),
        "sample_rate_hz": record.sample_rate_hz,
        "instrument": asdict(breaker.instrument),
        "conditions": asdict(breaker.conditions),
        "steps": ["operations", "traces", "travel", "zones", "features", "siblings", "findings"],
    }
