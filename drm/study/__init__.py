"""A study: the whole job over a tree of records, one table of features, and what the fleet teaches."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from drm.study.run import Study, study
    from drm.study.transformers import FleetDeviations, RecordFeatures

__all__ = ["FleetDeviations", "RecordFeatures", "Study", "study"]

_WHERE = {
    "FleetDeviations": "drm.study.transformers",
    "RecordFeatures": "drm.study.transformers",
    "Study": "drm.study.run",
    "study": "drm.study.run",
}


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module 'drm.study' has no attribute '{name}'")
    return getattr(import_module(_WHERE[name]), name)
