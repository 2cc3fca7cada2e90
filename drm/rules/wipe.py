"""An arcing contact that never carries the current alone."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from drm.findings import Finding
from drm.rules.cautions import inspect_inside
from drm.rules.context import Context

__all__ = ["no_wipe"]

# Where the uncertainty is larger than these, a wipe within it says that the trace is poor, not that the wipe is.
_LARGEST = {"arcing_wipe_mm": 2.0, "arcing_wipe_ms": 0.5}


def no_wipe(c: Context) -> Iterator[Finding]:
    """Hold where the wipe is at most its expanded uncertainty (k = 2)."""
    rows = c.features
    quality = rows["quality"].fillna("").astype(str) if "quality" in rows else rows["kind"].map(lambda _: "")
    # A row may be flagged for this very reason and no other.
    usable = quality.map(lambda q: all("resolution" in r and "arcing" in r for r in q.split(";") if r.strip()))
    found = np.zeros(len(rows), dtype=np.bool_)
    for column, largest in _LARGEST.items():
        if column not in rows:
            continue
        u = rows[column + "_u"].fillna(0.0) if column + "_u" in rows else 0.0 * rows[column]
        found |= np.asarray((rows[column] <= 2 * u) & (2 * u <= largest) & usable, dtype=np.bool_)
        found |= np.asarray((rows[column] <= 0) & usable, dtype=np.bool_)
    hit = rows[found]
    if hit.empty:
        return
    for name, mine in hit.groupby("interrupter", sort=True):
        values = {k: [float(v) for v in mine[k]] for k in _LARGEST if k in mine}
        yield Finding(
            code="wipe.none",
            level="hold",
            subject="contact",
            message=f"{name}: the current never rests on the arcing contact; the arcing wipe is at most the resolution. "
            "Reversed order, missing and burnt-off arcing contact cannot be told apart from the trace alone.",
            basis="physics: the arcing contact must part last and touch first, else the main contact burns",
            advice=inspect_inside(
                "Have a qualified person look before any return to service. First rule out the test: right channel, "
                "current high enough, voltage leads across this interrupter only; repeat slowly if the mechanism allows "
                "it; then look at the arcing contact."
            ),
            interrupters=(str(name),),
            operations=tuple(sorted({int(n) for n in mine["operation"]})),
            evidence=values,
        )
