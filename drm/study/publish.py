"""From parts to the tables: sorted, in files of equal share, moved in together."""

from __future__ import annotations

import json
import os
import shutil
from collections import OrderedDict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drm.errors import OutputError
from drm.files import on_disk
from drm.study.index import Index
from drm.study.parts import keys_in, parts_in, read_part
from drm.study.schema import SCHEMA, TABLES, metadata, schema
from drm.study.settings import Settings

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["known", "move_in", "publish"]

#: Units whose rows make one file of a table.
SHARE = 1000
#: Files kept open while rows are gathered; neighbours in the order of paths mostly lie in one.
OPEN = 4
NEW, READY = "new", "ready"


def known(index: Index, settings: Settings) -> None:
    """Tell the index what the published tables and the parts of a stopped run hold."""
    import pyarrow.parquet as pq

    for path in sorted((Path(settings.out) / "tests").glob("*.parquet")):
        index.known(keys_in(pq.read_table(path, columns=["path", "key"], partitioning=None)), path.name)
    for path in parts_in(settings.parts):
        index.known(keys_in(read_part(path)["tests"]), path.name)


def publish(index: Index, settings: Settings) -> None:
    """Write the tables anew from the parts that the index names, and put them in place of the old ones.

    The files depend on the tree and on what is in it, and on nothing else: neither on who did the work nor on when.

    Raises
    ------
    OutputError
        If they cannot be written; the old tables and all parts are still there then.
    """
    import pyarrow.parquet as pq

    new = settings.work / NEW
    shutil.rmtree(new, ignore_errors=True)
    said = {"program": "drm", "program_version": settings.version, "settings_sha256": settings.sha256}
    try:
        for table in TABLES:
            (new / table).mkdir(parents=True)
        for number, tables in enumerate(_shares(index, settings)):
            for table, arrow in tables.items():
                place = new / table / f"part-{number:05d}.parquet"
                pq.write_table(arrow.replace_schema_metadata(metadata(table, said)), place, compression="zstd")
                on_disk(place)
        about = {"schema": SCHEMA, **said, "tables": list(TABLES), "population": settings.population}
        (new / "study.json").write_text(json.dumps(about, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
        (new / READY).touch()
        on_disk(new)
    except OSError as error:
        raise OutputError(
            f"cannot be written ({error.strerror or error})",
            path=settings.out,
            mend="make room and start again: what is done stays done",
        ) from error
    move_in(settings)


def move_in(settings: Settings) -> None:
    """Put finished tables in place; after a stop in the middle, go on where it stopped."""
    new, out = settings.work / NEW, Path(settings.out)
    if not (new / READY).exists():
        return
    try:
        for name in [*TABLES, "study.json"]:
            if not (new / name).exists():
                continue
            target = out / name
            if target.is_dir():
                shutil.rmtree(target)
            os.replace(new / name, target)
        on_disk(out)
        # Only now are the parts not needed any more.
        for part in parts_in(settings.parts):
            part.unlink()
        shutil.rmtree(new)
    except OSError as error:
        raise OutputError(f"cannot be written ({error.strerror or error})", path=out, mend="start again") from error


def _shares(index: Index, settings: Settings) -> Iterator[dict[str, pa.Table]]:
    import pyarrow as pa

    source = _Sources(settings)
    empty = True
    for units in index.settled(SHARE):
        empty = False
        wanted: dict[str, list[bytes]] = {}
        for path, _, part in units:
            wanted.setdefault(part, []).append(path)
        pieces = [source.rows(part, paths) for part, paths in wanted.items()]
        yield {table: _sorted(pa.concat_tables([p[table] for p in pieces]), table) for table in TABLES}
    if empty:
        yield {table: schema(table).empty_table() for table in TABLES}


def _sorted(rows: pa.Table, table: str) -> pa.Table:
    """Rows by record, and of one record in the order in which they were made."""
    import numpy as np
    import pyarrow as pa

    key = np.array([f.encode("utf-8") for f in rows["file"].to_pylist()], dtype=object)
    order = np.argsort(key, kind="stable") if key.size else np.zeros(0, dtype=np.int64)
    return rows.take(pa.array(order)).cast(schema(table)).combine_chunks()


class _Sources:
    """Rows of the parts and of the published tables, a few of them open at a time."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._open: OrderedDict[str, dict[str, pa.Table]] = OrderedDict()

    def rows(self, name: str, paths: list[bytes]) -> dict[str, pa.Table]:
        """Rows of these units."""
        import pyarrow as pa
        import pyarrow.compute as pc

        from drm.study.content import text_of

        tables = self._tables(name)
        files = pa.array([text_of(p) for p in paths])
        return {t: rows.filter(pc.is_in(rows["file"], value_set=files)) for t, rows in tables.items()}

    def _tables(self, name: str) -> dict[str, pa.Table]:
        if name not in self._open:
            while len(self._open) >= OPEN:
                self._open.popitem(last=False)
            self._open[name] = self._read(name)
        self._open.move_to_end(name)
        return self._open[name]

    def _read(self, name: str) -> dict[str, pa.Table]:
        import pyarrow.parquet as pq

        if not name.endswith(".parquet"):
            return read_part(self._settings.parts / name)
        out = Path(self._settings.out)
        read: Callable[..., Any] = pq.read_table
        return {
            t: read(out / t / name, partitioning=None).replace_schema_metadata(None).cast(schema(t)) for t in TABLES
        }
