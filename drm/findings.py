"""Findings: what the features, limits and physics say, and what each statement rests on."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    import pandas as pd

    from drm.breaker import Breaker
    from drm.rules.context import Context
    from drm.siblings import Comparison

__all__ = ["LEVELS", "Finding", "Level", "Subject", "findings"]

Level = Literal["hold", "inspect", "watch", "note"]
Subject = Literal["contact", "timing", "mechanism", "setup"]


@dataclass(frozen=True)
class Finding:
    """One statement about the breaker or the test, with its evidence."""

    code: str
    level: Level
    subject: Subject
    message: str
    basis: str
    advice: str
    interrupters: tuple[str, ...] = ()
    operations: tuple[int, ...] = ()
    evidence: dict[str, Any] = field(default_factory=dict)


# Most urgent first.
LEVELS: tuple[Level, ...] = ("hold", "inspect", "watch", "note")


def findings(
    features: pd.DataFrame,
    mechanisms: pd.DataFrame,
    comparison: Comparison,
    breaker: Breaker,
    *,
    record_flags: Sequence[str] = (),
    readings_facts: Mapping[str, Any] | None = None,
) -> tuple[Finding, ...]:
    """What the features, limits and physics say, the most urgent first.

    Silence of a rule is no verdict: nothing here ever says that a breaker is safe.

    Parameters
    ----------
    features : DataFrame
        One row per operation and interrupter.
    mechanisms : DataFrame
        One row per operation and mechanism; may be empty.
    comparison : Comparison
        Of the same features.
    breaker : Breaker
    record_flags : sequence of str
        What the reader had to decide.
    readings_facts : mapping, optional
        ``reference_s``: (operation, mechanism) -> instant in seconds on the record's clock from which that
        mechanism's times are counted; lets poles with mechanisms of their own be compared in time.
        ``timing``, ``static``, ``pick_up``: times, static resistances and pick-up voltages as tables.
        ``reference``: an earlier result, :class:`drm.reference.Reference`, or None. ``since``: what was compared with
        it, :class:`drm.reference_whole.Compared`; made here where not given. ``setup_faults``: the
        :class:`drm.setup_fault.Fault` found in how the test was made.

    Returns
    -------
    tuple of Finding
        Sorted by level, then code, then interrupters.
    """
    # The rules build Finding, so they can be imported only once this module is whole.
    from drm.rules import context as rules_context
    from drm.rules import (
        limits,
        main_contact,
        physics,
        reference,
        resistance,
        setup,
        setup_faults,
        siblings,
        simultaneity,
        static,
        wipe,
    )
    from drm.rules import mechanisms as motion

    context = rules_context.Context(
        features, mechanisms, comparison, breaker, tuple(record_flags), dict(readings_facts or {})
    )
    rules: tuple[Callable[[Context], Iterator[Finding]], ...] = (
        wipe.no_wipe,
        wipe.doubtful_wipe,
        limits.file_limits,
        siblings.interrupters_apart,
        siblings.shifts,
        resistance.above_lowest,
        reference.since_then,
        physics.melting,
        physics.softening,
        main_contact.uneven,
        main_contact.bounce,
        simultaneity.simultaneity,
        motion.shifted_instants,
        motion.mechanisms_apart,
        motion.envelope,
        motion.resistors,
        motion.sensors,
        static.above_accepted,
        static.static_siblings,
        static.static_current,
        static.within_range,
        setup_faults.setup_faults,
        setup.current,
        setup.quality,
        setup.record_flags,
        setup.basis,
    )
    found = setup_faults.without_spoiled((f for rule in rules for f in rule(context)), context)
    return tuple(sorted(found, key=lambda f: (LEVELS.index(f.level), f.code, f.interrupters, f.operations)))
