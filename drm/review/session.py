"""One result under review: what was seen, the edits that hold, and the tables that follow them."""

from __future__ import annotations

import json
import os
import threading
from collections import OrderedDict
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from drm.edit_log import LOG_NAME, EditLog, append, read_log, tidy
from drm.edits import Edit
from drm.errors import DrmError, InputError, OutputError
from drm.origin import find_again
from drm.pipeline import Result, Seen, conclude, see
from drm.review.traces import Sheet, sheet_of
from drm.together import SeenTogether, conclude_all, see_all

if TYPE_CHECKING:
    from drm.pipeline import Reading

__all__ = ["Session"]

#: Most samples of sheets that are kept ready; more are made anew when they are asked for.
KEPT_SAMPLES = 25_000_000
#: How often tables are begun anew because an edit of another program came between.
ATTEMPTS = 5


class Session:
    """A result folder under review; may be asked from several threads at once.

    Parameters
    ----------
    folder : path
        As ``drm diagnose --out`` left it.
    record, reference : path, optional
        Where the record (or several of them), and the earlier result that it was compared with, are now if they were
        moved.
    read_only : bool
        For a result that is only looked at.

    Raises
    ------
    InputError
        If the folder holds no result, the record is not the one it was made from, or the log was altered.
    """

    def __init__(
        self,
        folder: str | os.PathLike[str],
        *,
        record: str | os.PathLike[str] | Sequence[str | os.PathLike[str]] | None = None,
        reference: str | os.PathLike[str] | None = None,
        read_only: bool = False,
    ) -> None:
        self.folder, self.read_only = Path(folder), read_only
        self.lock = threading.RLock()
        origin = find_again(self.folder, record=record, reference=reference)
        self.reference, self.population = origin.reference, origin.population
        self.seen: Seen | SeenTogether = (
            see_all(origin.records, origin.breaker) if origin.records else see(origin.record, origin.breaker)
        )
        self.log: EditLog = read_log(self.folder / LOG_NAME)
        hashes = self.seen.record.sha256.values()
        if self.log.inputs is not None and sorted(self.log.inputs.values()) != sorted(hashes):
            raise InputError(
                "these edits were made on another record",
                path=self.folder / LOG_NAME,
                mend="move the file away, or review the folder that it belongs to",
            )
        self.automatic: Result = self._concluded(())
        self.result: Result = self._concluded(self.log.edits) if self.log.edits else self.automatic
        self.written = _edits_in_the_tables(self.folder)
        if self.written > len(self.log.edits):
            raise InputError(
                f"holds {len(self.log.edits)} edits where the tables beside it were made with {self.written}",
                path=self.folder / LOG_NAME,
                mend="put back the whole log, or run drm diagnose into a new folder",
            )
        self.trouble = ""
        # Traces are looked at while figures are being computed, and tables are written one after the other.
        self._looking, self._writing = threading.Lock(), threading.Lock()
        self._sheets: OrderedDict[tuple[int, str, str], Sheet | None] = OrderedDict()

    def _concluded(self, edits: Sequence[Edit]) -> Result:
        if isinstance(self.seen, SeenTogether):
            return conclude_all(self.seen, edits=edits, population=self.population, reference=self.reference)
        return conclude(self.seen, edits=edits, population=self.population, reference=self.reference)

    def seen_in(self, operation: int) -> Seen:
        """What was seen in the record that holds an operation."""
        return self.seen.part_of(operation) if isinstance(self.seen, SeenTogether) else self.seen

    def records(self) -> tuple[tuple[str, range], ...]:
        """Name and operations of every record that holds an operation, as the result numbers them."""
        if not isinstance(self.seen, SeenTogether):
            return ((self.seen.record.name, range(1, len(self.seen.operations) + 1)),)
        return tuple(
            (part.record.name, range(steps + 1, steps + len(part.operations) + 1))
            for steps, part in self.seen.numbered()
        )

    @property
    def version(self) -> int:
        """Number of the last edit."""
        return len(self.log.edits)

    def refresh(self) -> Result:
        """The result with every edit that is in the log now, whoever put it there."""
        with self.lock:
            log = read_log(self.folder / LOG_NAME)
            if len(log.edits) != len(self.log.edits):
                self.result = self._concluded(log.edits)
            self.log = log
            return self.result

    def preview(self, edits: Sequence[Edit]) -> Result:
        """The result as it would be with `edits` as well; nothing is kept."""
        with self.lock:
            number = self.version
            drafts = [_numbered(e, number + k) for k, e in enumerate(edits, start=1)]
            return self._concluded((*self.log.edits, *drafts))

    def decide(self, edits: Sequence[Edit], *, seen: int) -> Result:
        """Add `edits` to the log and conclude anew.

        Raises
        ------
        InputError
            If an edit is not whole, or the folder is only looked at.
        Overtaken
            If the same reading was edited by somebody else since edit number `seen`.
        OutputError
            If the log cannot be written.
        """
        if self.read_only:
            raise InputError("this result is only looked at", path=self.folder, mend="review it by itself to edit it")
        with self.lock:
            # Concluding first: an edit that the engine refuses must not get into a log from which nothing goes away.
            kept = [tidy(e) for e in edits]
            result = self.preview(kept)
            self.log = append(self.folder / LOG_NAME, kept, inputs=self.seen.record.sha256, seen=seen)
            # By their words: two missing numbers are not equal.
            same = [repr(e) for e in result.edits] == [repr(e) for e in self.log.edits]
            self.result = result if same else self._concluded(self.log.edits)
            return self.result

    def write(self) -> None:
        """Tables, findings and report as they follow from the edits; what cannot be written is told in `trouble`."""
        with self._writing:
            for _ in range(ATTEMPTS):
                try:
                    result = self.refresh()
                except InputError as error:
                    self.trouble = error.line()
                    return
                try:
                    result.save(self.folder)
                except OutputError as error:
                    self.trouble = error.line()
                    # Somebody else's edit between the two steps is no trouble: the tables follow it too.
                    if len(read_log(self.folder / LOG_NAME).edits) == len(result.edits):
                        return
                else:
                    self.trouble, self.written = "", len(result.edits)
                    return

    def reading(self, operation: int, interrupter: str, *, result: Result | None = None) -> Reading | None:
        """One interrupter in one operation, None where its trace could not be used."""
        for r in (result or self.result).readings:
            if (r.operation.number, r.interrupter.name) == (operation, interrupter):
                return r
        return None

    def sheet(self, operation: int, interrupter: str, axis: str) -> Sheet | None:
        """Traces of one reading ready to be cut into columns; None where there are none."""
        with self._looking:
            reading = self.reading(operation, interrupter, result=self.automatic)
            if reading is None:
                return None
            key = (operation, interrupter, axis)
            if key not in self._sheets:
                self._sheets[key] = sheet_of(self.seen_in(operation), reading, axis)
            self._sheets.move_to_end(key)
            while len(self._sheets) > 1 and sum(s.x.size for s in self._sheets.values() if s) > KEPT_SAMPLES:
                self._sheets.popitem(last=False)
            return self._sheets[key]


def _numbered(edit: Edit, number: int) -> Edit:
    from dataclasses import replace

    return replace(tidy(edit), number=number)


def _edits_in_the_tables(folder: Path) -> int:
    """How many edits the findings beside the log were made with; -1 where that cannot be told."""
    try:
        told = json.loads((folder / "findings.json").read_text(encoding="utf-8"))
        return len(told["provenance"].get("edits", ()))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, DrmError):
        return -1
