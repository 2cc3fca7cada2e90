"""Tables of numbers in text: one fast parser, and a slow look for the line at fault only when it fails."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drm.errors import RecordError

__all__ = ["line_of", "table"]

_MISSING = ("", "nan", "NaN", "NAN", "-nan", "null", "NULL", "N/A")

_SLOW_BYTES = 1 << 16


def table(
    body: bytes,
    width: int,
    *,
    path: Path,
    separator: str = ",",
    decimal: str = ".",
    first_line: int = 1,
    mend: str = "mend the line",
) -> list[NDArray[np.float64]]:
    """Columns of a table without header; an empty field or NaN is NaN.

    Parameters
    ----------
    body : bytes
        Lines of `width` fields; blank lines are passed over.
    first_line : int
        Number of the body's first line in the file, for the error.
    mend : str
        What to do about a line with another count of fields.

    Returns
    -------
    list of ndarray, each of shape (rows,)

    Raises
    ------
    RecordError
        With the line, if a field is no number or a line has another count of fields.
    """
    import pyarrow as pa
    import pyarrow.csv as pc

    if not body or body.isspace():
        return [np.empty(0) for _ in range(width)]
    names = [str(i) for i in range(width)]
    try:
        read = pc.read_csv(
            io.BytesIO(body),
            pc.ReadOptions(column_names=names, block_size=1 << 24, use_threads=False),
            pc.ParseOptions(delimiter=separator),
            pc.ConvertOptions(
                column_types=dict.fromkeys(names, pa.float64()), null_values=_MISSING, decimal_point=decimal
            ),
        )
    except (pa.ArrowInvalid, pa.ArrowKeyError) as error:
        return _slow(body, width, path, separator, decimal, first_line, mend, error)
    columns = [read.column(i).to_numpy() for i in range(width)]
    # A field that only repeats infinity is no measurement either.
    return [np.where(np.isinf(c), np.nan, c) if np.isinf(c).any() else np.require(c, float, "W") for c in columns]


def _slow(
    body: bytes, width: int, path: Path, separator: str, decimal: str, first_line: int, mend: str, error: Exception
) -> list[NDArray[np.float64]]:
    """Read line by line: either what the fast parser was too strict for, or the line at fault."""
    middle = body.rfind(b"\n", 0, len(body) // 2) + 1
    if len(body) > _SLOW_BYTES and middle:  # halves, so that only the part at fault is read slowly
        lines = body.count(b"\n", 0, middle)
        parts = [
            table(part, width, path=path, separator=separator, decimal=decimal, first_line=first, mend=mend)
            for part, first in ((body[:middle], first_line), (body[middle:], first_line + lines))
        ]
        return [np.concatenate(columns) for columns in zip(*parts, strict=True)]
    rows: list[list[float]] = []
    for number, line in enumerate(body.decode("latin-1").split("\n"), first_line):
        text = line.strip("\r\0\x1a")
        if not text.strip():
            continue
        fields = text.split(separator)
        if len(fields) != width:
            what = f"{len(fields)} fields where {width} belong"
            raise RecordError(what, path=path, place=f"line {number}", mend=mend) from error
        rows.append([_value(f, decimal, path, number, column) for column, f in enumerate(fields, 1)])
    return list(np.array(rows, dtype=float).reshape(len(rows), width).T.copy())


def _value(field: str, decimal: str, path: Path, number: int, column: int) -> float:
    text = field.strip().strip('"').strip()
    if text in _MISSING:
        return float("nan")
    try:
        if (decimal != "." and "." in text) or "_" in text:
            raise ValueError(text)
        value = float(text.replace(decimal, "."))
    except ValueError:
        what = f"'{text[:40]}' is no number"
        raise RecordError(what, path=path, place=f"line {number}, field {column}", mend="mend the field") from None
    return value if np.isfinite(value) else float("nan")


def line_of(body: bytes, row: int, *, first_line: int = 1) -> int:
    """Number in the file of the line that holds a row (from 0) of the table."""
    seen = -1
    for number, line in enumerate(body.split(b"\n"), first_line):
        seen += bool(line.strip())
        if seen == row:
            return number
    return first_line
