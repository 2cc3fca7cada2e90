"""Files written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from drm.errors import OutputError

__all__ = ["write_text"]


def write_text(path: Path, text: str) -> None:
    """Write `text` as UTF-8 to `path` by way of a temporary neighbour.

    Raises
    ------
    OutputError
        If it cannot be written; what stood there before is still there.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.name[:40]}-", dir=path.parent)
    except OSError as error:
        raise OutputError(f"cannot be written ({error.strerror})", path=path, mend="give another place") from None
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
        os.chmod(name, 0o644)
        os.replace(name, path)
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise OutputError(f"cannot be written ({error.strerror})", path=path, mend="give another place") from None
