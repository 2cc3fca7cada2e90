"""Findings: what the features, limits and physics say, and what each statement rests on."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

Level = Literal["hold", "inspect", "watch", "note"]
Subject = Literal["contact", "timing", "mechanism", "setup"]


@dataclass(frozen=True)
class Finding:
    """One statement about the breaker or the test, with its evidence."""

    code: str
    level: Level
    subject: Subject
    message: str
    basis: str
    advice: str
    interrupters: tuple[str, ...] = ()
    operations: tuple[int, ...] = ()
    evidence: dict[str, Any] = field(default_factory=dict)
