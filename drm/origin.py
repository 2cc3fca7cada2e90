"""Where a result came from, so that its record is found again: ``source.json`` beside the tables."""

from __future__ import annotations

import dataclasses
import json
import math
import os
import types
import typing
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from drm.breaker import Breaker
from drm.errors import InputError
from drm.move_in import in_order
from drm.record import Record
from drm.siblings_prior import ORIENTATION, Population, ScatterPrior
from drm.wording import clean

if typing.TYPE_CHECKING:
    from drm.pipeline import Result
    from drm.reference import Reference

__all__ = ["SOURCE_NAME", "Origin", "find_again", "source_document"]

SOURCE_NAME = "source.json"
SCHEMA = 1


@dataclasses.dataclass(frozen=True, eq=False)
class Origin:
    """What a result was made from.

    Attributes
    ----------
    record : Record
        The first of them where they are several.
    records : tuple of Record
        All that were diagnosed together; empty where one was diagnosed by itself.
    """

    record: Record
    breaker: Breaker
    reference: Reference | None
    records: tuple[Record, ...] = ()
    population: Population = ORIENTATION


def source_document(result: Result, folder: str | os.PathLike[str]) -> dict[str, Any]:
    """Places and hashes of what `result` was made from, and the breaker as it was described, as plain data."""
    earlier = result.reference
    return {
        "schema": SCHEMA,
        "records": max(len(result.records), 1),
        "record": _whereabouts(result.record.path, folder) | {"sha256": dict(result.record.sha256)},
        "together": [_whereabouts(r.path, folder) | {"sha256": dict(r.sha256)} for r in result.records],
        "reference": None
        if earlier is None
        else _whereabouts(earlier.folder, folder) | {"sha256": {"features.parquet": earlier.sha256}},
        "breaker": _plain(dataclasses.asdict(result.breaker)),
        "population": _population_document(result.population),
    }


def _population_document(population: Population) -> dict[str, Any] | None:
    """The healthy scatter as plain data; None for that which ships with the program."""
    if population == ORIENTATION:
        return None
    told = {f.name: getattr(population, f.name) for f in dataclasses.fields(population)}
    told["priors"] = {k: dataclasses.asdict(v) for k, v in population.priors.items()}
    told["correlations"] = [[*pair, value] for pair, value in population.correlations.items()]
    return dict(_plain(told))


def _population(told: Mapping[str, Any] | None) -> Population:
    if told is None:
        return ORIENTATION
    known = {str(k): v for k, v in told.items()}
    known["priors"] = {str(k): _built(ScatterPrior, v) for k, v in told["priors"].items()}
    known["correlations"] = {(str(a), str(b)): float(v) for a, b, v in told["correlations"]}
    return Population(**known)


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
    record: str | os.PathLike[str] | Sequence[str | os.PathLike[str]] | None = None,
    reference: str | os.PathLike[str] | None = None,
) -> Origin:
    """What the result in `folder` was made from: records, breaker, healthy scatter, and the earlier test.

    Parameters
    ----------
    folder : path
        As ``drm diagnose --out`` or :meth:`drm.Result.save` left it.
    record, reference : path, optional
        Where record (or several of them) and earlier result are now, if they were moved.

    Raises
    ------
    InputError
        If the folder holds no such result, or what it was made from was moved or has changed.
    """
    from drm.reference import load_reference

    source = in_order(folder) / SOURCE_NAME
    told = _told(source)
    together = told.get("together") or []
    if told.get("records", 1) > 1 and not together:
        raise InputError(
            f"was made of {told['records']} records together by an older version, which did not keep where they are",
            path=folder,
            mend="run drm diagnose --together again into this folder",
        )
    found = _records(Path(folder), together or [told["record"]], record)
    earlier = None
    if told.get("reference") is not None:
        earlier = load_reference(_place(Path(folder), told["reference"], reference, "earlier test", "--reference DIR"))
        _unchanged(told["reference"], {"": earlier.sha256}, earlier.folder, "earlier test")
    try:
        breaker: Breaker = _built(Breaker, told["breaker"])
        population = _population(told.get("population"))
    except (KeyError, TypeError, ValueError):
        raise _damaged(source) from None
    if "population" not in told:
        _shipped(Path(folder))
    return Origin(found[0], breaker, earlier, tuple(found) if together else (), population)


def _records(
    folder: Path,
    told: Sequence[Mapping[str, Any]],
    given: str | os.PathLike[str] | Sequence[str | os.PathLike[str]] | None,
) -> list[Record]:
    """Every record, from where it is said to be now or from where it was."""
    from drm.readers import read

    places = [] if given is None else [given] if isinstance(given, (str, os.PathLike)) else list(given)
    moved = [read(p) for p in places]
    out = []
    for one in told:
        wanted = sorted(one["sha256"].values())
        got = next((r for r in moved if sorted(r.sha256.values()) == wanted), None)
        if got is None and len(told) == len(moved) == 1:
            got = moved[0]
        if got is None:
            got = read(_place(folder, one, None, "record", "--record FILE"))
        _unchanged(one, got.sha256, got.path, "record")
        out.append(got)
    return out


def _shipped(folder: Path) -> None:
    """An older result does not carry the healthy scatter: only where it was judged by what ships is it known."""
    try:
        told = json.loads((folder / "findings.json").read_text(encoding="utf-8"))
        name = told["provenance"].get("healthy_scatter", ORIENTATION.name)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return
    if name != ORIENTATION.name:
        raise InputError(
            f"was judged by the healthy scatter '{clean(name, limit=80)}', which this older result does not carry",
            path=folder,
            mend="run drm diagnose with --population again into this folder",
        )


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
        places = [told["record"], *(told.get("together") or [])]
        places += [told["reference"]] if told.get("reference") else []
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
