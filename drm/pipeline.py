"""The job from a record to a result, stage by stage:

record -> operations -> clean traces -> resistance and travel -> zones -> features -> siblings -> findings.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Breaker, Instrument, Interrupter
from drm.breaker_file import check_against
from drm.breaker_times import reference_u
from drm.curves_shape import curves_of
from drm.denoise import Hum, shrink
from drm.edits import Edit, by_hand, column_by_hand, of_reading, standing
from drm.envelope import Curve
from drm.errors import InputError
from drm.features.observation import Observation
from drm.features.registry import FEATURES, measure
from drm.findings import Finding, findings
from drm.kept import Kept, keeping, kept
from drm.mechanical import mechanical
from drm.motion import LEAST_STROKE_MM
from drm.operations import Operation, find_operations
from drm.progress import now
from drm.quantity import NOTHING, Quantity
from drm.record import Record
from drm.reference import Reference
from drm.reference_whole import changes_table, compared, earlier_curves
from drm.resistance import METALLIC_VOLT, Trace, resistance_of, slope, without_loop
from drm.setup_checks import SetupSeen, beside_the_rest, in_the_traces
from drm.setup_fault import Fault, reasons_for
from drm.setup_skew import without_skew
from drm.siblings import compare
from drm.siblings_prior import ORIENTATION, Population
from drm.siblings_use import COARSE_WIPE
from drm.threads import WORTH, calm, side_by_side
from drm.traces import Unusable, trace_of
from drm.travel import Reading as TravelReading
from drm.travel import Travel, reading, speed, travel_of
from drm.zones import Zones, segment

if TYPE_CHECKING:
    import pandas as pd

    from drm.plot import Plots
    from drm.sequence import OperatingSequence

__all__ = ["Reading", "Result", "Seen", "conclude", "diagnose", "see"]

FloatArray = NDArray[np.float64]

#: Standard uncertainty of a start of motion, s, and as a share of the time since: encoder steps hide it, the longer
#: the slower it moves.
MOTION_U, MOTION_SHARE = 300e-6, 0.02
#: Of the sense loop's inductance, H, fitted or not: a metre or two of leads has about a microhenry at the most.
INDUCTANCE_U = 0.25e-6


#: Record -> (window, reference) -> times from it: what the interrupters of one mechanism share.
_CLOCKS: WeakKeyDictionary[Record, dict[tuple[int, int, float], FloatArray]] = WeakKeyDictionary()

#: A wipe of a greater standard uncertainty, mm, is flagged: twice it is what a wipe may be short by and matter.
COARSE_WIPE_MM = 0.75


@dataclass(frozen=True, eq=False)
class Reading:
    """One interrupter in one operation: its traces and zones.

    Attributes
    ----------
    time_ms : ndarray, shape (n,)
        From the operation's reference instant.
    voltage_v, current_a : ndarray, shape (n,)
        Cleaned traces (impulses masked as NaN, hum removed, polarity positive).
    resistance_uohm : ndarray, shape (n,)
        V/I where a metallic contact carries enough current, else NaN.
    shown_uohm : ndarray, shape (n,)
        The same after wavelet shrinkage: for the eye only, never for a number.
    travel_mm : ndarray, shape (n,), or None
        From the closed position, positive towards open.
    zones : Zones
    """

    interrupter: Interrupter
    operation: Operation
    time_ms: FloatArray
    voltage_v: FloatArray
    current_a: FloatArray
    resistance_uohm: FloatArray
    shown_uohm: FloatArray
    travel_mm: FloatArray | None
    zones: Zones


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
class _Moving:
    """Travel of one mechanism with its speed, for reading both at an instant."""

    travel: Travel
    time_s: FloatArray
    pace_m_s: FloatArray

    def at(self, instant: Quantity) -> TravelReading:
        if not instant:
            return TravelReading()
        pace = float(np.interp(instant.value, self.time_s, self.pace_m_s))
        return reading(self.travel, self.time_s, instant.value, pace_m_s=pace)


_Found = tuple[Interrupter, Trace | None, Zones, Hum | None]


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
    movements: dict[str, _Moving]
    found: tuple[tuple[_Found, ...], ...]
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
    movements = {name: _Moving(t, record.time_s, np.abs(speed(t, record.time_s))) for name, t in travels.items()}
    got = {(o.number, i.name): t for o in operations for i, t in _traces(record, breaker, o)}
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
        found.append(tuple(_first_zones(breaker, operation, got, setup)))
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
            plain = _zones_of(found, operation, {}, offset_u_v)
            as_found += [_known(seen, operation, each)[1] for each in plain if mine[each[0].name]]
        for each in _zones_of(found, operation, mine, offset_u_v):
            reading, row = _known(seen, operation, each)
            rows.append(row | {"by_hand": column_by_hand(mine[each[0].name])})
            if reading is not None:
                readings.append(reading)
    faults = _spoil(seen, rows, readings)
    # Before the table is made: an instant that only a contact's state tells is written into its row.
    rest = mechanical(record, breaker, operations, travels, rows, curves=curves)
    table, mechanisms = pd.DataFrame(rows), rest.mechanisms
    now("comparing the siblings")
    comparison = compare(table, curves=curves_of(readings), population=population)
    table["sibling_score"] = comparison.rows["sibling_score"].to_numpy()
    table["sibling_p"] = comparison.rows["sibling_p"].to_numpy()
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
            "reference": reference,
            "since": since,
            "timing": rest.timing,
        },
    )
    provenance = _provenance(record, breaker) | {"edits": [asdict(e) for e in edits]}
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
        {name: float(np.nanmedian(v)) for name, v in arcing.items() if np.isfinite(v).any()},
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


def _known(seen: Seen, operation: Operation, each: _Found) -> tuple[Reading | None, dict[str, Any]]:
    """Reading and row of one interrupter; the row is the caller's own."""
    interrupter, trace, zones, hum = each
    moving = seen.movements.get(interrupter.mechanism)
    clock_u_s = seen.setup.clock_u_s(interrupter.name)
    reading, row = _read(seen.record, seen.breaker, operation, interrupter, trace, zones, hum, moving, clock_u_s)
    return reading, dict(row)


def _traces(
    record: Record, breaker: Breaker, operation: Operation
) -> list[tuple[Interrupter, tuple[Trace, Hum] | Unusable]]:
    """Trace of every interrupter in one operation, or why there is none."""

    def one(interrupter: Interrupter) -> tuple[Interrupter, tuple[Trace, Hum] | Unusable]:
        got = trace_of(
            record,
            interrupter,
            operation,
            frequency_hz=_line_frequency(record, breaker),
            offset_u_v=breaker.instrument.voltage_offset_v,
        )
        return interrupter, got

    return side_by_side(one, breaker.interrupters, most=None if record.time_s.size >= WORTH else 1)


def _first_zones(
    breaker: Breaker,
    operation: Operation,
    traces: Mapping[tuple[int, str], tuple[Trace, Hum] | Unusable],
    setup: SetupSeen,
) -> Iterable[_Found]:
    """Trace, its skew taken out, and zones of every interrupter in one operation, each from its own trace alone."""

    def one(interrupter: Interrupter) -> _Found:
        got = traces[operation.number, interrupter.name]
        if isinstance(got, Unusable):
            return interrupter, None, Zones(reasons=(got.reason,)), None
        trace = without_skew(got[0], setup.skew_s(interrupter.name))
        return interrupter, trace, segment(trace, hum=got[1], offset_u_v=breaker.instrument.voltage_offset_v), got[1]

    samples = max((t[0].time_s.size for t in traces.values() if not isinstance(t, Unusable)), default=0)
    return side_by_side(one, breaker.interrupters, most=None if samples >= WORTH else 1)


def _zones_of(
    found: Sequence[_Found], operation: Operation, edits: Mapping[str, Sequence[Edit]], offset_u_v: float
) -> Iterable[_Found]:
    """Zones of every interrupter in one operation, those injected in series read together, edits by hand applied."""

    def edited(interrupter: Interrupter, trace: Trace | None, zones: Zones) -> Zones:
        if trace is None:
            return zones
        return by_hand(zones, edits.get(interrupter.name, ()), kind=operation.kind, step_s=trace.step_s)

    ends = _injection_ends({i: edited(i, t, z) for i, t, z, _ in found if t is not None}, operation)
    for interrupter, trace, zones, hum in found:
        if trace is not None and interrupter.name in ends:
            cut = _cut(trace, hum, offset_u_v, *ends[interrupter.name])
            yield interrupter, trace, edited(interrupter, trace, cut), hum
        else:
            yield interrupter, trace, edited(interrupter, trace, zones), hum


@kept
def _cut(trace: Trace, hum: Hum | None, offset_u_v: float, until_s: float, until_by: str) -> Zones:
    """Zones of an interrupter whose current another in series ended or began."""
    return segment(trace, hum=hum, offset_u_v=offset_u_v, until_s=until_s, until_by=until_by)


def _line_frequency(record: Record, breaker: Breaker) -> float:
    return record.frequency_hz if record.frequency_hz > 0 else breaker.rated_frequency_hz


def _injection_ends(zones: Mapping[Interrupter, Zones], operation: Operation) -> dict[str, tuple[float, str]]:
    """When, and by which interrupter of a series injection, the current of the others was ended (or begun).

    Opening: the first to part ends it for all. Closing: the last to touch begins it for all.
    """
    ends: dict[str, tuple[float, str]] = {}
    for channel in {i.current for i in zones}:
        chain = [(z.arcing_s.value, i.name) for i, z in zones.items() if i.current == channel and z.arcing_s]
        if len(chain) < 2:
            continue
        decides = min(chain) if operation.kind == "open" else max(chain)
        ends |= {name: decides for _, name in chain if name != decides[1]}
    return ends


def _identity(record: Record, breaker: Breaker, operation: Operation, interrupter: Interrupter) -> dict[str, Any]:
    return {
        "record": record.name,
        "breaker": breaker.name,
        "operation": operation.number,
        "kind": operation.kind,
        "pole": interrupter.pole,
        "interrupter": interrupter.name,
        "position": interrupter.position,
        "mechanism": interrupter.mechanism,
        "reference": operation.reference[interrupter.mechanism],
    }


@kept
def _read(
    record: Record,
    breaker: Breaker,
    operation: Operation,
    interrupter: Interrupter,
    trace: Trace | None,
    zones: Zones,
    hum: Hum | None,
    moving: _Moving | None,
    clock_u_s: float,
) -> tuple[Reading | None, dict[str, Any]]:
    """One row of the feature table, and the reading behind it where there is one."""
    row = _identity(record, breaker, operation, interrupter)
    reasons = list(zones.reasons)
    if hum is not None and hum.resistance_u_ohm > 0.03 * hum.resistance_ohm:
        reasons.append("the voltage channel's steps or noise are coarse against the closed contact's drop")
    if moving is None:
        recorded = any(m.travel for m in breaker.mechanisms if m.name == interrupter.mechanism)
        what = "no travel channel that moves" if recorded else "no travel channel"
        reasons.append(f"{what}: nothing in mm can be measured")
    if trace is None or hum is None:
        for feature in FEATURES:
            row[feature.name] = row[f"{feature.name}_u"] = math.nan
        return None, row | {"current_a": math.nan, "quality": ";".join(reasons)}
    reference = operation.reference_s[interrupter.mechanism]
    resistance = without_loop(resistance_of(trace, inductance_h=zones.inductance_h), zones.loop_ohm)
    # A voltage at its channel's ceiling is a least value, no reading.
    resistance = np.where(np.abs(trace.voltage_v) < 0.98 * trace.ceiling_v, resistance, np.nan)
    window = slice(
        int(np.searchsorted(record.time_s, trace.time_s[0])),
        int(np.searchsorted(record.time_s, trace.time_s[0])) + trace.time_s.size,
    )
    mm = None if moving is None else moving.travel.mm[window]
    observation = _observe(
        trace,
        zones,
        hum,
        resistance,
        mm,
        moving,
        window,
        _with_clock(breaker.instrument, clock_u_s),
        reference,
        _reference_u(operation, interrupter.mechanism, zones),
    )
    row |= measure(observation)
    if row["arcing_wipe_mm_u"] > COARSE_WIPE_MM:
        reasons.append(f"{COARSE_WIPE} {2.0 * row['arcing_wipe_mm_u']:.1f} mm (k = 2) only")
    row["current_a"] = trace.injected_a
    row["quality"] = ";".join(reasons)
    conducting = np.where(_metallic(trace, zones), 1e6 * resistance, np.nan)
    reading = Reading(
        interrupter,
        operation,
        _clock_ms(record, window, reference),
        trace.voltage_v,
        trace.current_a,
        conducting,
        shrink(conducting, sigma=1e6 * trace.sigma_v / trace.injected_a),
        mm,
        zones,
    )
    return reading, row


def _clock_ms(record: Record, window: slice, reference_s: float) -> FloatArray:
    """Times of an operation from its reference, ms; one array for all that share both."""
    known = _CLOCKS.setdefault(record, {})
    key = (window.start, window.stop, reference_s)
    if key not in known:
        known[key] = 1e3 * (record.time_s[window] - reference_s)
    return known[key]


def _with_clock(instrument: Instrument, clock_u_s: float) -> Instrument:
    """`instrument` with what an unknown clock adds to its skew: it moves both instants alike, at the speed of each."""
    return replace(instrument, skew_s=math.hypot(instrument.skew_s, clock_u_s))


def _reference_u(operation: Operation, mechanism: str, zones: Zones) -> float:
    """Standard uncertainty of the instant from which times are counted, s."""
    if operation.reference[mechanism] == "coil":
        return reference_u(operation, mechanism)
    since = abs(zones.main_s.value - operation.reference_s[mechanism]) if zones.main_s else 0.0
    return max(MOTION_U, MOTION_SHARE * since)


def _metallic(trace: Trace, zones: Zones) -> NDArray[np.bool_]:
    """Samples on the metallic side of the arcing contact's instant, or of where the current was cut off."""
    end = zones.arcing_s.value if zones.arcing_s else zones.end_s
    if not math.isfinite(end):
        return np.isfinite(trace.time_s)
    after = trace.time_s > end
    return ~after if trace.kind == "open" else after


def _observe(
    trace: Trace,
    zones: Zones,
    hum: Hum,
    resistance: FloatArray,
    mm: FloatArray | None,
    moving: _Moving | None,
    window: slice,
    instrument: Instrument,
    reference_s: float,
    reference_u_s: float,
) -> Observation:
    """Traces, zones and the instrument's known parts, as the features want them."""
    rate = _rate(trace)
    level = zones.arcing_ohm if math.isfinite(zones.arcing_ohm) else hum.resistance_ohm
    # Half a microhenry is what a fitted inductance may be wrong by; its voltage must stay well below the drop:
    # a stricter bound would pass over the momentary part-separations, which move the current too.
    steady = 0.5e-6 * np.abs(rate) < 0.4 * level * trace.injected_a
    main = without_loop(np.array([hum.resistance_ohm]), zones.loop_ohm)[0]
    end = zones.end_s if math.isfinite(zones.end_s) else zones.arcing_s.value
    at_main, at_arcing = (TravelReading() if moving is None else moving.at(t) for t in (zones.main_s, zones.arcing_s))
    with np.errstate(invalid="ignore", divide="ignore"):
        slew = rate / trace.current_a
    return Observation(
        time_s=trace.time_s,
        resistance_ohm=resistance,
        steady=steady,
        travel_mm=mm,
        speed_m_s=None if moving is None else moving.pace_m_s[window],
        main_mm=at_main.mm,
        arcing_mm=at_arcing.mm,
        travel_u_mm=math.nan if moving is None else moving.travel.u_mm,
        travel_rel=instrument.travel_rel,
        linkage_mm=instrument.linkage_mm,
        reference_s=reference_s,
        reference_u_s=reference_u_s,
        kind=trace.kind,
        main_s=zones.main_s,
        commutation_s=zones.commutation_s,
        arcing_s=zones.arcing_s,
        main_ohm=Quantity(float(main), math.hypot(hum.resistance_u_ohm, _drift(trace))) if main > 0.0 else NOTHING,
        gain_rel=math.hypot(instrument.voltage_gain_rel, instrument.current_gain_rel),
        offset_ohm=(hum.offset_u_v if math.isfinite(hum.offset_u_v) else instrument.voltage_offset_v)
        / trace.injected_a,
        end_s=end,
        main_u_mm=at_main.u_mm,
        arcing_u_mm=at_arcing.u_mm,
        speed_u_m_s=at_arcing.speed_u_m_s,
        zero_u_mm=0.0 if moving is None else moving.travel.zero_u_mm,
        skew_s=instrument.skew_s,
        common_s=zones.delay_u_s,
        noise_ohm=trace.sigma_v / trace.injected_a,
        slew_per_s=slew,
        inductance_u_h=INDUCTANCE_U,
        largest_ohm=METALLIC_VOLT / trace.injected_a,
        loop_u_s=zones.loop_u_rel / zones.loop_ohm,
        hum_u_ohm=_hum_u(hum, zones.main_s.value, end) / trace.injected_a,
    )


@kept
def _rate(trace: Trace) -> FloatArray:
    """dI/dt, A/s."""
    return slope(trace.time_s, trace.current_a)


def _hum_u(hum: Hum, main_s: float, end_s: float) -> float:
    """Standard uncertainty of the hum carried on to the middle of the arcing zone, V."""
    middle = 0.5 * (main_s + end_s)
    return float(hum.u_at(np.array([middle]))[0]) if math.isfinite(middle) else 0.0


def _drift(trace: Trace) -> float:
    """Standard uncertainty, ohm, from a closed resistance that moves: after a closing the contact may still settle."""
    volts, amps = trace.voltage_v[trace.rest], trace.current_a[trace.rest]
    ratio = volts / np.where(np.abs(amps) > 0.3 * trace.injected_a, amps, np.nan)
    third = ratio.size // 3
    first, last = ratio[:third], ratio[ratio.size - third :]
    if third < 8 or not (np.isfinite(first).any() and np.isfinite(last).any()):
        return 0.0
    return abs(float(np.nanmedian(last) - np.nanmedian(first))) / math.sqrt(12.0)


def _travel_flags(travels: Mapping[str, Travel]) -> list[str]:
    return [f"travel of mechanism {t.mechanism}: {flag}" for t in travels.values() for flag in t.flags]


def _provenance(record: Record, breaker: Breaker) -> dict[str, Any]:
    """What was read, by what, with which settings: data, written after the steps succeeded."""
    import platform
    from importlib import import_module

    from drm import __version__

    return {
        "program": "drm",
        "version": __version__,
        "python": platform.python_version(),
        "libraries": {name: str(import_module(name).__version__) for name in ("numpy", "scipy", "numba", "pandas")},
        "inputs": dict(record.sha256),
        "breaker_file": os.path.basename(breaker.path) if breaker.path else None,
        "record_flags": list(record.flags),
        "record_start": record.start.isoformat() if record.start else None,
        "samples": int(record.time_s.size),
        "sample_rate_hz": record.sample_rate_hz,
        "instrument": asdict(breaker.instrument),
        "conditions": asdict(breaker.conditions),
        "steps": ["operations", "traces", "travel", "zones", "features", "siblings", "findings"],
    }
