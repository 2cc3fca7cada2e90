"""The run: what is still to be done goes out in batches of about a second, receipts come back."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable
from itertools import islice
from typing import Literal

from drm.errors import OutputError
from drm.study.crew import Crew, Died
from drm.study.index import Index
from drm.study.settings import Settings
from drm.study.tree import Unit
from drm.study.work import Receipt, Task, run

__all__ = ["drive"]

#: What a batch is meant to take, s: shorter and the handing over costs, longer and a stop loses more.
BATCH_S = 1.0
#: Units of one batch, and of one check, at the most.
MOST, CHECKED = 200, 100
#: Units tried one by one before all workers begin, so that kernels are compiled once and not by every worker.
WARMING = 4
#: Deaths of workers with one and the same unit before it is given up, and units so given up in a row before the run is.
DEATHS, IN_A_ROW = 2, 8


def drive(index: Index, crew: Crew, settings: Settings, *, progress: Callable[[int], object]) -> int:
    """Settle every unit of the index; how many had to be worked on.

    Parameters
    ----------
    index : Index
        With the tree's units, and what earlier runs know of them.
    crew : Crew
    settings : Settings
    progress : callable
        Told how many units more are settled.

    Raises
    ------
    OutputError
        If a part cannot be written, or the workers die whatever they are given.
    """
    return _Run(index, crew, settings, progress).go()


class _Run:
    def __init__(self, index: Index, crew: Crew, settings: Settings, progress: Callable[[int], object]) -> None:
        self.index, self.crew, self.settings, self.progress = index, crew, settings, progress
        self.to_check, self.new = index.met_before(), index.new()
        self.changed: deque[Unit] = deque()
        self.suspects: deque[Unit] = deque()
        self.deaths: Counter[bytes] = Counter()
        self.given_up = 0
        self.unit_s = BATCH_S
        self.warm = 0
        self.worked = 0

    def go(self) -> int:
        while True:
            while self._room() and (task := self._next()) is not None:
                self.crew.give(task)
            if not self.crew.waiting:
                return self.worked
            try:
                task, receipt = self.crew.next()
            except Died as death:
                self._mourn(death.tasks)
            else:
                self._take(task, receipt)

    def _room(self) -> bool:
        # Whoever is suspected of killing workers works alone, so that it is known who did it.
        alone = self.suspects or self.warm < WARMING
        return self.crew.waiting < (1 if alone else 2 * self.crew.size)

    def _next(self) -> Task | None:
        if self.suspects:
            return self._task("work", [self.suspects.popleft()])
        if not self.changed and (checks := list(islice(self.to_check, CHECKED))):
            return self._task("check", checks)
        many = 1 if self.warm < WARMING else max(1, min(MOST, round(BATCH_S / self.unit_s)))
        units = [self.changed.popleft() for _ in range(min(many, len(self.changed)))]
        units += islice(self.new, many - len(units))
        return self._task("work", units) if units else None

    def _task(self, what: Literal["check", "work"], units: list[Unit]) -> Task:
        return Task(what, tuple(units), self.settings)

    def _take(self, task: Task, receipt: Receipt) -> None:
        if task.what == "check":
            self._sort_out(task, receipt)
            return
        self._settle(receipt)
        self.given_up = 0
        if self.warm < WARMING:
            # The first that succeeds has compiled what the others need; its time says nothing of theirs.
            self.warm = WARMING if receipt.done else self.warm + 1
            return
        each = receipt.seconds / len(task.units)
        self.unit_s = 0.7 * self.unit_s + 0.3 * max(each, 1e-4) if self.unit_s < BATCH_S else max(each, 1e-4)

    def _settle(self, receipt: Receipt) -> None:
        self.index.settle(receipt.keys, receipt.part)
        self.worked += len(receipt.keys)
        self.progress(len(receipt.keys))

    def _sort_out(self, task: Task, receipt: Receipt) -> None:
        kept = 0
        for unit, (path, key) in zip(task.units, receipt.keys, strict=True):
            part = self.index.part_of(path, key) if key else ""
            if part:
                self.index.settle([(path, key)], part)
                kept += 1
            else:
                self.changed.append(unit)
        self.progress(kept)

    def _mourn(self, tasks: list[Task]) -> None:
        for task in tasks:
            if task.what == "check":
                self.changed.extend(task.units)
            elif len(tasks) == 1 and len(task.units) == 1:
                self._blame(task.units[0])
            else:
                self.suspects.extend(task.units)

    def _blame(self, unit: Unit) -> None:
        self.deaths[unit.path] += 1
        if self.deaths[unit.path] < DEATHS:
            self.suspects.appendleft(unit)
            return
        self.given_up += 1
        if self.given_up >= IN_A_ROW:
            what = f"workers died on {IN_A_ROW} records one after the other"
            raise OutputError(what, path=self.settings.out, mend="look at the machine's memory, and start again")
        self._settle(run(Task("lost", (unit,), self.settings)))
