"""Read a COMTRADE combined file (``.cff``): configuration and data as sections of one file."""

from __future__ import annotations

import re
from pathlib import Path

from drm.errors import RecordError
from drm.readers import comtrade_cfg
from drm.readers.comtrade import assemble
from drm.readers.files import decode, digest, load
from drm.record import Record

__all__ = ["read", "sniff"]

_SECTION = re.compile(
    rb"^[ \t]*---[ \t]*file type:[ \t]*(CFG|INF|HDR|DAT)[ \t]*([A-Z0-9]*)[ \t]*"
    rb"(?::[ \t]*(\d+))?[ \t]*---[ \t]*(?:\r\n|\n|\r)",
    re.IGNORECASE | re.MULTILINE,
)


def sniff(path: Path, head: bytes) -> bool:
    """Whether a section mark stands near the beginning."""
    return bool(_SECTION.search(head))


def read(path: Path) -> Record:
    """Read one combined file.

    Raises
    ------
    RecordError
        If it lacks the configuration or the data, or they cannot be read without guessing.
    """
    content = load(path)
    cfg_bytes, data, word, promised = _sections(content, path)
    text, flag = decode(cfg_bytes)
    cfg = comtrade_cfg.parse(text, path=str(path))
    flags = [flag]
    if word and (word == "ASCII") != (cfg.data_format == "ASCII"):
        flags.append(
            f"the data's section is marked {word} and the configuration says {cfg.data_format}; the latter used"
        )
    if promised is not None and cfg.data_format != "ASCII":
        if promised > len(data):
            flags.append(f"the data's section promises {promised} bytes and has {len(data)}")
        data = data[:promised]
    return assemble(cfg, data, path, path, {path.name: digest(content)}, *flags)


def _sections(content: bytes, path: Path) -> tuple[bytes, bytes, str, int | None]:
    """Configuration, data, the data mark's format and its count of bytes."""
    cfg: bytes | None = None
    at = 0
    while mark := _SECTION.search(content, at):
        kind = mark[1].upper()
        if kind == b"DAT":
            if cfg is None:
                raise RecordError("the data comes before the configuration", path=path, mend="export the record again")
            word = mark[2].decode("ascii").upper()
            end = _SECTION.search(content, mark.end()) if word == "ASCII" else None
            return cfg, content[mark.end() : end.start() if end else None], word, int(mark[3]) if mark[3] else None
        following = _SECTION.search(content, mark.end())
        if kind == b"CFG":
            cfg = content[mark.end() : following.start() if following else None]
        at = mark.end()
    lacking = "configuration" if cfg is None else "data"
    raise RecordError(f"has no section for the {lacking}", path=path, mend="export the record again")
