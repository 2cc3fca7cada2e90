"""Time columns of tables: their names, units, and that they increase."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drm.errors import RecordError
from drm.units import canonical, factor, units

__all__ = ["from_first", "is_time_name", "to_seconds"]

FloatArray = NDArray[np.float64]
_NAMES = ("time", "t", "zeit", "temps", "tiempo")


def is_time_name(name: str) -> bool:
    """``time``, ``t`` or ``time_ms`` and the like, in any case."""
    stem, _, suffix = name.strip().lower().partition("_")
    return stem in _NAMES and (not suffix or canonical(suffix) in units("time"))


def to_seconds(column: FloatArray, title: tuple[str, str], path: Path) -> tuple[FloatArray, list[str]]:
    """Time in s, by the unit of the title ``(name, unit)`` or the suffix of the name; flagged where there is none."""
    name, unit = title
    suffix = name.partition("_")[2]
    if unit and canonical(unit) not in units("time"):
        what = f"the unit '{unit}' of the time is no time"
        raise RecordError(what, path=path, place=f"column '{name}'", mend="write s, ms or µs")
    stated = unit or suffix
    flags = [] if stated else ["clock: the time has no unit, taken as s"]
    return column * factor(stated or "s", "s"), flags


def from_first(time_s: FloatArray, place: Callable[[int], str], path: Path) -> tuple[FloatArray, list[str]]:
    """Time from the first sample; refuses a missing instant and one that does not come after the one before.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    place : callable
        Row (from 0) -> its place in words.
    """
    missing = np.flatnonzero(~np.isfinite(time_s))
    if missing.size:
        raise RecordError("the time is missing", path=path, place=place(int(missing[0])), mend="mend or drop the line")
    back = np.flatnonzero(np.diff(time_s) <= 0)
    if back.size:
        i = int(back[0]) + 1
        what = f"the time does not increase: {time_s[i]:.9g} s after {time_s[i - 1]:.9g} s"
        raise RecordError(what, path=path, place=place(i), mend="export with more digits, or sort the lines")
    first = float(time_s[0])
    return time_s - first, [f"clock: starts at {first:.9g} s, counted here from the first sample"] if first else []
