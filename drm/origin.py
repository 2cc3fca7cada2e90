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

if typing.TYPE_CHECKING:
    from drm.pipeline import Result
    from drm.reference import Reference

__all__ = ["SOURCE_NAME", "Origin", "find_again", "source_document"]

SOURCE_NAME = "source.json"
SCHEMA = 1


@dataclasses.dataclass(frozen=True, eq=False)
class Origin:
    """What a result was made from."""

    record: Record
    breaker: Breaker
    reference: Reference | None


def source_document(result: Result, folder: str | os.PathLike[str]) -> dict[str, Any]:
    """Places and hashes of what `result` was made from, and the breaker as it was described, as plain data."""
    earlier = result.reference
    return {
        "schema": SCHEMA,
        "records": max(len(result.records), 1),
        "record": _whereabouts(result.record.path, folder) | {"sha256": dict(result.record.sha256)},
        "reference": None
        if earlier is None
        else _whereabouts(earlier.folder, folder) | {"sha256": {"features.parquet": earlier.sha256}},
        "breaker": _plain(dataclasses.asdict(result.breaker)),
    }


def _whereabouts(path: str, folder: str | os.PathLike[str]) -> dict[str, Any]:
    place = Path(path).absolute()
    try:
        relative = os.path.relpath(place, Path(folder).absolute())
    except ValueError:  # another drive
        relative = ""
    return {"relative": relative.replace(os.sep, "/"), "absolute": str(place)}


def find_again(
    folder: str | os.PathLike[str],
    *,
    record: str | os.PathLike[str] | None = None,
    reference: str | os.PathLike[str] | None = None,
) -> Origin:
    """What the result in `folder` was made from: record, breaker, and the earlier test that it was compared with.

    Parameters
    ----------
    folder : path
        As ``drm diagnose --out`` or :meth:`drm.Result.save` left it.
    record, reference : path, optional
        Where record and earlier result are now, if they were moved.

    Raises
    ------
    InputError
        If the folder holds no such result, it was made of several records together, or what it was made from was moved
        or has changed.
    """
    from drm.readers import read
    from drm.reference import load_reference

    source = Path(folder) / SOURCE_NAME
    told = _told(source)
    if told.get("records", 1) != 1:
        raise InputError(
            f"was made of {told['records']} records together and cannot be reviewed as one",
            path=folder,
            mend="diagnose each record into a folder of its own and review that",
        )
    got = read(_place(Path(folder), told["record"], record, "record", "--record FILE"))
    _unchanged(told["record"], got.sha256, got.path, "record")
    earlier = None
    if told.get("reference") is not None:
        earlier = load_reference(_place(Path(folder), told["reference"], reference, "earlier test", "--reference DIR"))
        _unchanged(told["reference"], {"": earlier.sha256}, earlier.folder, "earlier test")
    try:
        breaker: Breaker = _built(Breaker, told["breaker"])
    except (KeyError, TypeError, ValueError):
        raise _damaged(source) from None
    return Origin(got, breaker, earlier)


def _unchanged(told: Mapping[str, Any], sha256: Mapping[str, str], path: str, what: str) -> None:
    if sorted(sha256.values()) != sorted(told["sha256"].values()):
        raise InputError(
            f"is not the {what} that the result was made from: its contents differ",
            path=path,
            mend="give the unchanged one, or run drm diagnose into a new folder",
        )


def _told(source: Path) -> dict[str, Any]:
    try:
        told = json.loads(source.read_text(encoding="utf-8"))
        places = [told["record"], *([told["reference"]] if told.get("reference") else [])]
        words = all(isinstance(p[k], str) for p in places for k in ("relative", "absolute"))
        if not (words and all(isinstance(p["sha256"], dict) for p in places) and isinstance(told["breaker"], dict)):
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


def _place(folder: Path, told: Mapping[str, str], given: str | os.PathLike[str] | None, what: str, option: str) -> Path:
    if given is not None:
        return Path(given)
    tried = [folder / told["relative"]] if told["relative"] else []
    tried.append(Path(told["absolute"]))
    for place in tried:
        if place.exists():
            return place
    raise InputError(
        f"the {what} of this result is no longer there", path=tried[-1], mend=f"say where it is with {option}"
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
