"""What the fleet teaches, from the published tables."""

from __future__ import annotations

from drm.study.settings import Settings

__all__ = ["learn"]


def learn(settings: Settings) -> None:
    """Nothing yet."""
