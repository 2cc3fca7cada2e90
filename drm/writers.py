"""Write a record as COMTRADE or CSV: whole, or not at all."""

from __future__ import annotations

import csv
import io
import os
import tempfile
from pathlib import Path

import numpy as np

from drm.comtrade_codes import FULL_SCALE, binary_data, clock, codes, configuration, scale, text_data
from drm.errors import OutputError, nearest
from drm.record import Record

__all__ = ["write_comtrade", "write_csv"]


def write_comtrade(
    record: Record, path: str | os.PathLike[str], *, data_format: str = "FLOAT32", revision: str = "2013"
) -> Path:
    """Write a record as a pair of COMTRADE files.

    Parameters
    ----------
    record : Record
    path : path
        Of the ``.cfg`` file (the suffix is added where it lacks); the ``.dat`` file goes beside it.
    data_format : {'ASCII', 'BINARY', 'BINARY32', 'FLOAT32'}
    revision : {'1991', '1999', '2013'}

    Returns
    -------
    Path
        Of the configuration file.

    Raises
    ------
    OutputError
        If the format does not exist in that revision or cannot hold the record, or the files cannot be written.
    """
    given = Path(path)
    pair = given.suffix.lower() in (".cfg", ".dat")
    cfg = given.with_suffix(".cfg") if pair else given.with_name(given.name + ".cfg")
    data_format = data_format.upper()
    _check(record, cfg, data_format, revision)
    analog = [c for c in record.channels if not c.digital]
    digital = [c for c in record.channels if c.digital]
    scales = [scale(c, data_format) for c in analog]
    raw = [codes(c, s, data_format, revision) for c, s in zip(analog, scales, strict=True)]
    ticks, multiplier, rate = clock(record.time_s, revision)
    states = [np.nan_to_num(c.samples).astype(np.int64) & 1 for c in digital]
    body = text_data(ticks, raw, states) if data_format == "ASCII" else binary_data(ticks, raw, states, data_format)
    text = configuration(record, analog, digital, scales, data_format, revision, rate, multiplier)
    _whole({cfg.with_suffix(".dat"): body, cfg: text.encode("utf-8")})
    return cfg


def write_csv(record: Record, path: str | os.PathLike[str]) -> Path:
    """Write a record as CSV: ``time [s]`` and ``name [unit]`` columns, missing samples empty.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    import pyarrow as pa
    import pyarrow.csv as pc

    header = io.StringIO()
    titles = [c.name if c.digital else f"{c.name} [{c.unit}]" for c in record.channels]
    csv.writer(header, lineterminator="\n").writerow(["time [s]", *titles])
    columns = [pa.array(record.time_s)]
    for c in record.channels:
        missing = np.isnan(c.samples)
        if c.digital:
            columns.append(pa.array(np.where(missing, 0, c.samples).astype(np.int8), mask=missing))
        else:
            columns.append(pa.array(np.asarray(c.samples, float), mask=missing))
    table = pa.table(columns, names=[str(i) for i in range(len(columns))])
    body = io.BytesIO()
    pc.write_csv(table, body, pc.WriteOptions(include_header=False))
    _whole({Path(path): header.getvalue().encode("utf-8") + body.getvalue()})
    return Path(path)


def _check(record: Record, cfg: Path, data_format: str, revision: str) -> None:
    if data_format not in FULL_SCALE:
        raise OutputError(f"no data format '{data_format}'", path=cfg, mend=nearest(data_format, FULL_SCALE))
    if revision not in ("1991", "1999", "2013"):
        raise OutputError(f"no revision '{revision}'", path=cfg, mend="allowed: 1991, 1999, 2013")
    if data_format in ("BINARY32", "FLOAT32") and revision != "2013":
        raise OutputError(f"{data_format} came with revision 2013", path=cfg, mend="write revision 2013")
    for c in record.channels:
        if any(mark in text for text in (c.name, c.unit, c.phase, c.component) for mark in ",\r\n"):
            raise OutputError("a comma or line break cannot be written", path=cfg, place=f"channel '{c.name}'")
        missing = bool(np.isnan(c.samples).any())
        if missing and (c.digital or (data_format, revision) == ("BINARY", "1991")):
            raise OutputError("no code for a missing sample", path=cfg, place=f"channel '{c.name}'", mend="write ASCII")


def _whole(files: dict[Path, bytes]) -> None:
    """Write beside the target and rename, the last of `files` last, so that no half-written file is ever seen."""
    made: list[tuple[str, Path]] = []
    path = next(iter(files))
    try:
        for path, content in files.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}.", delete=False) as out:
                made.append((out.name, path))
                out.write(content)
            os.chmod(out.name, 0o644)
        while made:
            temporary, path = made[0]
            os.replace(temporary, path)
            made.pop(0)
    except OSError as error:
        raise OutputError(f"cannot be written ({error.strerror})", path=path) from error
    finally:
        for temporary, _ in made:
            Path(temporary).unlink(missing_ok=True)
