"""Metrics of truth: a table of features against what was simulated; for tests and benchmarks alike."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from drm.synthetic.truth import Truth

__all__ = ["COLUMNS", "Errors", "compare", "rows_of", "summary"]

#: Column of the feature table -> how to take its truth.
COLUMNS: dict[str, str] = {
    "main_contact_ms": "main_ms",
    "arcing_contact_ms": "arcing_ms",
    "main_contact_mm": "main_travel_mm",
    "arcing_contact_mm": "arcing_travel_mm",
    "arcing_wipe_mm": "arcing_wipe_mm",
    "arcing_resistance_uohm": "arcing_resistance_uohm",
    "main_resistance_uohm": "main_resistance_uohm",
    "commutation_ms": "commutation_ms",
}


@dataclass(frozen=True)
class Errors:
    """Errors of one column, estimate less truth, in the column's unit.

    Attributes
    ----------
    values : tuple of float
        One for each row with both an estimate and a truth.
    missing : int
        Rows with a truth and no estimate.
    unfounded : int
        Rows with an estimate and no truth.
    z : tuple of float
        Error over the stated standard uncertainty, where one is stated and above zero.
    """

    values: tuple[float, ...]
    missing: int
    unfounded: int
    z: tuple[float, ...]

    @property
    def rms(self) -> float:
        """Root mean square; NaN without values."""
        return float(np.sqrt(np.mean(np.square(self.values)))) if self.values else math.nan

    @property
    def bias(self) -> float:
        """Median; NaN without values."""
        return float(np.median(self.values)) if self.values else math.nan

    @property
    def worst(self) -> float:
        """Greatest magnitude; NaN without values."""
        return float(np.max(np.abs(self.values))) if self.values else math.nan


def rows_of(features: Any) -> list[Mapping[str, Any]]:
    """Rows of a data frame, or of anything that iterates as mappings."""
    if hasattr(features, "to_dict"):
        return list(features.to_dict("records"))
    return list(features)


def _number(row: Mapping[str, Any], key: str) -> float:
    value = row.get(key)
    try:
        return math.nan if value is None else float(value)
    except (TypeError, ValueError):  # a table's own mark of a missing value
        return math.nan


def compare(features: Any, truth: Sequence[Truth], *, columns: Iterable[str] = tuple(COLUMNS)) -> dict[str, Errors]:
    """Errors of a feature table, column by column.

    Parameters
    ----------
    features : DataFrame or iterable of mapping
        With the columns ``interrupter`` and ``operation`` (1, 2, ...) and those asked for; ``NAME_u`` where stated.
    truth : sequence of Truth
    columns : iterable of str
        Of :data:`COLUMNS`.
    """
    rows = {(r["interrupter"], int(r["operation"])): r for r in rows_of(features)}
    out = {}
    for column in columns:
        values, z, missing, unfounded = [], [], 0, 0
        for t in truth:
            row = rows.get((t.interrupter, t.operation), {})
            got, right = _number(row, column), float(getattr(t, COLUMNS[column]))
            if math.isfinite(got) and math.isfinite(right):
                values.append(got - right)
                u = _number(row, f"{column}_u")
                if u > 0.0:
                    z.append((got - right) / u)
            elif math.isfinite(right):
                missing += 1
            elif math.isfinite(got):
                unfounded += 1
        out[column] = Errors(tuple(values), missing, unfounded, tuple(z))
    return out


def summary(errors: Mapping[str, Errors]) -> str:
    """The errors as a plain table."""
    lines = [f"{'column':26}{'n':>4}{'bias':>10}{'rms':>10}{'worst':>10}{'missing':>9}{'unfounded':>11}"]
    for name, e in errors.items():
        figures = "".join(f"{x:10.4g}" for x in (e.bias, e.rms, e.worst))
        lines.append(f"{name:26}{len(e.values):4d}{figures}{e.missing:9d}{e.unfounded:11d}")
    return "\n".join(lines)
