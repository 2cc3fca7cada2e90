"""Read Parquet: a time column and named channels, units in field metadata or as suffixes of the names."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drm.errors import RecordError
from drm.readers.files import digest, load
from drm.readers.times import from_first, is_time_name, to_seconds
from drm.record import Channel, Record
from drm.units import canonical, is_known

__all__ = ["read", "sniff"]

FloatArray = NDArray[np.float64]


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file begins as Parquet does."""
    return head.startswith(b"PAR1")


def read(path: Path) -> Record:
    """Read one Parquet file.

    Units come from the field metadata ``unit`` where any column has it. Else they are suffixes of the names
    (``U_A1_V``), and only where every analog column ends in a unit: ``TRV_A`` beside ``TRV_B`` is a pole, not ampere.

    Raises
    ------
    RecordError
        If the file is damaged, a column is not numeric, or the time is missing or does not increase.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    content = load(path)
    try:
        table = pq.read_table(pa.BufferReader(content))
    except (pa.ArrowException, OSError, ValueError) as error:
        what = f"is not whole Parquet ({str(error).splitlines()[0][:80]})"
        raise RecordError(what, path=path, mend="copy it again") from error
    if not table.num_rows:
        raise RecordError("no samples", path=path, mend="export the record again")
    columns = [_column(table, i, path) for i in range(table.num_columns)]
    times = [i for i, field in enumerate(table.schema) if is_time_name(field.name)]
    if len(times) != 1:
        what = f"{len(times)} time columns" if times else "no time column"
        raise RecordError(what, path=path, mend="call one column 'time_s'")
    at = times[0]
    stated = [_stated(field) for field in table.schema]
    seconds, flags = to_seconds(columns[at], (table.schema.names[at], stated[at]), path)
    time_s, started = from_first(seconds, lambda i: f"row {i + 1}", path)
    titles, decided = _titles(table.schema.names, stated, [_is_state(c) for c in columns], at)
    channels = tuple(
        Channel(name, unit, c, digital=not unit and _is_state(c))
        for i, ((name, unit), c) in enumerate(zip(titles, columns, strict=True))
        if i != at
    )
    if not channels:
        raise RecordError("no channel beside the time", path=path, mend="export the record again")
    return Record(
        name=path.stem,
        path=str(path),
        time_s=time_s,
        channels=channels,
        flags=(*flags, *started, *decided),
        sha256={path.name: digest(content)},
    )


def _column(table: Any, i: int, path: Path) -> FloatArray:
    import pyarrow as pa

    kind, name = table.schema.types[i], table.schema.names[i]
    if not (pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_boolean(kind)):
        raise RecordError(f"holds {kind}, not numbers", path=path, place=f"column '{name}'", mend="drop the column")
    samples = table.column(i).cast(pa.float64()).to_numpy() if not pa.types.is_boolean(kind) else _states(table, i)
    samples = np.array(samples, dtype=np.float64)
    samples[np.isinf(samples)] = np.nan
    return samples


def _states(table: Any, i: int) -> FloatArray:
    import pyarrow as pa

    return np.asarray(table.column(i).cast(pa.int8()).cast(pa.float64()).to_numpy(), dtype=np.float64)


def _is_state(samples: FloatArray) -> bool:
    return bool(np.isin(samples, (0, 1)).all())


def _stated(field: Any) -> str:
    return canonical((field.metadata or {}).get(b"unit", b"").decode("utf-8", errors="replace"))


def _titles(
    names: list[str], stated: list[str], states: list[bool], at: int
) -> tuple[list[tuple[str, str]], list[str]]:
    if any(unit for i, unit in enumerate(stated) if i != at):
        return list(zip(names, stated, strict=True)), []
    split = [name.rpartition("_") for name in names]
    # 'a' of an auxiliary contact is no ampere: a suffix is a unit only in the unit's own letters.
    has_unit = [bool(stem) and is_known(u) and canonical(u) in (u, u.replace("u", "µ", 1)) for stem, _, u in split]
    analog = [i for i in range(len(names)) if i != at and not states[i]]
    if not analog or not all(has_unit[i] for i in analog):
        return [(name, "") for name in names], ["units: neither metadata nor names state them"] if analog else []
    titles = [(split[i][0], canonical(split[i][2])) if i in analog else (name, "") for i, name in enumerate(names)]
    return titles, ["units: taken from the ends of the columns' names"]
