"""One record and its breaker file: rows of the study's tables, whatever is in them."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from drm.errors import BreakerError, DrmError, InputError, RecordError
from drm.study.content import Content, content_of, text_of
from drm.study.settings import Settings, population_of
from drm.study.tree import Unit

if TYPE_CHECKING:
    from drm.breaker import Breaker
    from drm.pipeline import Result
    from drm.record import Record

__all__ = ["Rows", "lost", "rows_of"]

#: Table -> its rows.
Rows = dict[str, list[dict[str, Any]]]
_YEAR_S = 365.25 * 86400.0


def rows_of(unit: Unit, settings: Settings) -> Rows:
    """Do the whole job on one unit.

    Nothing that is wrong with its files, and no fault of the program in reading them, goes beyond the one row in
    ``failures`` that says so.
    """
    try:
        if unit.trouble:
            return _failed(unit, settings, None, InputError(unit.trouble, mend="check the rights"), kind="system")
        content = content_of(unit, settings)
    except OSError as error:
        what = InputError(f"cannot be read ({error.strerror or error})", mend="check the rights")
        return _failed(unit, settings, None, what, kind="system")
    try:
        return _done(unit, settings, content)
    except RecordError as error:
        return _failed(unit, settings, content, error, kind="record")
    except BreakerError as error:
        return _failed(unit, settings, content, error, kind="breaker")
    except DrmError as error:
        return _failed(unit, settings, content, error, kind="place")
    except (MemoryError, OSError) as error:
        what = InputError(f"{type(error).__name__}: {error}", mend="make room or mend the disk, and run again")
        return _failed(unit, settings, content, what, kind="system")
    except Exception as error:  # the run must not end for one record, and the row says what happened
        what = InputError(f"{type(error).__name__}: {error}", mend="report it with the record")
        return _failed(unit, settings, content, what, kind="program")


def lost(unit: Unit, settings: Settings) -> Rows:
    """Rows of a unit on which workers died."""
    what = InputError("the worker died on it twice", mend="look at its size and at the machine's memory, and run again")
    return _failed(unit, settings, None, what, kind="worker")


def _done(unit: Unit, settings: Settings, content: Content) -> Rows:
    from drm.breaker import Breaker
    from drm.pipeline import diagnose
    from drm.readers import read
    from drm.together import fitting

    root = os.fsencode(settings.root)
    if not unit.breaker:
        mend = "put a breaker.toml into its folder or one above"
        raise InputError("no breaker file belongs to the record", mend=mend)
    whole = Breaker.load(os.fsdecode(os.path.join(root, unit.breaker)))
    record = read(os.fsdecode(os.path.join(root, unit.path)))
    breaker = fitting(whole, record)
    result = diagnose(record, breaker, population=population_of(settings.population))
    return _rows(unit, settings, content, whole, result)


def _rows(unit: Unit, settings: Settings, content: Content, whole: Breaker, result: Result) -> Rows:
    before = _where(unit) | _whose(unit, whole, result.record)
    after = _provenance(settings, content) | {"healthy_scatter": result.provenance["healthy_scatter"]}
    left = sorted({i.name for i in whole.interrupters} - {i.name for i in result.breaker.interrupters})
    notes = [*result.record.flags, *(f"channels of interrupter {name} are not in the record" for name in left)]
    test = {
        "path": unit.path.hex(),
        "status": "done",
        "operations": len(result.operations),
        "worst_level": result.findings[0].level if result.findings else "",
        "notes": ";".join(notes),
        "key": content.key,
    }
    found = [
        {k: v if isinstance(v, str) else _json(v) for k, v in asdict(f).items()} | {"number": n}
        for n, f in enumerate(result.findings, start=1)
    ]
    features = [_plain(r) for r in result.features.to_dict("records")]
    moved = [_zoned(_plain(r)) for r in result.mechanisms.to_dict("records")]
    tables = {"features": features, "mechanisms": moved, "findings": found, "tests": [test]}
    return {name: [before | r | after for r in rows] for name, rows in tables.items()} | {"failures": []}


def _failed(unit: Unit, settings: Settings, content: Content | None, error: DrmError, *, kind: str) -> Rows:
    # What lies with the machine or the program may be mended without the files changing: such a unit has no key.
    key = content.key if content is not None and kind in ("record", "breaker", "place") else ""
    failure = _where(unit) | {"kind": kind, "what": error.what, "place": error.place, "mend": error.mend}
    test = _where(unit) | {"path": unit.path.hex(), "status": "failed", "key": key}
    test |= _provenance(settings, content)
    return {"features": [], "mechanisms": [], "findings": [], "failures": [failure], "tests": [test]}


def _where(unit: Unit) -> dict[str, Any]:
    return {"file": text_of(unit.path), "breaker_file": text_of(unit.breaker)}


def _whose(unit: Unit, breaker: Breaker, record: Record) -> dict[str, Any]:
    own = "/".join(p for p in (breaker.station, breaker.serial) if p) if breaker.serial else text_of(unit.breaker)
    when = _instant(record.start) or _day(breaker.conditions.date)
    since = _day(breaker.commissioned)
    age = (when - since).total_seconds() / _YEAR_S if when and since else None
    return {
        "breaker_id": own,
        "breaker_type": breaker.type,
        "station": breaker.station,
        "serial": breaker.serial,
        "test_date": when,
        "age_years": age,
        "operation_count": breaker.conditions.operation_count,
    }


def _instant(start: datetime | None) -> datetime | None:
    return start if start is None or start.tzinfo is None else start.astimezone(UTC).replace(tzinfo=None)


def _day(text: str | None) -> datetime | None:
    return datetime.fromisoformat(text) if text else None


def _provenance(settings: Settings, content: Content | None) -> dict[str, Any]:
    return {
        "record_sha256": content.record if content else None,
        "breaker_sha256": content.breaker if content else None,
        "program_version": settings.version,
        "settings_sha256": settings.sha256,
    }


def _plain(row: Mapping[Any, Any]) -> dict[str, Any]:
    """Cells as Arrow takes them: no NaN for what was not measured."""
    return {str(k): None if isinstance(v, float) and math.isnan(v) else v for k, v in row.items()}


def _zoned(row: dict[str, Any]) -> dict[str, Any]:
    """The speeds of named zones, whose columns differ from breaker to breaker, in one cell."""
    from drm.mechanism_columns import COLUMNS

    named = {
        k: v
        for k, v in row.items()
        if k.startswith("speed_") and k.removesuffix("_u").endswith("_m_s") and k.removesuffix("_u") not in COLUMNS
    }
    return row | {"speed_zones": _json(named) if named else None}


def _json(value: Any) -> str:
    return json.dumps(_bare(value), ensure_ascii=False, sort_keys=True)


def _bare(value: Any) -> Any:
    """Only what JSON has: numpy's numbers unwrapped, what is not finite as null."""
    if isinstance(value, Mapping):
        return {str(k): _bare(v) for k, v in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_bare(v) for v in value]
    if hasattr(value, "tolist"):
        return _bare(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if isinstance(value, (str, int, float, bool)) or value is None else str(value)
