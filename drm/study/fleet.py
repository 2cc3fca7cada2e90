"""The published tables, read share by share: the latest test of every breaker, and what a sample of breakers shows."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drm.siblings_prior import PRIORS
from drm.siblings_use import usable

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CELL", "Latest", "cells", "latest_tests", "sampled", "shares"]

#: Breakers of one type that scatter, location and drift are learnt from: more would change no digit that matters.
SAMPLE = 2000
CELL = ("breaker_id", "breaker_type", "kind", "interrupter", "pole", "position")


@dataclass(frozen=True)
class Latest:
    """Which records are the latest test of a breaker.

    The latest test is all records of the last day on which there is one; where no record has a date, the records of
    the last folder in the order of names.

    Attributes
    ----------
    when : dict
        Breaker -> day, or folder.
    type : dict
        Breaker -> its type.
    """

    when: dict[str, tuple[bool, str]]
    type: dict[str, str]

    def of(self, rows: pd.DataFrame) -> pd.DataFrame:
        """The rows that belong to a latest test."""
        mine = [self.when.get(b) == _when(d, f) for b, d, f in _told(rows)]
        return rows[np.array(mine, dtype=np.bool_)]


def _told(rows: pd.DataFrame) -> Iterator[tuple[str, Any, str]]:
    return zip(rows["breaker_id"], rows["test_date"], rows["file"], strict=True)


def _when(date: Any, file: str) -> tuple[bool, str]:
    # A test with a date is later than any without.
    return (True, date.date().isoformat()) if date == date and date is not None else (False, file.rpartition("/")[0])


def shares(out: Path, table: str, columns: list[str] | None = None) -> Iterator[pd.DataFrame]:
    """A table of the study, one file at a time."""
    import pyarrow.parquet as pq

    for path in sorted((out / table).glob("*.parquet")):
        yield pq.read_table(path, columns=columns, partitioning=None).to_pandas()


def latest_tests(out: Path) -> Latest:
    """Which records are the latest test of each breaker."""
    when: dict[str, tuple[bool, str]] = {}
    kind: dict[str, str] = {}
    for rows in shares(out, "tests", ["file", "breaker_id", "breaker_type", "test_date", "status"]):
        done = rows[rows["status"] == "done"]
        for (breaker, date, file), of in zip(_told(done), done["breaker_type"], strict=True):
            this = _when(date, file)
            if this >= when.get(breaker, (False, "")):
                when[breaker], kind[breaker] = this, of
    return Latest(when, kind)


def sampled(latest: Latest, *, most: int = SAMPLE) -> set[str]:
    """At most about `most` breakers of each type, the same ones whatever the order in which they are met."""
    counts = Counter(latest.type.values())
    return {b for b, t in latest.type.items() if _chance(b) <= most / counts[t]}


def _chance(text: str) -> float:
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:6], "big") / 2.0**48


def cells(rows: pd.DataFrame, *, by: tuple[str, ...] = CELL) -> pd.DataFrame:
    """Means over a test's operations of one kind, of the values that a verdict may rest on.

    Parameters
    ----------
    rows : DataFrame
        Of the table of features.
    by : tuple of str
        What makes one cell.

    Returns
    -------
    DataFrame
        One row per cell, in the order of `by`: features and their ``NAME_u`` (root mean square).
    """
    import pandas as pd

    made = {name: rows[name] for name in by}
    for f in PRIORS:
        good = usable(rows, f)
        made[f] = pd.Series(np.where(good, rows[f].to_numpy(dtype=np.float64), np.nan), index=rows.index)
        made[f"{f}_u"] = pd.Series(np.where(good, rows[f"{f}_u"].to_numpy(dtype=np.float64), np.nan) ** 2, rows.index)
    whole = pd.DataFrame(made).groupby(list(by), sort=True, dropna=False).mean().reset_index()
    for f in PRIORS:
        whole[f"{f}_u"] = np.sqrt(whole[f"{f}_u"])
    return whole
