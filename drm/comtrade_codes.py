"""Codes, clock and text of a COMTRADE record that is to be written."""

from __future__ import annotations

import io
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from drm.errors import OutputError
from drm.record import Channel, Record

__all__ = ["FULL_SCALE", "binary_data", "clock", "codes", "configuration", "scale", "text_data"]

FULL_SCALE = {"ASCII": 99998, "BINARY": 32767, "BINARY32": 2147483647, "FLOAT32": 0}
_FLOAT32_MISSING = np.float32(-3.4028235e38)  # the most negative float32


def scale(c: Channel, data_format: str) -> tuple[float, float]:
    """Multiplier and offset; the channel's own step where the format can hold it, so that nothing is rounded twice."""
    full = FULL_SCALE[data_format]
    finite = c.samples[np.isfinite(c.samples)]
    if not full or not finite.size:
        return 1.0, 0.0
    peak = float(np.abs(finite).max())
    if c.resolution > 0 and peak <= full * c.resolution:
        return c.resolution, 0.0
    # 12 digits are written; rounding up keeps the peak inside the scale.
    return (float(f"{peak / full * (1 + 1e-11):.12g}"), 0.0) if peak > full * 1e-290 else (1.0, 0.0)


def codes(c: Channel, scale: tuple[float, float], data_format: str, revision: str) -> NDArray[np.generic]:
    """Codes of one channel; a missing sample by its code in that format, NaN in ASCII where the field is empty."""
    a, b = scale
    missing = ~np.isfinite(c.samples)
    if data_format == "FLOAT32":
        return np.where(missing, _FLOAT32_MISSING, c.samples.astype(np.float32)).astype("<f4")
    code = np.rint((np.where(missing, 0.0, c.samples) - b) / a)
    if data_format == "ASCII":
        return np.where(missing, 99999.0 if revision == "1991" else np.nan, code)
    lowest = -32768 if data_format == "BINARY" else -2147483648
    return np.where(missing, lowest, code).astype("<i2" if data_format == "BINARY" else "<i4")


def clock(time_s: NDArray[np.float64], revision: str) -> tuple[NDArray[np.int64], float, float]:
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


def text_data(ticks: NDArray[np.int64], raw: list[NDArray[np.generic]], states: list[NDArray[np.int64]]) -> bytes:
    """Data as text: number, timestamp, codes, states; NaN is an empty field."""
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


def binary_data(
    ticks: NDArray[np.int64], raw: list[NDArray[np.generic]], states: list[NDArray[np.int64]], data_format: str
) -> bytes:
    """Data in binary: little-endian records, states packed 16 to a word."""
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


def configuration(
    record: Record,
    analog: list[Channel],
    digital: list[Channel],
    scales: list[tuple[float, float]],
    data_format: str,
    revision: str,
    rate: float,
    multiplier: float,
) -> str:
    """Text of the configuration."""
    old = revision == "1991"
    full = FULL_SCALE[data_format] or 3.4028235e38
    lines = [f"{record.name.replace(',', ' ')},drm" + ("" if old else f",{revision}")]
    lines.append(f"{len(record.channels)},{len(analog)}A,{len(digital)}D")
    for i, (c, (a, b)) in enumerate(zip(analog, scales, strict=True), 1):
        skew = f"{c.skew_s * 1e6:.12g}"
        head = f"{i},{c.name},{c.phase},{c.component},{c.unit},{_number(a)},{_number(b)},{skew},{-full},{full}"
        lines.append(head if old else head + ",1,1,P")
    for i, c in enumerate(digital, 1):
        lines.append(f"{i},{c.name},0" if old else f"{i},{c.name},{c.phase},{c.component},0")
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
