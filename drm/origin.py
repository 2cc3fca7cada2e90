"""Where a result came from, so that its record is found again: ``source.json`` beside the tables."""

from __future__ import annotations

import dataclasses
import json
import math
import os
import types
import typing
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from drm.breaker import Breaker
from drm.errors import InputError
from drm.record import Record

__all__ = ["SOURCE_NAME", "find_again", "source_document"]

SOURCE_NAME = "source.json"
SCHEMA = 1


def source_document(record: Record, breaker: Breaker, folder: str | os.PathLike[str]) -> dict[str, Any]:
    """Place and hashes of the record, and the breaker as it was described, as plain data for `folder`."""
    place = Path(record.path).absolute()
    try:
        relative = os.path.relpath(place, Path(folder).absolute())
    except ValueError:  # another drive
        relative = ""
    return {
        "schema": SCHEMA,
        "record": {"relative": relative.replace(os.sep, "/"), "absolute": str(place), "sha256": dict(record.sha256)},
        "breaker": _plain(dataclasses.asdict(breaker)),
    }


def find_again(
    folder: str | os.PathLike[str], *, record: str | os.PathLike[str] | None = None
) -> tuple[Record, Breaker]:
    """The record and breaker that the result in `folder` was made from.

    Parameters
    ----------
    folder : path
        As ``drm diagnose --out`` or :meth:`drm.Result.save` left it.
    record : path, optional
        Where the record is now, if it was moved.

    Raises
    ------
    InputError
        If the folder holds no such result, or the record was moved or has changed.
    """
    from drm.readers import read

    source = Path(folder) / SOURCE_NAME
    told = _told(source)
    place = _place(Path(folder), told["record"], record)
    got = read(place)
    if sorted(got.sha256.values()) != sorted(told["record"]["sha256"].values()):
        raise InputError(
            "is not the record that the result was made from: its contents differ",
            path=place,
            mend="give the unchanged record with --record, or diagnose this one into a new folder",
        )
    try:
        breaker: Breaker = _built(Breaker, told["breaker"])
    except (KeyError, TypeError, ValueError):
        raise _damaged(source) from None
    return got, breaker


def _told(source: Path) -> dict[str, Any]:
    try:
        told = json.loads(source.read_text(encoding="utf-8"))
        record = told["record"]
        good = all(isinstance(record[k], str) for k in ("relative", "absolute")) and isinstance(told["breaker"], dict)
        if not (good and isinstance(record["sha256"], dict)):
            raise _damaged(source)
    except FileNotFoundError:
        raise InputError(
            f"holds no result that can be reviewed: {SOURCE_NAME} is missing",
            path=source.parent,
            mend="run drm diagnose with this folder as --out",
        ) from None
    except (OSError, ValueError, KeyError, TypeError):
        raise _damaged(source) from None
    return dict(told)


def _damaged(source: Path) -> InputError:
    return InputError("cannot be read", path=source, mend="run drm diagnose again into this folder")


def _place(folder: Path, told: Mapping[str, str], given: str | os.PathLike[str] | None) -> Path:
    if given is not None:
        return Path(given)
    tried = [folder / told["relative"]] if told["relative"] else []
    tried.append(Path(told["absolute"]))
    for place in tried:
        if place.is_file():
            return place
    raise InputError(
        "the record of this result is no longer there", path=tried[-1], mend="say where it is with --record FILE"
    )


def _plain(value: Any) -> Any:
    """Only what JSON has; numbers that it lacks as words that ``float`` reads."""
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return value


def _built(kind: Any, value: Any) -> Any:
    """`value` as JSON gave it, as an object of the annotated type `kind`."""
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        hints = typing.get_type_hints(kind)
        # A field that an older result does not have keeps its default.
        known = {f.name: _built(hints[f.name], value[f.name]) for f in dataclasses.fields(kind) if f.name in value}
        return kind(**known)
    if origin in (typing.Union, types.UnionType):
        if value is None:
            return None
        return _built(next(a for a in inner if a is not type(None)), value)
    if origin is tuple:
        kinds = [inner[0]] * len(value) if inner[-1] is Ellipsis else list(inner)
        return tuple(_built(k, v) for k, v in zip(kinds, value, strict=True))
    if origin is dict:
        return {str(k): _built(inner[1], v) for k, v in value.items()}
    if kind is float:
        return float(value)
    if kind in (int, bool, str) and not isinstance(value, kind):
        raise TypeError(f"{value!r} is no {kind.__name__}")
    return value
