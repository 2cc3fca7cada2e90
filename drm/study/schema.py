"""The study's tables: every column with its type, unit, meaning and the schema version that brought it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from drm.features.registry import FEATURES
from drm.mechanism_columns import COLUMNS, WORDS
from drm.wording import UNITS

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["SCHEMA", "TABLES", "Column", "columns", "metadata", "schema"]

SCHEMA = 2
#: Names of the tables; a folder of parts for each.
TABLES = ("features", "mechanisms", "findings", "failures", "tests")


@dataclass(frozen=True)
class Column:
    """One column; `type` is ``text``, ``int``, ``float`` or ``instant``."""

    name: str
    type: str
    meaning: str
    unit: str = ""
    version: int = 1


_WHERE = (
    Column("file", "text", "record, as a path from the study's root"),
    Column("breaker_file", "text", "breaker file, as a path from the study's root"),
)
_WHOSE = (
    Column("breaker_id", "text", "what tells breakers apart: station and serial, else the breaker file"),
    Column("breaker_type", "text", "type of the breaker, as its file says"),
    Column("station", "text", "station, as the breaker file says"),
    Column("serial", "text", "serial, as the breaker file says"),
    Column("test_date", "instant", "start of the record, else the test's day in the breaker file"),
    Column("age_years", "float", "from the day of commissioning to the test", "a"),
    Column("operation_count", "int", "counter's reading at the test"),
)
_OPERATION = (
    Column("record", "text", "name of the record"),
    Column("breaker", "text", "name of the breaker"),
    Column("operation", "int", "number of the operation in the record, from 1"),
    Column("kind", "text", "open or close"),
)
_INTERRUPTER = (
    Column("pole", "text", "pole"),
    Column("interrupter", "text", "interrupter"),
    Column("position", "int", "place along the pole, from 1"),
    Column("mechanism", "text", "mechanism that drives it"),
    Column("reference", "text", "what times count from: coil or motion"),
)
_PROVENANCE = (
    Column("record_sha256", "text", "SHA-256 of the record's files, joined by a comma in the order of their names"),
    Column("breaker_sha256", "text", "SHA-256 of the breaker file and the curves that it names"),
    Column("program_version", "text", "version of the program"),
    Column("settings_sha256", "text", "SHA-256 of the study's settings, which study.json holds"),
    Column("healthy_scatter", "text", "what the comparison of siblings borrowed its scale from"),
)


def _measured() -> tuple[Column, ...]:
    made: list[Column] = []
    for f in FEATURES:
        made.append(Column(f.name, "float", f.meaning, f.unit))
        made.append(Column(f"{f.name}_u", "float", f"standard uncertainty (k = 1) of: {f.meaning}", f.unit))
    return tuple(made)


def _mechanical() -> tuple[Column, ...]:
    made: list[Column] = []
    for name, uncertain in COLUMNS.items():
        suffix, unit = next(((s, u) for s, u in UNITS if name.endswith(s)), ("", ""))
        meaning = name.removesuffix(suffix).replace("_", " ")
        made.append(Column(name, "float", meaning, unit.replace("µ", "u").replace("Ω", "Ohm")))
        if uncertain:
            made.append(Column(f"{name}_u", "float", f"standard uncertainty (k = 1) of: {meaning}", made[-1].unit))
    words = (Column(w, "text", w.replace("_", " ")) for w in WORDS)
    return (*made, *words, Column("sample_ms", "float", "sampling interval of the record", "ms"))


@cache
def columns(table: str) -> tuple[Column, ...]:
    """Columns of a table in their order."""
    if table == "features":
        own = (
            *_OPERATION,
            *_INTERRUPTER,
            *_measured(),
            Column("current_a", "float", "injected current", "A"),
            Column("quality", "text", "empty where the row can be trusted, else reasons joined by ;"),
            Column("sibling_score", "float", "distance from the siblings in healthy standard deviations", "1"),
            Column("sibling_p", "float", "probability of that by chance, after allowing for all comparisons", "1"),
            Column("sample_ms", "float", "sampling interval of the record", "ms", 2),
        )
    elif table == "mechanisms":
        named = tuple(c for c in _INTERRUPTER if c.name in ("mechanism", "reference"))
        zones = Column("speed_zones", "text", "speeds of named zones and their uncertainties, as JSON", "m/s")
        own = (*_OPERATION, *named, *_mechanical(), zones)
    elif table == "findings":
        own = (
            Column("number", "int", "place among the findings of its record, the most urgent first"),
            Column("code", "text", "what is said"),
            Column("level", "text", "hold, inspect, watch or note"),
            Column("subject", "text", "contact, timing, mechanism or setup"),
            Column("interrupters", "text", "interrupters that it is about, as a JSON list"),
            Column("operations", "text", "operations that it is about, as a JSON list"),
            Column("message", "text", "the statement"),
            Column("basis", "text", "what the judgement rests on"),
            Column("advice", "text", "what to do next"),
            Column("evidence", "text", "the numbers behind it, as JSON"),
        )
    elif table == "failures":
        return (
            *_WHERE,
            Column("kind", "text", "record, breaker, place, system, program or worker: where the fault lies"),
            Column("what", "text", "what is wrong"),
            Column("place", "text", "where in the file"),
            Column("mend", "text", "what can be done about it"),
        )
    elif table == "tests":
        own = (
            Column("path", "text", "the record's path from the root, bytes as hexadecimal"),
            Column("status", "text", "done or failed"),
            Column("operations", "int", "operations found"),
            Column("worst_level", "text", "level of the most urgent finding; empty if there is none"),
            Column("notes", "text", "what had to be decided, joined by ;"),
            Column("key", "text", "SHA-256 of content, version and settings; empty: tried again at the next run"),
        )
    else:
        raise KeyError(table)
    return (*_WHERE, *_WHOSE, *own, *_PROVENANCE)


def metadata(table: str, about: Mapping[str, Any]) -> dict[str, str]:
    """The one JSON key of a table's files."""
    text = json.dumps({"schema": SCHEMA, "table": table, **about}, ensure_ascii=False, sort_keys=True)
    return {"drm": text}


@cache
def schema(table: str) -> pa.Schema:
    """Arrow schema of a table, with ``unit``, ``long_name`` and ``version`` in each field's metadata."""
    import pyarrow as pa

    types = {
        "text": pa.string(),
        "int": pa.int64(),
        "float": pa.float64(),
        "instant": pa.timestamp("us"),
    }
    return pa.schema(
        [
            pa.field(
                c.name, types[c.type], metadata={"unit": c.unit, "long_name": c.meaning, "version": str(c.version)}
            )
            for c in columns(table)
        ]
    )
