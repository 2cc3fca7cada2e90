"""Bytes of a file, its hash and its text: every refusal of a file as such is made here."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

from drm.errors import RecordError

__all__ = ["HEAD", "beside", "decode", "digest", "head_of", "load"]

HEAD = 4096


def _check(path: Path) -> None:
    try:
        if path.is_dir():
            raise RecordError("is a folder, not a record", path=path, mend="name one file in it")
        if not path.exists():
            raise RecordError("no such file", path=path, mend="check the name and the folder")
        if not path.is_file():
            raise RecordError("is not a regular file", path=path, mend="copy the record into a file")
        if path.stat().st_size == 0:
            raise RecordError("the file is empty", path=path, mend="copy it again from the recorder")
    except (OSError, ValueError) as error:
        raise RecordError(f"cannot be opened ({error})", path=path, mend="check the name and the rights") from error


def head_of(path: Path) -> bytes:
    """First bytes of a file that exists and is not empty."""
    _check(path)
    try:
        with path.open("rb") as file:
            return file.read(HEAD)
    except OSError as error:
        raise RecordError(f"cannot be read ({error.strerror})", path=path, mend="check the rights") from error


def load(path: Path) -> bytes:
    """All bytes of a file that exists and is not empty."""
    _check(path)
    try:
        return path.read_bytes()
    except OSError as error:
        raise RecordError(f"cannot be read ({error.strerror})", path=path, mend="check the rights") from error


def digest(content: bytes) -> str:
    """SHA-256 in hexadecimal."""
    return hashlib.sha256(content).hexdigest()


def beside(path: Path, suffix: str) -> Path | None:
    """The file of the same stem and another suffix in any case; the case of `path` preferred where there are two."""
    if path.suffix.lower() == suffix:
        return path
    try:
        near = sorted(p for p in path.parent.iterdir() if p.suffix.lower() == suffix)
    except OSError:
        return None
    same = [p for p in near if p.stem == path.stem] or [p for p in near if p.stem.lower() == path.stem.lower()]
    if path.suffix.isupper():
        same.sort(key=lambda p: not p.suffix.isupper())
    else:
        same.sort(key=lambda p: not p.suffix.islower())
    return same[0] if same else None


def decode(content: bytes) -> tuple[str, str]:
    """Text of a file and the flag that says how its bytes were understood (empty for plain ASCII).

    UTF-8 where it is valid. Else GBK where every run of high bytes makes pairs of its common plane, as in Chinese
    text; else Latin-1 (as Windows extends it): ``B5 56`` is then ``µV`` and not one Chinese character.
    """
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return content.decode("utf-16", errors="replace"), "encoding: UTF-16"
    mark = content.startswith(b"\xef\xbb\xbf")
    if mark:
        content = content[3:]
    if content.isascii():
        return content.decode("ascii"), "encoding: UTF-8 by its byte-order mark" if mark else ""
    try:
        return content.decode("utf-8"), "encoding: UTF-8"
    except UnicodeDecodeError:
        pass
    runs = re.findall(rb"[\x80-\xff]+", content)
    pairs = [r[i : i + 2] for r in runs for i in range(0, len(r), 2)]
    paired = all(len(p) == 2 and 0xA1 <= p[0] <= 0xF7 and p[1] >= 0xA1 for p in pairs)
    common = sum(p[0] <= 0xD7 for p in pairs) > len(pairs) / 2  # punctuation, Greek, and the commoner characters
    if paired and common:
        try:
            return content.decode("gbk"), "encoding: not UTF-8, read as GBK"
        except UnicodeDecodeError:
            pass
    try:
        return content.decode("cp1252"), "encoding: not UTF-8, read as Latin-1"
    except UnicodeDecodeError:
        return content.decode("latin-1"), "encoding: not UTF-8, read as Latin-1"
