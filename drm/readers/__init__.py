"""Read a record: what the file holds decides the reader first, its suffix second."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from drm.errors import RecordError
from drm.readers import comtrade, comtrade_cff, csv, parquet
from drm.readers.files import HEAD, head_of
from drm.record import Record

__all__ = ["SUFFIXES", "read"]

Sniffer = Callable[[Path, bytes], bool]
Reader = Callable[[Path], Record]

# In this order; the first that knows its own reads the file.
_REGISTRY: tuple[tuple[Sniffer, Reader], ...] = (
    (parquet.sniff, parquet.read),
    (comtrade_cff.sniff, comtrade_cff.read),
    (comtrade.sniff, comtrade.read),
    (csv.sniff, csv.read),
)
_BY_SUFFIX: dict[str, Reader] = {
    ".parquet": parquet.read,
    ".cff": comtrade_cff.read,
    ".cfg": comtrade.read,
    ".dat": comtrade.read,
    ".csv": csv.read,
    ".tsv": csv.read,
    ".txt": csv.read,
}
SUFFIXES = tuple(_BY_SUFFIX)


def read(path: str | os.PathLike[str]) -> Record:
    """Read a record in COMTRADE (1991, 1999, 2013), CSV or Parquet.

    Parameters
    ----------
    path : path
        Of a ``.cfg`` or its ``.dat`` (either will do), ``.cff``, ``.csv`` or ``.parquet`` file.

    Returns
    -------
    Record
        Values on the primary side, times in s from the first sample; what had to be decided is in its `flags`.

    Raises
    ------
    RecordError
        If the file is missing, empty or of no known format, or cannot be read without guessing.
    """
    place = Path(path)
    head = head_of(place)
    for sniff, reader in _REGISTRY:
        if sniff(place, head):
            return reader(place)
    by_suffix = _BY_SUFFIX.get(place.suffix.lower())
    if by_suffix is None:
        looked = f"neither its first {HEAD} bytes nor its suffix '{place.suffix}' is of a known format"
        raise RecordError(looked, path=place, mend="give a COMTRADE (.cfg, .dat, .cff), .csv or .parquet file")
    return by_suffix(place)
