"""COMTRADE data: codes of the samples, with what is missing as NaN, and never more than the file holds."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drm.errors import RecordError
from drm.readers.comtrade_cfg import Configuration
from drm.readers.numbers import table

__all__ = ["Data", "parse"]

FloatArray = NDArray[np.float64]

#: Samples whose channels are put in order at a time.
PIECE = 2048
_KINDS = {"BINARY": "<i2", "BINARY32": "<i4", "FLOAT32": "<f4"}
_MISSING_1991_ASCII = 99999.0
_MISSING_STAMP = 0xFFFFFFFF
_MISSING_FLOAT32 = -3.4028e38  # and below: the most negative float32 is -3.40282347e38


@dataclass(frozen=True)
class Data:
    """What a data file holds, row by row.

    Attributes
    ----------
    number, stamp : ndarray, shape (n,)
        Sample number and timestamp as written; NaN where missing.
    analog, digital : list of ndarray, each of shape (n,)
        Codes before scaling and states; NaN where missing.
    """

    number: FloatArray
    stamp: FloatArray
    analog: list[FloatArray]
    digital: list[FloatArray]
    flags: tuple[str, ...]


def parse(content: bytes, cfg: Configuration, *, path: Path) -> Data:
    """Parse a data file.

    Missing samples are: an empty field in ASCII, and 99999 in ASCII of 1991; 0x8000 in BINARY from 1999 (in 1991 the
    standard's code 0xFFFF cannot be told from -1 and is taken as the value -1); 0x80000000 in BINARY32; NaN,
    infinity or the most negative number in FLOAT32. (Empty field: seen; others from memory of the standard.)

    Raises
    ------
    RecordError
        If there is no whole sample, or the data does not fit the configuration.
    """
    promised = cfg.rates[-1][1] if cfg.rates else None
    data = _ascii(content, cfg, path, promised) if cfg.data_format == "ASCII" else _binary(content, cfg, path, promised)
    n = data.number.size
    if not n:
        raise RecordError("holds no whole sample", path=path, mend="copy it again from the recorder")
    if promised is not None and n < promised:
        return _flagged(data, f"short data: {n} of {promised} samples")
    return data


def _flagged(data: Data, *flags: str) -> Data:
    return Data(data.number, data.stamp, data.analog, data.digital, (*data.flags, *flags))


def _binary(content: bytes, cfg: Configuration, path: Path, promised: int | None) -> Data:
    words = -(-len(cfg.digital) // 16)
    layout = np.dtype(
        [("n", "<u4"), ("t", "<u4"), ("a", _KINDS[cfg.data_format], (len(cfg.analog),)), ("d", "<u2", (words,))]
    )
    whole, rest = divmod(len(content), layout.itemsize)
    flags = []
    count = whole if promised is None else min(whole, promised)
    rows = np.frombuffer(content, layout, count=count)
    extra = len(content) - count * layout.itemsize
    if promised is not None and whole >= promised and extra:
        flags.append(f"{extra} bytes after the last promised sample, not read")
    elif rest:
        flags.append(f"{rest} bytes at the end are less than a sample, not read")
    stamps = rows["t"].astype(float)
    stamps[rows["t"] == _MISSING_STAMP] = np.nan
    analog = [_code(code, cfg) for code in _columns(rows["a"])]
    if cfg.revision == "1991" and any((rows["a"][:, i] == -32768).any() for i in range(len(cfg.analog))):
        flags.append("code 0x8000 in BINARY of 1991, taken as a value")
    digital = [((rows["d"][:, i // 16] >> (i % 16)) & 1).astype(float) for i in range(len(cfg.digital))]
    return Data(rows["n"].astype(float), stamps, analog, digital, tuple(flags))


def _columns(rows: NDArray[np.generic]) -> FloatArray:
    """Columns of `rows`, shape (n, m) -> (m, n); a piece of them at a time, which stays in the processor's cache."""
    out = np.empty(rows.shape[::-1])
    with np.errstate(invalid="ignore"):  # a signalling NaN is as missing as a quiet one
        for start in range(0, rows.shape[0], PIECE):
            out[:, start : start + PIECE] = rows[start : start + PIECE].T
    return out


def _code(code: FloatArray, cfg: Configuration) -> FloatArray:
    if cfg.data_format == "FLOAT32":
        code[~np.isfinite(code) | (code <= _MISSING_FLOAT32)] = np.nan
    elif cfg.data_format == "BINARY32":
        code[code == -2147483648.0] = np.nan
    elif cfg.revision != "1991":
        code[code == -32768.0] = np.nan
    return code


def _ascii(content: bytes, cfg: Configuration, path: Path, promised: int | None) -> Data:
    width = 2 + len(cfg.analog) + len(cfg.digital)
    flags = []
    content = content.removeprefix(b"\xef\xbb\xbf")
    body = content.rstrip(b"\x1a\0")
    if len(body) < len(content):
        flags.append(f"{len(content) - len(body)} stray bytes at the end, not read")
    if b"\n" not in body:
        body = body.replace(b"\r", b"\n")
    spare = 0
    first = body[:1_000_000].lstrip().split(b"\n", 1)[0].rstrip()
    if first.count(b",") == width and first.endswith(b","):
        spare = 1
        flags.append("a comma at the end of each line")
    body, cut = _drop_cut_line(body, promised, width)
    columns = table(body, width + spare, path=path)
    if promised is not None and columns[0].size > promised:
        flags.append(f"{columns[0].size - promised} samples after the last promised one, not read")
        columns = [c[:promised] for c in columns]
    number, stamps, *codes = columns[:width]
    if cfg.revision == "1991":
        codes = [np.where(c == _MISSING_1991_ASCII, np.nan, c) for c in codes]
    elif any((c == _MISSING_1991_ASCII).any() and a.high < 99999 for a, c in zip(cfg.analog, codes, strict=False)):
        flags.append("code 99999, which meant missing in 1991, taken as a value")
    return Data(number, stamps, codes[: len(cfg.analog)], codes[len(cfg.analog) :], (*flags, *cut))


def _drop_cut_line(body: bytes, promised: int | None, width: int) -> tuple[bytes, list[str]]:
    """Drop a last line without its end where samples or fields are short: its last number may have lost digits."""
    last = body.rfind(b"\n") + 1
    if not body[last:].strip():
        return body, []
    lines = body.count(b"\n") + 1
    if body[last:].count(b",") >= width - 1 and (promised is None or lines >= promised):
        return body, ["the last line has no end, read as it stands"]
    return body[:last], ["the last line is cut off and was dropped"]
