"""Write a record as COMTRADE or CSV: whole, or not at all."""

from __future__ import annotations

import csv
import io
import os
import tempfile
from datetime import datetime
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drm.errors import OutputError, nearest
from drm.record import Channel, Record

__all__ = ["write_comtrade", "write_csv"]

Format = Literal["ASCII", "BINARY", "BINARY32", "FLOAT32"]

_FULL_SCALE = {"ASCII": 99998, "BINARY": 32767, "BINARY32": 2147483647, "FLOAT32": 0}
_FLOAT32_MISSING = np.float32(-3.4028235e38)  # the most negative float32


def write_comtrade(
    record: Record, path: str | os.PathLike[str], *, data_format: str = "FLOAT32", revision: str = "2013"
) -> Path:
    """Write a record as a pair of COMTRADE files.

    Parameters
    ----------
    record : Record
    path : path
        Of the ``.cfg`` file (any other suffix is replaced); the ``.dat`` file goes beside it.
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
    cfg = Path(path).with_suffix(".cfg")
    data_format = data_format.upper()
    _check(record, cfg, data_format, revision)
    analog = [c for c in record.channels if not c.digital]
    digital = [c for c in record.channels if c.digital]
    scales = [_scale(c, data_format) for c in analog]
    raw = [_raw(c, s, data_format, revision) for c, s in zip(analog, scales, strict=True)]
    ticks, multiplier, rate = _clock(record.time_s, revision)
    states = [np.nan_to_num(c.samples).astype(np.int64) & 1 for c in digital]
    body = _ascii(ticks, raw, states) if data_format == "ASCII" else _binary(ticks, raw, states, data_format)
    text = _configuration(record, analog, digital, scales, data_format, revision, rate, multiplier)
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
    if data_format not in _FULL_SCALE:
        raise OutputError(f"no data format '{data_format}'", path=cfg, mend=nearest(data_format, _FULL_SCALE))
    if revision not in ("1991", "1999", "2013"):
        raise OutputError(f"no revision '{revision}'", path=cfg, mend="allowed: 1991, 1999, 2013")
    if data_format in ("BINARY32", "FLOAT32") and revision != "2013":
        raise OutputError(f"{data_format} came with revision 2013", path=cfg, mend="write revision 2013")
    for c in record.channels:
        if any(mark in text for text in (c.name, c.unit, c.phase) for mark in ",\r\n"):
            raise OutputError("a comma or line break cannot be written", path=cfg, place=f"channel '{c.name}'")
        missing = bool(np.isnan(c.samples).any())
        if missing and (c.digital or (data_format, revision) == ("BINARY", "1991")):
            raise OutputError("no code for a missing sample", path=cfg, place=f"channel '{c.name}'", mend="write ASCII")


def _scale(c: Channel, data_format: str) -> tuple[float, float]:
    """Multiplier and offset; the channel's own step where the format can hold it, so that nothing is rounded twice."""
    full = _FULL_SCALE[data_format]
    finite = c.samples[np.isfinite(c.samples)]
    if not full or not finite.size:
        return 1.0, 0.0
    peak = float(np.abs(finite).max())
    if c.resolution > 0 and peak <= full * c.resolution:
        return c.resolution, 0.0
    # 12 digits are written; rounding up keeps the peak inside the scale.
    return (float(f"{peak / full * (1 + 1e-11):.12g}"), 0.0) if peak > full * 1e-290 else (1.0, 0.0)


def _raw(c: Channel, scale: tuple[float, float], data_format: str, revision: str) -> NDArray[np.generic]:
    a, b = scale
    missing = ~np.isfinite(c.samples)
    if data_format == "FLOAT32":
        return np.where(missing, _FLOAT32_MISSING, c.samples.astype(np.float32)).astype("<f4")
    code = np.rint((np.where(missing, 0.0, c.samples) - b) / a)
    if data_format == "ASCII":
        return np.where(missing, 99999.0 if revision == "1991" else np.nan, code)
    lowest = -32768 if data_format == "BINARY" else -2147483648
    return np.where(missing, lowest, code).astype("<i2" if data_format == "BINARY" else "<i4")


def _clock(time_s: NDArray[np.float64], revision: str) -> tuple[NDArray[np.int64], float, float]:
    """Timestamps as integers, their multiplier of 1 µs, and the rate in Hz (0 where it is not constant)."""
    elapsed = time_s - time_s[0] if time_s.size else time_s
    last = float(elapsed[-1]) if elapsed.size else 0.0
    step = last / (elapsed.size - 1) if elapsed.size > 1 else 1.0
    even = bool(np.all(np.abs(elapsed - step * np.arange(elapsed.size)) < 1e-3 * step + 2e-9))
    fine = () if even or revision == "1991" else (0.001, 0.01, 0.1)
    coarse = () if revision == "1991" else (10.0, 100.0, 1000.0, 1e4, 1e5, 1e6)
    multiplier = next((m for m in (*fine, 1.0, *coarse) if last * 1e6 / m < 2**32 - 2), 0.0)
    if not multiplier:
        raise OutputError("the record is too long for the timestamps", mend="write revision 2013, or CSV")
    ticks = np.rint(elapsed * 1e6 / multiplier).astype(np.int64)
    if not even and bool((np.diff(ticks) <= 0).any()):
        raise OutputError("the timestamps cannot tell the samples apart", mend="write CSV")
    return ticks, multiplier, (1.0 / step if even else 0.0)


def _ascii(ticks: NDArray[np.int64], raw: list[NDArray[np.generic]], states: list[NDArray[np.int64]]) -> bytes:
    import pyarrow as pa
    import pyarrow.csv as pc

    columns = [pa.array(np.arange(1, ticks.size + 1)), pa.array(ticks)]
    for code in raw:
        missing = np.isnan(np.asarray(code, float))
        columns.append(pa.array(np.where(missing, 0, code).astype(np.int64), mask=missing))
    columns += [pa.array(s) for s in states]
    body = io.BytesIO()
    table = pa.table(columns, names=[str(i) for i in range(len(columns))])
    pc.write_csv(table, body, pc.WriteOptions(include_header=False))
    return body.getvalue().replace(b"\n", b"\r\n")


def _binary(
    ticks: NDArray[np.int64], raw: list[NDArray[np.generic]], states: list[NDArray[np.int64]], data_format: str
) -> bytes:
    words = -(-len(states) // 16)
    kind = {"BINARY": "<i2", "BINARY32": "<i4", "FLOAT32": "<f4"}[data_format]
    layout = np.dtype([("n", "<u4"), ("t", "<u4"), ("a", kind, (len(raw),)), ("d", "<u2", (words,))])
    rows = np.zeros(ticks.size, layout)
    rows["n"], rows["t"] = np.arange(1, ticks.size + 1), ticks
    for i, code in enumerate(raw):
        rows["a"][:, i] = code
    for i, state in enumerate(states):
        rows["d"][:, i // 16] |= (state << (i % 16)).astype(np.uint16)
    return rows.tobytes()


def _configuration(
    record: Record,
    analog: list[Channel],
    digital: list[Channel],
    scales: list[tuple[float, float]],
    data_format: str,
    revision: str,
    rate: float,
    multiplier: float,
) -> str:
    old = revision == "1991"
    full = _FULL_SCALE[data_format] or 3.4028235e38
    lines = [f"{record.name.replace(',', ' ')},drm" + ("" if old else f",{revision}")]
    lines.append(f"{len(record.channels)},{len(analog)}A,{len(digital)}D")
    for i, (c, (a, b)) in enumerate(zip(analog, scales, strict=True), 1):
        skew = f"{c.skew_s * 1e6:.12g}"
        head = f"{i},{c.name},{c.phase},,{c.unit},{_number(a)},{_number(b)},{skew},{-full},{full}"
        lines.append(head if old else head + ",1,1,P")
    for i, c in enumerate(digital, 1):
        lines.append(f"{i},{c.name},0" if old else f"{i},{c.name},{c.phase},,0")
    lines.append(f"{record.frequency_hz:.12g}" if np.isfinite(record.frequency_hz) else "")
    lines += ["1" if rate else "0", f"{_number(rate)},{record.time_s.size}"]
    lines += [_stamp(record.start, old)] * 2
    lines.append(data_format)
    if not old:
        lines.append(_number(multiplier))
    if revision == "2013":
        lines += ["0,0", "0,0"]
    return "\r\n".join(lines) + "\r\n"


def _number(x: float) -> str:
    """Shortest text that comes back as the same number; 12 digits where they are as good."""
    short = f"{x:.12g}"
    return short if float(short) == x or abs(float(short) - x) < 1e-12 * abs(x) else repr(float(x))


def _stamp(start: datetime | None, old: bool) -> str:
    if start is None:  # zeros stand for unknown
        return "00/00/0000,00:00:00.000000"
    return start.strftime("%m/%d/%Y,%H:%M:%S.%f" if old else "%d/%m/%Y,%H:%M:%S.%f")


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
