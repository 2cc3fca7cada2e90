"""The job from a record to a result, stage by stage:

record -> operations -> clean traces -> resistance and travel -> zones -> features -> siblings -> findings.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Breaker
from drm.breaker_file import check_against
from drm.curves_shape import curves_of
from drm.edits import Edit, column_by_hand, of_reading, standing
from drm.envelope import Curve
from drm.errors import InputError
from drm.findings import Finding, findings
from drm.kept import Kept, keeping
from drm.mechanical import mechanical
from drm.median import nanmedian
from drm.motion import LEAST_STROKE_MM
from drm.observe import Moving
from drm.operation_zones import Found, first_zones, traces_of, zones_of
from drm.operations import Operation, find_operations
from drm.progress import now
from drm.provenance import provenance_of
from drm.reading import Reading, read_interrupter
from drm.record import Record
from drm.reference import Reference
from drm.reference_whole import changes_table, compared, earlier_curves
from drm.setup_checks import SetupSeen, beside_the_rest, in_the_traces
from drm.setup_doubts import doubts, instants_of
from drm.setup_fault import Fault, reasons_for
from drm.siblings import compare
from drm.siblings_prior import ORIENTATION, Population
from drm.threads import calm
from drm.traces import Unusable
from drm.travel import Travel, pace_of, travel_of

if TYPE_CHECKING:
    import pandas as pd

    from drm.plot import Plots
    from drm.sequence import OperatingSequence

__all__ = ["Reading", "Result", "Seen", "conclude", "diagnose", "see"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Result:
    """What one record says about one breaker."""

    record: Record
    breaker: Breaker
    operations: tuple[Operation, ...]
    readings: tuple[Reading, ...]
    features: pd.DataFrame
    mechanisms: pd.DataFrame
    findings: tuple[Finding, ...]
    provenance: dict[str, Any]
    edits: tuple[Edit, ...] = ()
    #: Times of breaker, poles and interrupters, travel curves, and what was done; None where they were not asked for.
    timing: pd.DataFrame | None = field(default=None, kw_only=True)
    curves: pd.DataFrame | None = field(default=None, kw_only=True)
    sequence: OperatingSequence | None = field(default=None, kw_only=True)
    #: Of several records diagnosed together: all of them, static resistances, pick-up voltages, charging runs without
    #: an operation, and the repeatability of each figure.
    records: tuple[Record, ...] = field(default=(), kw_only=True)
    static: pd.DataFrame | None = field(default=None, kw_only=True)
    pick_up: pd.DataFrame | None = field(default=None, kw_only=True)
    motors: pd.DataFrame | None = field(default=None, kw_only=True)
    repeats: pd.DataFrame | None = field(default=None, kw_only=True)
    #: Rows of the readings that were edited by hand, as the program found them; None where none was.
    automatic: pd.DataFrame | None = None
    #: The earlier test that it was compared with.
    reference: Reference | None = field(default=None, kw_only=True)
    #: The healthy scatter that it was judged by.
    population: Population = field(default=ORIENTATION, kw_only=True)
    #: Each figure against that test: one row per figure; None where there was none.
    changes: pd.DataFrame | None = field(default=None, kw_only=True)

    @property
    def plot(self) -> Plots:
        """Plots as matplotlib Axes: ``resistance``, ``travel``, ``instants``, ``siblings``."""
        from drm.plot import Plots

        return Plots(self)

    def _repr_html_(self) -> str:
        from drm.notebook import as_html

        return as_html(self)

    def save(self, out: str | os.PathLike[str]) -> None:
        """Write tables, findings and report into the folder `out`, whole or not at all.

        Raises
        ------
        OutputError
            If the folder cannot be written.
        """
        from drm.save import save

        save(self, out)


@dataclass(frozen=True, eq=False)
class Seen:
    """What is seen in a record before anything is concluded from it; no edit by hand changes it.

    Attributes
    ----------
    found : tuple of tuple
        For each operation: interrupter, trace, zones as found from its own trace alone, hum.
    kept : Kept
        What was worked out before, so that an edit costs one reading and not all of them.
    """

    record: Record
    breaker: Breaker
    operations: tuple[Operation, ...]
    travels: dict[str, Travel]
    movements: dict[str, Moving]
    found: tuple[tuple[Found, ...], ...]
    kept: Kept = field(default_factory=Kept, repr=False)
    #: What the traces by themselves say about how the test was made.
    setup: SetupSeen = field(default_factory=SetupSeen)


def diagnose(
    record: Record | Sequence[Record],
    breaker: Breaker,
    *,
    edits: Sequence[Edit] = (),
    population: Population = ORIENTATION,
    reference: Reference | None = None,
) -> Result:
    """Do the whole job on one record, or on several records of one breaker together.

    Parameters
    ----------
    record : Record or sequence of Record
        Several give one result (:func:`drm.together.diagnose_all`).
    breaker : Breaker
        Must name channels that the record has.
    edits : sequence of Edit
        What people decided by hand; applied to the zones before anything is measured of them.
    population : Population
        Healthy scatter that siblings are judged by; see :func:`drm.siblings_population.load_population`.
    reference : Reference, optional
        Earlier result of this breaker to compare with; see :func:`drm.reference.load_reference`.

    Returns
    -------
    Result

    Raises
    ------
    BreakerError
        If the breaker file does not fit the record.
    RecordError
        If the record holds no operation.
    InputError
        If an edit names a reading that the record does not have.
    """
    if not isinstance(record, Record):
        from drm.together import diagnose_all

        return diagnose_all(record, breaker, edits=edits, population=population, reference=reference)
    return conclude(see(record, breaker), edits=edits, population=population, reference=reference)


@calm()
def see(record: Record, breaker: Breaker) -> Seen:
    """Operations, travel, traces and zones of one record, as :func:`diagnose` finds them; raises as that does."""
    check_against(breaker, record)
    now("finding the operations")
    operations = find_operations(record, breaker)
    travels = {
        m.name: travel
        for m in breaker.mechanisms
        if (travel := travel_of(record, m, operations, instrument=breaker.instrument)) is not None
    }
    # A sensor that stood still while the contacts parted is off or not this breaker's: it says nothing in mm.
    still = {name for name, t in travels.items() if not float(np.nanmax(t.mm) - np.nanmin(t.mm)) >= LEAST_STROKE_MM}
    travels = {name: t for name, t in travels.items() if name not in still}
    movements = {name: Moving(t, record.time_s, pace_of(t, record.time_s)) for name, t in travels.items()}
    got = {(o.number, i.name): t for o in operations for i, t in traces_of(record, breaker, o)}
    setup = in_the_traces(
        record,
        breaker,
        operations,
        {key: t[0] for key, t in got.items() if not isinstance(t, Unusable)},
        {key: t.reason for key, t in got.items() if isinstance(t, Unusable)},
    )
    found = []
    for operation in operations:
        now(f"zones of operation {operation.number} of {len(operations)}")
        found.append(tuple(first_zones(breaker, operation, got, setup)))
    return Seen(record, breaker, operations, travels, movements, tuple(found), setup=setup)


@calm()
def conclude(
    seen: Seen,
    *,
    edits: Sequence[Edit] = (),
    population: Population = ORIENTATION,
    reference: Reference | None = None,
    curves: Mapping[tuple[str, str, str], Curve] | None = None,
) -> Result:
    """From zones on: edits by hand, features, siblings, findings.

    Parameters
    ----------
    seen : Seen
    edits : sequence of Edit
        In order, undone ones and undoing ones among them.
    population : Population
        Healthy scatter that siblings are judged by.
    reference : Reference, optional
        Earlier result of this breaker to compare with.
    curves : mapping, optional
        Travel curves of an earlier test, as :func:`drm.reference_whole.earlier_curves` gives them; those of
        `reference` where not given.

    Returns
    -------
    Result

    Raises
    ------
    InputError
        If an edit names a reading that the record does not have.
    """
    with keeping(seen.kept):
        about = earlier_curves(reference, seen.breaker) if curves is None else curves
        return _concluded(seen, edits, population, reference, about)


def _concluded(
    seen: Seen,
    edits: Sequence[Edit],
    population: Population,
    reference: Reference | None,
    curves: Mapping[tuple[str, str, str], Curve],
) -> Result:
    import pandas as pd

    record, breaker, operations, travels = seen.record, seen.breaker, seen.operations, seen.travels
    hold = standing(edits)
    _check_edits(edits, seen)
    offset_u_v = breaker.instrument.voltage_offset_v
    readings: list[Reading] = []
    rows: list[dict[str, Any]] = []
    as_found: list[dict[str, Any]] = []
    for operation, found in zip(operations, seen.found, strict=True):
        mine = {i.name: of_reading(hold, operation=operation.number, interrupter=i.name) for i, _, _, _ in found}
        if any(mine.values()):
            plain = zones_of(found, operation, {}, offset_u_v)
            as_found += [_known(seen, operation, each)[1] for each in plain if mine[each[0].name]]
        for each in zones_of(found, operation, mine, offset_u_v):
            reading, row = _known(seen, operation, each)
            rows.append(row | {"by_hand": column_by_hand(mine[each[0].name])})
            if reading is not None:
                readings.append(reading)
    faults = _spoil(seen, rows, readings)
    # Before the table is made: an instant that only a contact's state tells is written into its row.
    rest = mechanical(record, breaker, operations, travels, rows, curves=curves)
    table, mechanisms = pd.DataFrame(rows), rest.mechanisms
    now("comparing the siblings")
    shapes = tuple(curves_of(readings))
    comparison = compare(table, curves=shapes, population=population)
    table["sibling_score"] = comparison.rows["sibling_score"].to_numpy()
    table["sibling_p"] = comparison.rows["sibling_p"].to_numpy()
    doubted = doubts(instants_of(readings, seen.movements, seen.setup), table, comparison, population, shapes)
    table["sample_ms"] = 1e3 / record.sample_rate_hz
    since = None
    if reference is not None:
        others = {"mechanisms": mechanisms, "timing": rest.timing, "travel": rest.curves}
        since = compared(table, others, reference, breaker)
    said = findings(
        table,
        mechanisms,
        comparison,
        breaker,
        record_flags=(*record.flags, *_travel_flags(travels)),
        readings_facts={
            "reference_s": {(o.number, m): s for o in operations for m, s in o.reference_s.items()},
            "setup_faults": faults,
            "setup_doubts": doubted,
            "reference": reference,
            "since": since,
            "timing": rest.timing,
        },
    )
    provenance = provenance_of(record, breaker) | {"edits": [asdict(e) for e in edits]}
    provenance |= {"reference": reference.about() if reference is not None else None}
    provenance |= {"healthy_scatter": population.name}
    automatic = pd.DataFrame(as_found) if as_found else None
    return Result(
        record,
        breaker,
        operations,
        tuple(readings),
        table,
        mechanisms,
        said,
        provenance,
        tuple(edits),
        automatic,
        timing=rest.timing,
        curves=rest.curves,
        sequence=rest.sequence,
        reference=reference,
        population=population,
        changes=changes_table(since) if since is not None else None,
    )


def _spoil(seen: Seen, rows: Sequence[dict[str, Any]], readings: Sequence[Reading]) -> tuple[Fault, ...]:
    """Faults of the test; what they spoil is said in the rows' ``quality``."""
    arcing: dict[str, list[float]] = {}
    for row in rows:
        arcing.setdefault(row["interrupter"], []).append(row["arcing_resistance_uohm"])
    faults = beside_the_rest(
        seen.setup,
        seen.record,
        seen.breaker,
        seen.operations,
        {(r.operation.number, r.interrupter.name): (r.zones.main_s.value, r.zones.arcing_s.value) for r in readings},
        {name: nanmedian(v) for name, v in arcing.items() if np.isfinite(v).any()},
        {name: t.mm for name, t in seen.travels.items()},
    )
    for row in rows:
        more = reasons_for(faults, row["interrupter"], row["operation"])
        row["quality"] = ";".join([q for q in (row["quality"],) if q] + list(more))
    return faults


def _check_edits(edits: Sequence[Edit], seen: Seen) -> None:
    known = {(o.number, i.name) for o, found in zip(seen.operations, seen.found, strict=True) for i, _, _, _ in found}
    for edit in edits:
        if (edit.operation, edit.interrupter) not in known:
            raise InputError(
                f"interrupter '{edit.interrupter}' in operation {edit.operation} is not in this record",
                path=seen.record.path,
                place=f"edit {edit.number}",
                mend="give the record and breaker file that the edits were made on",
            )


def _known(seen: Seen, operation: Operation, each: Found) -> tuple[Reading | None, dict[str, Any]]:
    """Reading and row of one interrupter; the row is the caller's own."""
    interrupter, trace, zones, hum = each
    moving = seen.movements.get(interrupter.mechanism)
    clock_u_s = seen.setup.clock_u_s(interrupter.name)
    reading, row = read_interrupter(
        seen.record, seen.breaker, operation, interrupter, trace, zones, hum, moving, clock_u_s
    )
    return reading, dict(row)


def _travel_flags(travels: Mapping[str, Travel]) -> list[str]:
    return [f"travel of mechanism {t.mechanism}: {flag}" for t in travels.values() for flag in t.flags]
