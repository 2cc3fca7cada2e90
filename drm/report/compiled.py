"""Compiled templates beside the package's own compiled modules, so that not every run compiles them again."""

from __future__ import annotations

import sys
from contextlib import suppress
from importlib.util import cache_from_source
from pathlib import Path

import jinja2
from jinja2.bccache import Bucket, FileSystemBytecodeCache

from drm import __version__

__all__ = ["Compiled", "compiled_templates"]


class Compiled(FileSystemBytecodeCache):
    """A folder of compiled templates that need not be writable: what cannot be kept is compiled again."""

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep one, if it can be kept."""
        with suppress(OSError):
            super().dump_bytecode(bucket)


def compiled_templates() -> Compiled | None:
    """Where the interpreter keeps compiled modules of this folder; None where it is told to keep none."""
    if sys.dont_write_bytecode:
        return None
    # Known by their text and both versions; the interpreter's they know themselves.
    return Compiled(str(Path(cache_from_source(__file__)).parent), f"{__version__}-{jinja2.__version__}-%s.j2c")
