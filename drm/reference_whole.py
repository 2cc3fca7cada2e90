"""Everything that a result and an earlier one have in common, compared; and where it was not, why."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from drm.envelope import Curve
from drm.kept import kept
from drm.reference import Change, Reference, changes, with_chance
from drm.reference_conditions import SAME_VOLTAGE
from drm.reference_figures import Gap, figures
from drm.reference_rows import differing, placed, volts_of

if TYPE_CHECKING:
    import pandas as pd

    from drm.breaker import Breaker

__all__ = ["Compared", "changes_table", "compared", "earlier_curves"]

#: Instants that follow the coil's voltage.
_INSTANTS = ("main_contact_ms", "arcing_contact_ms")


@dataclass(frozen=True, eq=False)
class Compared:
    """A result against an earlier one.

    Attributes
    ----------
    earlier : Reference
    changes : tuple of Change
        Whatever could be compared, changed or not.
    reasons : dict
        (interrupter, kind) -> why its features were not.
    gaps : tuple of Gap
        Other figures that were not, and why.
    other_breakers : tuple of str
        Names of the breakers that the earlier result is of, where this one is none of them: nothing was compared.
    """

    earlier: Reference
    changes: tuple[Change, ...] = ()
    reasons: Mapping[tuple[str, str], str] = field(default_factory=dict)
    gaps: tuple[Gap, ...] = ()
    other_breakers: tuple[str, ...] = ()


def compared(
    features: pd.DataFrame, tables: Mapping[str, pd.DataFrame | None], earlier: Reference, breaker: Breaker
) -> Compared:
    """Compare a result with an earlier one.

    Parameters
    ----------
    features : DataFrame
    tables : mapping
        Those of :data:`drm.reference.TABLES` that the result has.
    earlier : Reference
    breaker : Breaker
    """
    named = {str(b) for b in earlier.features["breaker"]} if "breaker" in earlier.features else set()
    if named and breaker.name not in named:
        return Compared(earlier, (), {}, (), tuple(sorted(named)))
    mine = {k: t for k, t in tables.items() if t is not None and len(t)} | {"features": features}
    contacts, reasons = changes(features, earlier, breaker)
    others, gaps = figures(mine, earlier, breaker)
    alike, apart = _at_like_voltage(contacts, mine.get("mechanisms"), earlier.tables.get("mechanisms"), breaker)
    return Compared(earlier, with_chance([*alike, *others]), reasons, (*gaps, *apart))


def _at_like_voltage(
    found: tuple[Change, ...], now: pd.DataFrame | None, then: pd.DataFrame | None, breaker: Breaker
) -> tuple[list[Change], list[Gap]]:
    """The interrupters' changes without the instants of operations at another coil voltage than then."""
    driven_by = {i.name: i.mechanism for i in breaker.interrupters}
    volts = [volts_of(t) for t in (now, then)]
    alike: list[Change] = []
    gaps: list[Gap] = []
    for c in found:
        key = (driven_by.get(c.interrupter, ""), c.kind)
        v = [float(np.median([q.value for q in side[key].values()])) for side in volts if key in side]
        if c.feature in _INSTANTS and len(v) == 2 and abs(v[0] - v[1]) > SAME_VOLTAGE * v[1]:
            why = differing("coil voltages", *v)
            gaps.append(Gap(c.table, c.of, c.interrupter, c.kind, c.after, c.feature, why))
        else:
            alike.append(c)
    return alike, gaps


def changes_table(found: Compared) -> pd.DataFrame:
    """One row per figure: what was compared, the most changed first, then what was not, with the reason in `why`.

    Returns
    -------
    DataFrame
        ``table, of, name, kind, after, column, now, now_u, then, then_u, now_at_20_c, then_at_20_c, change, change_u,
        healthy, distance, p, why``.
    """
    import pandas as pd

    columns = ("table", "of", "name", "kind", "after", "column", "now", "now_u", "then", "then_u", "now_at_20_c",
               "then_at_20_c", "change", "change_u", "healthy", "distance", "p", "why")  # fmt: skip
    rows: list[tuple[object, ...]] = [
        (c.table, c.of, c.interrupter, c.kind, c.after, c.feature, c.now, c.now_u, c.then, c.then_u, c.now_20,
         c.then_20, c.by, c.u, c.healthy, c.distance, c.p, "")
        for c in sorted(found.changes, key=lambda c: -abs(c.distance))
    ]  # fmt: skip
    nothing = (math.nan,) * 11
    rows += [("features", "interrupter", n, k, "", "", *nothing, why) for (n, k), why in sorted(found.reasons.items())]
    rows += [(g.table, g.of, g.name, g.kind, g.after, g.column, *nothing, g.why) for g in found.gaps]
    return pd.DataFrame(rows, columns=list(columns))


@kept
def earlier_curves(earlier: Reference | None, breaker: Breaker) -> dict[tuple[str, str, str], Curve]:
    """Travel curves of the earlier test for mechanisms whose breaker file names no reference curve.

    Returns
    -------
    dict
        (mechanism, kind, operations that precede it in its record) -> the first such curve.
    """
    if earlier is None or "travel" not in earlier.tables:
        return {}
    told = earlier.features
    if "breaker" in told and breaker.name not in set(told["breaker"].astype(str)):
        return {}
    after = dict(zip((int(n) for n in told["operation"]), placed(told), strict=True))
    wanted = {m.name for m in breaker.mechanisms if m.reference_travel is None}
    out: dict[tuple[str, str, str], Curve] = {}
    travel = earlier.tables["travel"]
    for (_, name), rows in travel.groupby(["operation", "mechanism"], sort=True):
        kind = str(rows["kind"].iloc[0])
        key = (str(name), kind, after.get(int(rows["operation"].iloc[0]), ""))
        time, mm = (rows[c].to_numpy(dtype=float) for c in ("time_ms", "travel_mm"))
        good = np.isfinite(time) & np.isfinite(mm)
        if str(name) in wanted and key not in out and int(good.sum()) >= 8 and float(np.ptp(mm[good])) > 1.0:
            out[key] = Curve(kind, time[good], mm[good], float(rows["contact_ms"].iloc[0]))
    return out
