"""Rules: small functions from what was measured to findings, one idea a file."""

from __future__ import annotations

__all__: list[str] = []
