"""Tables and report kept in step with the log, a moment after the last edit and in a thread of their own."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drm.review.session import Session

__all__ = ["Writer"]

#: Rest after an edit before everything is written, s: several edits in a row are written once.
REST_S = 1.0


class Writer:
    """Writes a session's result when it is told that something changed; the log itself is never left to it."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self._wanted = threading.Event()
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="drm-review-writer", daemon=True)
        self._thread.start()

    def soon(self) -> None:
        """Write a moment from now."""
        self._wanted.set()

    def stop(self) -> None:
        """Write what is still to be written, and end."""
        self._end.set()
        self._wanted.set()
        self._thread.join()

    def _run(self) -> None:
        while True:
            self._wanted.wait()
            if not self._end.is_set():
                self._end.wait(REST_S)
            self._wanted.clear()
            if self.session.written != self.session.version:
                try:
                    self.session.write()
                except Exception as error:
                    # A fault of the program is told on the page and must not end the thread that later edits need.
                    self.session.trouble = f"tables and report could not be written ({type(error).__name__}: {error})"
            if self._end.is_set():
                return
