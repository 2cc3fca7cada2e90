"""How the test was made: current, spoiled rows, the reader's decisions, and what the basis cannot carry."""

from __future__ import annotations

from collections.abc import Iterator

from drm.findings import Finding
from drm.rules.cautions import measure_again
from drm.rules.context import Context, joined
from drm.rules.wipe import only_the_order_is_doubtful, only_the_zone_is_missing
from drm.siblings_use import COARSE_WIPE, LEAST_A, MAIN_ALONE, NO_ARCING, reasons

__all__ = ["basis", "current", "quality", "record_flags"]

# IEEE C37.09: at least 100 A d.c. for the static resistance.
_LEAST_A, _UNUSABLE_A = 100.0, LEAST_A
_FEW = 6


def current(c: Context) -> Iterator[Finding]:
    """Injected current too low to trust, or too low to use."""
    if "current_a" not in c.features:
        return
    level = c.features.groupby("interrupter")["current_a"].median().abs()
    # A source set to 100 A may be read as 99.6 A: below means below by more than the reading is uncertain.
    least = _LEAST_A * (1.0 - 2.0 * c.breaker.instrument.current_gain_rel)
    bands = (
        ("setup.current-unusable", level[level < _UNUSABLE_A], f"below {_UNUSABLE_A:.0f} A: the trace cannot be used"),
        (
            "setup.current-low",
            level[(level >= _UNUSABLE_A) & (level < least)],
            f"below {_LEAST_A:.0f} A: resistances are uncertain and film may dominate them",
        ),
    )
    for code, low, say in bands:
        if low.empty:
            continue
        names = tuple(sorted(map(str, low.index)))
        yield Finding(
            code=code,
            level="note",
            subject="setup",
            message=f"{joined(list(names))}: injected current {say}.",
            basis="published: IEEE C37.09, at least 100 A d.c.; CIGRE 2026 D1-11782, too little current gives unstable "
            "curves, at rated speed 400 A or more",
            advice=measure_again("Test again at 100 A or more, at rated speed better 400 A; compare at equal current."),
            interrupters=names,
            operations=_operations(c, names),
            evidence={"current_a": {str(k): float(v) for k, v in low.items()}, "least_a": _LEAST_A},
        )


def quality(c: Context) -> Iterator[Finding]:
    """Reasons for which rows were set aside, gathered by reason."""
    if "quality" not in c.features:
        return
    gathered: dict[str, list[tuple[str, int]]] = {}
    f = c.features
    for text, name, number in zip(f["quality"], f["interrupter"], f["operation"], strict=True):
        if any(r.startswith("setup:") for r in reasons(text)):
            # A fault of the test that spoils the whole row has a finding of its own, and what follows from it none.
            continue
        for reason in reasons(text):
            # So have faults that spoil a part of it, and a missing arcing zone, unless something else cut it short.
            own = (reason.startswith(NO_ARCING) and only_the_zone_is_missing(text)) or (
                reason.startswith(MAIN_ALONE) and only_the_order_is_doubtful(text)
            )
            if not (reason.startswith("setup") or own):
                gathered.setdefault(reason, []).append((str(name), int(number)))
    for reason, where in sorted(gathered.items()):
        names = tuple(sorted({n for n, _ in where}))
        yield Finding(
            code="setup.quality",
            level="note",
            subject="setup",
            message=f"{joined(list(names))}: {reason}."
            + ("" if reason.startswith(COARSE_WIPE) else " No verdict is drawn from what this spoils."),
            basis="the trace itself",
            advice=measure_again(
                "The contact's own fluctuation or the trace's noise hides where the current moves: repeat the test, at "
                "more current or slowly, and read the other operations meanwhile."
                if reason.startswith(COARSE_WIPE)
                else "Mend the cause in the test's connection or settings and repeat the test; where a neighbour in "
                "series cut the current off, inject each interrupter by itself."
            ),
            interrupters=names,
            operations=tuple(sorted({n for _, n in where})),
            evidence={"reason": reason, "rows": len(where)},
        )


def record_flags(c: Context) -> Iterator[Finding]:
    """What the reader had to decide."""
    for flag in dict.fromkeys(c.record_flags):
        yield Finding(
            code="setup.record",
            level="note",
            subject="setup",
            message=f"Record: {flag.rstrip('.')}.",
            basis="the record file",
            advice="See whether this fits what the recorder was set to; if not, export the record again.",
            evidence={"flag": flag},
        )


def basis(c: Context) -> Iterator[Finding]:
    """What siblings alone cannot say."""
    judged = {i.interrupter for items in c.comparison.contributions.values() for i in items}
    apart = sorted(set(map(str, c.features["interrupter"])) - judged)
    if apart:
        yield Finding(
            code="basis.no-siblings",
            level="note",
            subject="setup",
            message=f"{joined(apart)}: fewer than three comparable readings; nothing is concluded from siblings.",
            basis="siblings",
            advice="Compare with the maker's values and with earlier tests of the same interrupter at equal current.",
            interrupters=tuple(apart),
        )
    if not c.breaker.limits and c.facts.get("reference") is None:
        few = len(judged) < _FEW
        scale = f" With fewer than {_FEW}, siblings are ranked; the judgement borrows its scale." if few else ""
        yield Finding(
            code="basis.siblings-only",
            level="note",
            subject="setup",
            message="The breaker file states no limits, so the judgement on wear rests on siblings and published rules "
            f"alone: wear that all interrupters share cannot be seen, and nothing is concluded about it.{scale}",
            basis="siblings",
            advice="Enter the maker's limits in the breaker file, and compare with an earlier or commissioning test.",
            evidence={"interrupters_compared": len(judged)},
        )


def _operations(c: Context, names: tuple[str, ...]) -> tuple[int, ...]:
    mine = c.features["interrupter"].astype(str).isin(names)
    return tuple(sorted({int(n) for n in c.features.loc[mine, "operation"]}))
