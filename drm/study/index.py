"""What there is to do and what is done, on disk, so that memory does not grow with the fleet.

The index is made anew from the tree and the parts at every start: it holds nothing that is not there as well.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path

from drm.errors import OutputError
from drm.study.tree import Unit

__all__ = ["Index"]

_TABLES = """
CREATE TABLE unit(path BLOB PRIMARY KEY, breaker BLOB, trouble TEXT, key TEXT, part TEXT) WITHOUT ROWID;
CREATE TABLE done(path BLOB, key TEXT, part TEXT, PRIMARY KEY(path, key)) WITHOUT ROWID;
"""
PAGE = 500


class Index:
    """Units of the tree in the order of their paths, and which part holds what is known of each."""

    def __init__(self, path: Path) -> None:
        path.unlink(missing_ok=True)
        self._path = path
        self._db = sqlite3.connect(path, isolation_level=None)
        # Nothing here outlives the run, so nothing is written twice or flushed.
        for pragma in ("journal_mode=OFF", "synchronous=OFF", "cache_size=-8000"):
            self._db.execute(f"PRAGMA {pragma}")
        self._db.executescript(_TABLES)

    def close(self) -> None:
        """Close and remove the file."""
        self._db.close()
        self._path.unlink(missing_ok=True)

    def _many(self, words: str, rows: Iterable[tuple[object, ...]]) -> None:
        try:
            self._db.execute("BEGIN")
            self._db.executemany(words, rows)
            self._db.execute("COMMIT")
        except sqlite3.OperationalError as error:
            raise OutputError(
                f"cannot be written ({error})", path=self._path, mend="make room and start again"
            ) from None

    def add(self, units: Iterable[Unit]) -> None:
        """Units of the tree."""
        self._many(
            "INSERT OR REPLACE INTO unit VALUES(?, ?, ?, '', '')", ((u.path, u.breaker, u.trouble) for u in units)
        )

    def known(self, rows: Iterable[tuple[bytes, str]], part: str) -> None:
        """Paths and keys that a part holds; of two parts that hold the same, one is enough."""
        self._many("INSERT OR IGNORE INTO done VALUES(?, ?, ?)", ((p, k, part) for p, k in rows))

    def settle(self, rows: Iterable[tuple[bytes, str]], part: str) -> None:
        """Units whose rows are in `part`."""
        self._many("UPDATE unit SET key=?, part=? WHERE path=?", ((k, part, p) for p, k in rows))

    def part_of(self, path: bytes, key: str) -> str:
        """The part that holds what was found at `path` when its content had this key; empty if none."""
        row = self._db.execute("SELECT part FROM done WHERE path=? AND key=?", (path, key)).fetchone()
        return row[0] if row else ""

    def count(self, *, settled: bool | None = None) -> int:
        """Units of the tree, all or those that are settled, or are not."""
        where = "" if settled is None else f" WHERE part {'!=' if settled else '='} ''"
        return int(self._db.execute(f"SELECT count(*) FROM unit{where}").fetchone()[0])

    def met_before(self) -> Iterator[Unit]:
        """Units of which some part knows something: their content decides whether it still holds."""
        return self._pages("EXISTS(SELECT 1 FROM done WHERE done.path = unit.path)")

    def new(self) -> Iterator[Unit]:
        """Units of which no part knows anything."""
        return self._pages("NOT EXISTS(SELECT 1 FROM done WHERE done.path = unit.path)")

    def _pages(self, where: str) -> Iterator[Unit]:
        last = b""
        words = f"SELECT path, breaker, trouble FROM unit WHERE path > ? AND {where} ORDER BY path LIMIT {PAGE}"
        while rows := self._db.execute(words, (last,)).fetchall():
            yield from (Unit(*row) for row in rows)
            last = rows[-1][0]

    def settled(self, size: int) -> Iterator[list[tuple[bytes, str, str]]]:
        """Path, key and part of the settled units, in the order of their paths, `size` at a time."""
        last = b""
        words = f"SELECT path, key, part FROM unit WHERE path > ? AND part != '' ORDER BY path LIMIT {int(size)}"
        while rows := self._db.execute(words, (last,)).fetchall():
            yield rows
            last = rows[-1][0]
