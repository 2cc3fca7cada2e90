"""The same work on many items, side by side: kernels and array work leave the interpreter's lock to the others."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from threadpoolctl import ThreadpoolController

__all__ = ["WORTH", "calm", "side_by_side"]

A = TypeVar("A")
B = TypeVar("B")

#: More would wait for memory and for one another.
MOST = 4
#: Samples of a trace below which threads spend more on handing the interpreter's lock over than they gain, and 20 MB
#: of memory besides.
WORTH = 200_000
#: How many modules were loaded when the libraries were looked for, and what was found.
_FOUND: dict[str, Any] = {}


@contextmanager
def calm() -> Iterator[None]:
    """Linear algebra on one thread while this lasts; also a decorator, ``@calm()``.

    The matrices here are small. A library that spreads them over threads makes these wait for one another in a loop:
    on a machine with other work to do that took ten times as long as the job itself.
    """
    with _libraries().limit(limits=1, user_api="blas"):
        yield


def _libraries() -> ThreadpoolController:
    """Libraries with threads of their own; they are looked for again when modules have been loaded since."""
    from threadpoolctl import ThreadpoolController

    if _FOUND.get("modules") != len(sys.modules):
        _FOUND.update(modules=len(sys.modules), controller=ThreadpoolController())
    controller: ThreadpoolController = _FOUND["controller"]
    return controller


def side_by_side(work: Callable[[A], B], items: Iterable[A], *, most: int | None = None) -> list[B]:
    """``[work(x) for x in items]``, in this order, on as many threads as there are processors, at most four.

    Each thread takes the next item when it is done with one. An error is raised, and nothing new begun after it.

    Parameters
    ----------
    most : int, optional
        Threads at the most; with one the work is done in the calling thread.
    """
    waiting = list(items)
    many = min(MOST if most is None else most, len(waiting), _processors())
    if many < 2:
        return [work(x) for x in waiting]
    done: dict[int, B] = {}
    # The threads share one iterator: what hands a short record out one by one holds the lock for a tenth of its time.
    turns = iter(range(len(waiting)))

    def take() -> None:
        try:
            for k in turns:
                done[k] = work(waiting[k])
        except BaseException:
            for _ in turns:
                pass
            raise

    with ThreadPoolExecutor(max_workers=many) as pool:
        for thread in [pool.submit(take) for _ in range(many)]:
            thread.result()
    return [done[k] for k in range(len(waiting))]


def _processors() -> int:
    """Processors that this process may use; not every system tells them apart from those that there are."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
