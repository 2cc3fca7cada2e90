"""Columns of what is learnt: unit and meaning beside each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drm.study.patterns import AXES
from drm.study.schema import metadata

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["COLUMNS", "described"]

#: Column -> unit and meaning.
COLUMNS: dict[str, tuple[str, str]] = {
    "rank": ("1", "place in the order in which breakers should be looked at"),
    "rank_low": ("1", "least of an interval of 90 % for the rank"),
    "rank_high": ("1", "greatest of an interval of 90 % for the rank"),
    "breaker_id": ("", "what tells breakers apart: station and serial, else the breaker file"),
    "breaker_type": ("", "type of the breaker"),
    "level": ("", "of the most urgent finding of the latest test that is not about the test itself"),
    "concern": ("1", "worst reading in healthy standard deviations, taken back for how many were looked at"),
    "concern_u": ("1", "standard uncertainty (k = 1) of the concern"),
    "because": ("", "column of that reading"),
    "interrupter": ("", "interrupter of that reading, or that is out"),
    "kind": ("", "open or close"),
    "held_against": ("", "siblings or type"),
    "severity": ("1", "greatest deviation in healthy standard deviations"),
    "pattern": ("1", "number of the pattern, the most frequent first"),
    "words": ("", "the pattern in words"),
    "feature": ("", "column that is followed"),
    "along": ("", "age_years: slope per year; operation_count: slope per thousand operations"),
    "slope": ("of the feature", "robust slope"),
    "low": ("of the feature", "least of an interval of 95 % for the slope"),
    "high": ("of the feature", "greatest of an interval of 95 % for the slope"),
    "within": ("", "true: within breakers tested more than once; false: between breakers"),
    "tests": ("1", "tests that it rests on"),
    **{f: ("1", f"deviation of {f} in healthy standard deviations") for f in AXES},
}


def described(table: pa.Table, name: str) -> pa.Table:
    """The table with unit, meaning and version of every column in its field's metadata."""
    import pyarrow as pa

    fields = []
    for field in table.schema:
        unit, meaning = COLUMNS[field.name]
        fields.append(field.with_metadata({"unit": unit, "long_name": meaning, "version": "1"}))
    return table.cast(pa.schema(fields)).replace_schema_metadata(metadata(name, {"program": "drm"}))
