"""What every rule sees."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

    from drm.breaker import Breaker
    from drm.siblings import Comparison

__all__ = ["Context", "joined", "trusted"]


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
        seconds on the record's clock from which that mechanism's times are counted.
    """

    features: pd.DataFrame
    mechanisms: pd.DataFrame
    comparison: Comparison
    breaker: Breaker
    record_flags: tuple[str, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)


def trusted(features: pd.DataFrame) -> pd.DataFrame:
    """Rows without a `quality` reason: no verdict is drawn from the others."""
    if "quality" not in features:
        return features
    return features[features["quality"].fillna("").astype(str).str.strip() == ""]


def joined(names: tuple[str, ...] | list[str]) -> str:
    """Names as words: 'A1, A2 and B1'."""
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1] if names else ""
