"""What every rule sees."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from drm.siblings_use import usable

if TYPE_CHECKING:
    import pandas as pd

    from drm.breaker import Breaker
    from drm.siblings import Comparison

__all__ = ["Context", "joined", "rows_of", "trusted"]


@dataclass(frozen=True, eq=False)
class Context:
    """Inputs of the rules.

    Attributes
    ----------
    features, mechanisms : DataFrame
        One row per operation and interrupter; one row per operation and mechanism.
    comparison : Comparison
    breaker : Breaker
    record_flags : tuple of str
        What the reader had to decide.
    facts : mapping
        What the features do not hold. Known keys: ``reference_s``, mapping (operation, mechanism) -> instant in
        seconds on the record's clock from which that mechanism's times are counted; ``timing``, ``static`` and
        ``pick_up``, tables of the times, of static resistances and of operation at reduced voltage; ``reference``, an
        earlier result, and ``since``, what was compared with it.
    """

    features: pd.DataFrame
    mechanisms: pd.DataFrame
    comparison: Comparison
    breaker: Breaker
    record_flags: tuple[str, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)


def trusted(features: pd.DataFrame, column: str) -> pd.DataFrame:
    """Rows whose value in `column` a verdict may rest on."""
    return features[usable(features, column)]


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as plain mappings, read column by column: a row at a time costs a frame ten times as much."""
    columns = {str(name): column.tolist() for name, column in frame.items()}
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def joined(names: tuple[str, ...] | list[str]) -> str:
    """Names as words: 'A1, A2 and B1'."""
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1] if names else ""
