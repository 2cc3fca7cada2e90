"""What pure steps gave is kept while one record is concluded from again and again: an edit costs what it changes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import fields, is_dataclass
from functools import wraps
from typing import Any, ParamSpec, TypeVar

__all__ = ["Kept", "keeping", "kept"]

P = ParamSpec("P")
T = TypeVar("T")

#: What was not asked for in so many rounds is let go: an edit is looked at before it is kept, and may be taken back.
ROUNDS = 3


class Kept:
    """Answers of steps by their name and arguments; for one thread at a time."""

    def __init__(self) -> None:
        self.round = 0
        self._answers: dict[Any, tuple[int, Any, Any]] = {}

    def __len__(self) -> int:
        return len(self._answers)

    def answer(self, work: Callable[..., T], args: tuple[Any, ...], more: dict[str, Any]) -> T:
        """That of the last time, or a new one."""
        key = (work, _key(args), _key(more))
        known = self._answers.get(key)
        made: T = work(*args, **more) if known is None else known[1]
        # The arguments are held: what is told by its identity must not make room for another with the same.
        self._answers[key] = (self.round, made, (args, more))
        return made

    def end_of_round(self) -> None:
        """Let go what nobody asks for any more."""
        self.round += 1
        old = [k for k, (last, _, _) in self._answers.items() if last < self.round - ROUNDS]
        for key in old:
            del self._answers[key]


#: What :func:`_compared` found of each type.
_COMPARED: dict[type, tuple[str, ...] | None] = {}
_NOW: ContextVar[Kept | None] = ContextVar("drm_kept", default=None)


@contextmanager
def keeping(store: Kept) -> Iterator[None]:
    """Steps marked with :func:`kept` are answered from `store` in this block, which is one round."""
    before = _NOW.set(store)
    try:
        yield
    finally:
        _NOW.reset(before)
        store.end_of_round()


def kept(work: Callable[P, T]) -> Callable[P, T]:
    """Mark a step whose answer follows from its arguments alone and is changed by nobody; a decorator.

    Arguments count as the same where they are equal, numbers that are missing among them; arrays and what else has no
    value of its own (records, travels) where they are the same object, which nobody may write to.
    """

    @wraps(work)
    def run(*args: P.args, **more: P.kwargs) -> T:
        store = _NOW.get()
        return work(*args, **more) if store is None else store.answer(work, args, more)

    return run


def _key(value: Any) -> Any:
    """A value by which `value` is found again."""
    if isinstance(value, float):
        return value if value == value else "nan"
    if value is None or isinstance(value, (str, int)):
        return value
    if isinstance(value, (tuple, list)):
        return tuple([_key(v) for v in value])
    if isinstance(value, dict):
        return tuple([(k, _key(v)) for k, v in value.items()])
    names = _compared(type(value))
    return (type(value), id(value)) if names is None else (type(value), *[_key(getattr(value, n)) for n in names])


def _compared(kind: type) -> tuple[str, ...] | None:
    """Fields by which values of a dataclass are compared; None where they are compared by their identity."""
    if kind not in _COMPARED:
        by_value = is_dataclass(kind) and kind.__eq__ is not object.__eq__
        _COMPARED[kind] = tuple(f.name for f in fields(kind)) if by_value else None
    return _COMPARED[kind]
