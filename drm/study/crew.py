"""Who does the work: this process, processes of this machine, or a Dask cluster; tasks in, receipts out."""

from __future__ import annotations

import math
import os
import threading
import time
from collections import deque
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from typing import Any, Protocol

from drm.errors import InputError
from drm.study.work import Receipt, Task, run

__all__ = ["Alone", "Cluster", "Crew", "Died", "Processes"]

#: How often a cluster is asked for its size, s.
ASK_S = 5.0


class Died(Exception):
    """A worker died; `tasks` were under way, and one of them may be the cause."""

    def __init__(self, tasks: list[Task]) -> None:
        super().__init__("a worker died")
        self.tasks = tasks


class Crew(Protocol):
    """Takes tasks and gives receipts in whatever order they are done."""

    @property
    def size(self) -> int:
        """How many tasks are worked on at a time."""

    @property
    def waiting(self) -> int:
        """Tasks given and not yet answered."""

    def give(self, task: Task) -> None:
        """Hand a task over."""

    def next(self) -> tuple[Task, Receipt]:
        """The next receipt; raises what the task raised, or `Died`."""

    def close(self) -> None:
        """Stop; what is under way is dropped."""


class Alone:
    """The process that makes the study."""

    size = 1

    def __init__(self) -> None:
        self._tasks: deque[Task] = deque()

    @property
    def waiting(self) -> int:
        """Tasks given and not yet answered."""
        return len(self._tasks)

    def give(self, task: Task) -> None:
        """Hand a task over."""
        self._tasks.append(task)

    def next(self) -> tuple[Task, Receipt]:
        """Do the task that waits longest."""
        task = self._tasks.popleft()
        return task, run(task)

    def close(self) -> None:
        """Nothing runs."""


class Processes:
    """Processes of this machine; after one died all are replaced."""

    def __init__(self, size: int) -> None:
        self.size = size
        self._pool = self._new()
        self._tasks: dict[Future[Receipt], Task] = {}

    def _new(self) -> ProcessPoolExecutor:
        from multiprocessing import get_context

        # Each begins anew: a copy of a process with threads in it may wait for ever.
        return ProcessPoolExecutor(self.size, mp_context=get_context("spawn"), initializer=_follow_the_parent)

    @property
    def waiting(self) -> int:
        """Tasks given and not yet answered."""
        return len(self._tasks)

    def give(self, task: Task) -> None:
        """Hand a task over."""
        try:
            self._tasks[self._pool.submit(run, task)] = task
        except BrokenProcessPool:
            # Nobody has been told yet; the next receipt that is asked for tells it.
            broken: Future[Receipt] = Future()
            broken.set_exception(BrokenProcessPool())
            self._tasks[broken] = task

    def next(self) -> tuple[Task, Receipt]:
        """The next receipt."""
        done, _ = wait(self._tasks, return_when=FIRST_COMPLETED)
        # Receipts first: what is done must not count as under way when another worker died.
        future = min(done, key=lambda f: isinstance(f.exception(), BrokenProcessPool))
        try:
            receipt = future.result()
        except BrokenProcessPool:
            tasks = list(self._tasks.values())
            self._tasks.clear()
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = self._new()
            raise Died(tasks) from None
        except BaseException:
            del self._tasks[future]
            raise
        return self._tasks.pop(future), receipt

    def close(self) -> None:
        """Stop the processes without waiting for what they do."""
        workers = list((getattr(self._pool, "_processes", None) or {}).values())
        self._pool.shutdown(wait=not self._tasks, cancel_futures=True)
        if self._tasks:
            for worker in workers:
                worker.terminate()
            for worker in workers:
                worker.join()


def _follow_the_parent() -> None:
    """End with the process that started this one, even if that was killed; leave its stop key to it."""
    import signal
    from multiprocessing import parent_process
    from multiprocessing.connection import wait as wait_for

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = parent_process()
    if parent is None:
        return

    def watch() -> None:
        wait_for([parent.sentinel])
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


class Cluster:
    """Workers of a Dask cluster that see the folders under the same names.

    Raises
    ------
    InputError
        If the library is missing or no scheduler answers.
    """

    def __init__(self, address: str, *, patience_s: float = 15.0) -> None:
        try:
            from distributed import Client, as_completed
        except ImportError:
            mend = "pip install 'interrupter-drm[fleet]'"
            raise InputError("a cluster needs the extra 'fleet'", place="--scheduler", mend=mend) from None
        client = None
        try:
            client = Client(address, timeout=patience_s, set_as_default=False)
            client.wait_for_workers(1, timeout=4.0 * patience_s)
        except (OSError, ValueError) as error:
            if client is not None:
                client.close()
            said = " ".join(str(error).split()) or type(error).__name__
            mend = "start the scheduler and its workers first, or correct the address"
            raise InputError(f"no cluster at '{address}' ({said})", place="--scheduler", mend=mend) from None
        self._client = client
        self._done: Any = as_completed([], loop=self._client.loop, with_results=False)
        self._tasks: dict[Any, Task] = {}
        self._size, self._asked = 1, -math.inf

    @property
    def size(self) -> int:
        """Threads of all workers, asked for now and then: clusters grow and shrink."""
        if time.monotonic() - self._asked > ASK_S:
            # Where nobody answers, the next receipt that is waited for says so.
            with suppress(OSError):
                self._size = max(1, sum(self._client.nthreads().values()))
            self._asked = time.monotonic()
        return self._size

    @property
    def waiting(self) -> int:
        """Tasks given and not yet answered."""
        return len(self._tasks)

    def give(self, task: Task) -> None:
        """Hand a task over."""
        future = self._client.submit(run, task, pure=False)
        self._tasks[future] = task
        self._done.add(future)

    def next(self) -> tuple[Task, Receipt]:
        """The next receipt."""
        from distributed import KilledWorker

        try:
            future = next(self._done)
            task = self._tasks.pop(future)
            receipt: Receipt = future.result()
        except KilledWorker:
            raise Died([task]) from None
        except (CancelledError, OSError) as error:
            # Tasks raise this package's errors alone: what else comes is of the connection.
            said = " ".join(str(error).split()) or type(error).__name__
            mend = "start the scheduler and the study again: what is done stays done"
            raise InputError(f"the cluster is gone ({said})", place="--scheduler", mend=mend) from None
        return task, receipt

    def close(self) -> None:
        """Leave the cluster; it goes on without us."""
        for future in self._tasks:
            future.cancel()
        self._client.close()
