"""Where a long job stands, told to whoever listens; silent where nobody does."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

__all__ = ["listening", "now"]

_listener: ContextVar[Callable[[str], object] | None] = ContextVar("drm_progress", default=None)


def now(words: str) -> None:
    """Say what is being done now; for the thread that began the job."""
    listener = _listener.get()
    if listener is not None:
        listener(words)


@contextmanager
def listening(listener: Callable[[str], object]) -> Iterator[None]:
    """Give every word of progress to `listener` for the time of the block."""
    token = _listener.set(listener)
    try:
        yield
    finally:
        _listener.reset(token)
