"""The sequence and the breaker's times in words, for the report and the terminal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drm.coverage import told
from drm.frames import rows_of
from drm.wording import measured, number

if TYPE_CHECKING:
    from drm.pipeline import Result

__all__ = ["sequence_words", "time_lines"]


def sequence_words(result: Result) -> str:
    """The sequence's name and its dead time; empty where none is known."""
    s = result.sequence
    if s is None:
        return ""
    words = s.name
    if s.dead_time_ms:
        words += f", dead time {measured(s.dead_time_ms.value, s.dead_time_ms.u)} ms"
    return words


def time_lines(result: Result) -> list[str]:
    """One line for the sequence and one for each operation whose time is known."""
    t = result.timing
    if t is None or not len(t):
        return []
    words = sequence_words(result)
    out = [f"Sequence: {words}"] if words else []
    for row in rows_of(t[t["scope"] == "breaker"]):
        column, what = ("opening_time_ms", "opening") if row["kind"] == "open" else ("closing_time_ms", "closing")
        if not math.isfinite(number(row[column])):
            continue
        line = f"Operation {row['operation']}: {what} time {told(row, column)} ms"
        if math.isfinite(number(row["spread_ms"])):
            line += f", poles {told(row, 'spread_ms')} ms apart"
        for gap, words in (("open_close_time_ms", "open-close"), ("close_open_time_ms", "close-open")):
            if math.isfinite(number(row[gap])):
                line += f", {words} time {told(row, gap)} ms"
        out.append(line)
    return out
