"""An earlier result of the same breaker, read back from its folder, and what changed since."""

from __future__ import annotations

import hashlib
import io
import json
import math
import os
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drm.errors import InputError
from drm.move_in import in_order
from drm.quantity import NOTHING, Quantity
from drm.reference_conditions import AT_C, Moved, Surroundings, bulk
from drm.siblings_use import usable
from drm.static import COPPER_C

if TYPE_CHECKING:
    import pandas as pd

    from drm.breaker import Breaker

__all__ = ["TABLES", "Change", "Reference", "at_20_c", "changes", "family", "load_reference", "why_not", "with_chance"]

#: Tables of a result that a later one is compared with, beside the features; an older result may lack some.
TABLES = ("mechanisms", "timing", "static", "pick_up", "motors", "travel")

#: Reproducibility of one interrupter from test to test, standard deviation: (absolute, share of the value). Contacts
#: bed differently each time they close; common practice, no source.
REPRODUCES: dict[str, tuple[float, float]] = {
    "main_resistance_uohm": (0.5, 0.05),
    "arcing_resistance_uohm": (5.0, 0.10),
    "arcing_roughness_uohm": (5.0, 0.30),
    "arcing_wipe_mm": (0.2, 0.0),
    "arcing_wipe_ms": (0.1, 0.02),
    "main_contact_mm": (0.3, 0.0),
    "arcing_contact_mm": (0.3, 0.0),
    "main_contact_ms": (0.3, 0.01),
    "arcing_contact_ms": (0.3, 0.01),
    "parting_speed_m_s": (0.0, 0.03),
}
RESISTANCES = ("main_resistance_uohm", "arcing_resistance_uohm", "arcing_roughness_uohm")
#: Currents that differ by more than this share are not comparable: film and softening depend on the current; common
#: practice, no source. Speeds that differ by more than the factor are another kind of operation.
SAME_CURRENT, SAME_SPEED = 0.1, 1.5

#: Share of the false alarms that the contacts' features may make where other figures are compared too.
CONTACTS_SHARE = 0.5
_FAMILY = {"features": "contact", "timing": "times", "static": "static", "pick_up": "pick-up", "motors": "motor"}
_STARTS = (("coil_", "coil"), ("armature_", "coil"), ("auxiliary_", "auxiliary"), ("motor_", "motor"))


@dataclass(frozen=True, eq=False)
class Reference:
    """An earlier result.

    Attributes
    ----------
    folder : str
        As it was given.
    features : DataFrame
        As that result has them.
    provenance : dict
        Of that result.
    sha256 : str
        Of its feature table.
    tables : dict of DataFrame
        Those of :data:`TABLES` that it has.
    stated : dict
        What its breaker file said of each mechanism, by name.
    tables_sha256 : str
        Of those tables, one after the other.
    """

    folder: str
    features: pd.DataFrame
    provenance: dict[str, Any] = field(default_factory=dict)
    sha256: str = ""
    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    stated: dict[str, dict[str, Any]] = field(default_factory=dict)
    tables_sha256: str = ""

    @property
    def name(self) -> str:
        """Names the earlier test: its record, and when that began."""
        records = sorted({str(r) for r in self.features["record"]}) if "record" in self.features else []
        start = self.provenance.get("record_start")
        return ", ".join(records or ["unnamed"]) + (f" of {str(start)[:10]}" if start else "")

    @property
    def ambient_c(self) -> float | None:
        """Ambient temperature of the earlier test; None where its breaker file stated none."""
        stated = (self.provenance.get("conditions") or {}).get("ambient_c")
        return float(stated) if isinstance(stated, int | float) else None

    @property
    def ambient(self) -> Quantity:
        """The same with its standard uncertainty, 1 K where none was stated."""
        u = (self.provenance.get("conditions") or {}).get("ambient_u_c")
        known = self.ambient_c
        return NOTHING if known is None else Quantity(known, float(u) if isinstance(u, int | float) else 1.0)

    def about(self) -> dict[str, Any]:
        """For the provenance of a result that was compared with this one."""
        return {
            "folder": os.path.basename(os.path.normpath(self.folder)),
            "record": self.name,
            "record_start": self.provenance.get("record_start"),
            "version": self.provenance.get("version"),
            "features_sha256": self.sha256,
            "tables": sorted(self.tables),
            "tables_sha256": self.tables_sha256 or None,
        }


def load_reference(folder: str | os.PathLike[str]) -> Reference:
    """Read an earlier result.

    Parameters
    ----------
    folder : path
        The folder that was given to ``--out`` then.

    Raises
    ------
    InputError
        If it holds no feature table that can be read.
    """
    import pandas as pd
    import pyarrow as pa
    import pyarrow.parquet as pq

    path = in_order(folder) / "features.parquet"
    try:
        raw = path.read_bytes()
        table = pq.read_table(io.BytesIO(raw))
        frame = pd.DataFrame(table.to_pandas())
    except (OSError, pa.ArrowException) as error:
        what = "holds no features.parquet" if not path.exists() else f"cannot be read ({type(error).__name__})"
        raise InputError(
            f"the earlier result {what}", path=folder, mend="give --reference the folder of an earlier drm diagnose"
        ) from None
    missing = {"interrupter", "operation", "kind", "quality", "current_a"} - set(frame.columns)
    if missing:
        raise InputError(
            f"the table has no column '{min(missing)}'", path=path, mend="give a result of drm diagnose itself"
        )
    about = json.loads((table.schema.metadata or {}).get(b"drm", b"{}"))
    tables, sha256 = _more_tables(Path(folder))
    return Reference(
        str(folder),
        frame,
        about.get("provenance") or {},
        hashlib.sha256(raw).hexdigest(),
        tables,
        _stated(Path(folder) / "source.json"),
        sha256,
    )


def _more_tables(folder: Path) -> tuple[dict[str, pd.DataFrame], str]:
    import pandas as pd
    import pyarrow as pa
    import pyarrow.parquet as pq

    out: dict[str, pd.DataFrame] = {}
    sha256 = hashlib.sha256()
    for name in TABLES:
        path = folder / f"{name}.parquet"
        if not path.exists():
            continue
        try:
            raw = path.read_bytes()
            out[name] = pd.DataFrame(pq.read_table(io.BytesIO(raw)).to_pandas())
            sha256.update(raw)
        except (OSError, pa.ArrowException) as error:
            what = f"the earlier result's table cannot be read ({type(error).__name__})"
            raise InputError(what, path=path, mend="take the table away, or make that result anew") from None
    return out, sha256.hexdigest() if out else ""


def _stated(source: Path) -> dict[str, dict[str, Any]]:
    """What the earlier breaker file said of each mechanism; nothing where the result does not tell it."""
    try:
        told = json.loads(source.read_text(encoding="utf-8"))
        return {str(m["name"]): dict(m) for m in told["breaker"]["mechanisms"]}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def at_20_c(resistance: float, ambient_c: float) -> float:
    """Resistance referred to 20 °C as copper's bulk follows it (IEC 60028); a constriction follows it less."""
    return resistance * (COPPER_C + AT_C) / (COPPER_C + ambient_c)


@dataclass(frozen=True)
class Change:
    """One figure of one interrupter, mechanism, pole or breaker in one kind of operation, now and then.

    Attributes
    ----------
    now, then, now_u, then_u : float
        Medians over the operations of this kind, standard uncertainties.
    now_20, then_20 : float
        Referred to 20 °C; NaN where no resistance or an ambient is not stated.
    distance : float
        Change in standard deviations of measurement and reproducibility together, signed.
    p : float
        Probability of such a change by chance, allowing for how many were compared.
    table, of : str
        Where the figure stands, and what `interrupter` names: an interrupter, mechanism, pole or the breaker.
    after : str
        Operations that precede it in its record, such as ``OC``; features of one kind are taken together.
    by, u, healthy : float
        Change at conditions that are alike, its standard uncertainty with all that counts in `distance`, and the
        healthy standard deviation of one test that is part of it.
    """

    interrupter: str
    kind: str
    feature: str
    now: float
    then: float
    now_u: float
    then_u: float
    now_20: float
    then_20: float
    distance: float
    p: float
    operations: tuple[int, ...]
    table: str = "features"
    of: str = "interrupter"
    after: str = ""
    by: float = math.nan
    u: float = math.nan
    healthy: float = math.nan


def _one(frame: pd.DataFrame, column: str) -> tuple[float, float]:
    rows = frame[usable(frame, column)]
    if rows.empty:
        return math.nan, math.nan
    us = rows[column + "_u"] if column + "_u" in rows else rows[column] * math.nan
    return float(rows[column].median()), float(us.median())


def why_not(now: pd.DataFrame, then: pd.DataFrame) -> str:
    """Why one interrupter's readings of one kind are not comparable with the earlier ones; empty where they are."""
    amps = [float(f["current_a"].abs().median()) for f in (now, then)]
    if not all(map(math.isfinite, amps)):
        return "the injected current of one of the two tests is not known"
    if abs(amps[0] - amps[1]) > SAME_CURRENT * max(amps):
        return f"the injected currents differ: {amps[0]:.4g} A now, {amps[1]:.4g} A then"
    speeds = [_one(f, "parting_speed_m_s")[0] if "parting_speed_m_s" in f else math.nan for f in (now, then)]
    if all(map(math.isfinite, speeds)) and not 1 / SAME_SPEED < speeds[0] / max(speeds[1], 1e-9) < SAME_SPEED:
        return f"the speeds differ: {speeds[0]:.3g} m/s now, {speeds[1]:.3g} m/s then"
    references = [set(f["reference"].astype(str)) if "reference" in f else set() for f in (now, then)]
    if references[0] != references[1]:
        return "the times count from another reference instant (coil or motion) than then"
    return ""


def changes(
    features: pd.DataFrame, earlier: Reference, breaker: Breaker
) -> tuple[tuple[Change, ...], dict[tuple[str, str], str]]:
    """Every feature of every interrupter against the earlier test, kind of operation by kind of operation.

    Returns
    -------
    changes : tuple of Change
    reasons : dict
        (interrupter, kind) -> why it was not compared.
    """
    found: list[Change] = []
    reasons: dict[tuple[str, str], str] = {}
    then_all = earlier.features
    for (name, kind), now in features.groupby(["interrupter", "kind"], sort=True):
        key = (str(name), str(kind))
        then = then_all[(then_all["interrupter"].astype(str) == key[0]) & (then_all["kind"].astype(str) == key[1])]
        if then.empty:
            reasons[key] = f"the earlier test has no {kind} operation of it"
            continue
        if reason := why_not(now, then):
            reasons[key] = reason
            continue
        mine = list(_compared(key, now, then, *surroundings(breaker, earlier)))
        if not mine:
            reasons[key] = "no value that can be trusted was measured in both tests"
        found += mine
    return with_chance(found), reasons


def surroundings(breaker: Breaker, earlier: Reference) -> tuple[Surroundings, Surroundings]:
    """Ambients now and then."""
    c = breaker.conditions
    here = NOTHING if c.ambient_c is None else Quantity(c.ambient_c, c.ambient_u_c)
    return Surroundings(here), Surroundings(earlier.ambient)


def _compared(
    key: tuple[str, str], now: pd.DataFrame, then: pd.DataFrame, here: Surroundings, there: Surroundings
) -> Iterator[Change]:
    numbers = tuple(sorted({int(n) for n in now["operation"]}))
    for feature, (absolute, share) in REPRODUCES.items():
        if feature not in now or feature not in then:
            continue
        (a, ua), (b, ub) = _one(now, feature), _one(then, feature)
        if not (math.isfinite(a) and math.isfinite(b)):
            continue
        again = math.hypot(absolute, share * 0.5 * (abs(a) + abs(b)))
        known = [x if math.isfinite(x) else 0.0 for x in (ua, ub)]
        by = Moved(a - b) if feature not in RESISTANCES else bulk(a, b, here, there)
        # Each test has its own bedding of the contacts.
        sd = math.hypot(*known, math.sqrt(2.0) * again, by.more_u)
        distance = by.by / sd if sd > 0 else 0.0
        yield Change(
            *key, feature, a, b, ua, ub, by.now_20, by.then_20, distance, math.nan, numbers,
            by=by.by, u=sd, healthy=again,
        )  # fmt: skip


def family(c: Change) -> str:
    """Figures that tell of one part: a share of the false alarms is theirs."""
    if c.table in _FAMILY:
        return _FAMILY[c.table]
    return next((word for start, word in _STARTS if c.feature.startswith(start)), "mechanism")


def with_chance(found: Sequence[Change]) -> tuple[Change, ...]:
    """The same with the probability by chance among all that were compared (Šidák).

    Half of the false alarms that a probability allows may come from the contacts, the rest in equal parts from the
    other families that were compared. One instant may stand in several tables, as a pole's and as its mechanism's:
    pairs that are alike count once.
    """
    many: dict[str, dict[tuple[str, ...], Counter[tuple[str, str]]]] = {}
    for c in found:
        alike = (c.kind, c.after, c.feature[-4:], f"{c.now:.3g}", f"{c.by:.2g}")
        many.setdefault(family(c), {}).setdefault(alike, Counter())[c.of, c.feature] += 1
    others = len(many.keys() - {"contact"})
    own = CONTACTS_SHARE if others else 1.0
    rest = (1.0 - (own if "contact" in many else 0.0)) / max(others, 1)
    shares = {
        f: sum(max(n.values()) for n in alike.values()) / (own if f == "contact" else rest) for f, alike in many.items()
    }
    alone = [math.erfc(abs(c.distance) / math.sqrt(2.0)) for c in found]
    return tuple(
        replace(c, p=float(-np.expm1(shares[family(c)] * np.log1p(-min(a, 1.0 - 1e-12)))))
        for c, a in zip(found, alone, strict=True)
    )


def evidence(c: Change) -> Mapping[str, Any]:
    """A change as numbers, raw and referred to 20 °C side by side."""
    unit = c.feature
    out: dict[str, Any] = {
        "feature": c.feature,
        "kind": c.kind,
        f"now_{unit}": c.now,
        f"now_{unit}_expanded_u": 2.0 * c.now_u,
        f"then_{unit}": c.then,
        f"then_{unit}_expanded_u": 2.0 * c.then_u,
        "distance_sd": c.distance,
        "p": c.p,
    }
    if math.isfinite(c.now_20):
        out |= {f"now_at_20_c_{unit}": c.now_20, f"then_at_20_c_{unit}": c.then_20}
    return out
