"""Several records of one breaker as one result: openings, closings, sequences, motor and static records."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from drm.breaker import Breaker, Interrupter, Mechanism
from drm.curves_shape import curves_of
from drm.edits import Edit, standing
from drm.envelope import Curve
from drm.errors import BreakerError, InputError, RecordError, nearest
from drm.findings import LEVELS, Finding, findings
from drm.kept import Kept, keeping, kept
from drm.motor import motor_runs
from drm.operations import Operation
from drm.pickup import Attempt, pick_up_table, refusals
from drm.pipeline import Reading, Result, Seen, conclude, see
from drm.record import Record
from drm.reference import Reference
from drm.reference_whole import changes_table, compared, earlier_curves
from drm.repeats import repeatability
from drm.setup_alternatives import Instants
from drm.setup_doubts import doubts, instants_of
from drm.siblings import compare
from drm.siblings_prior import ORIENTATION, Population
from drm.static import static_of, static_table

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["SeenTogether", "conclude_all", "diagnose_all", "fitting", "see_all"]

#: Findings that say how one record was made stay with it.
_OF_THE_RECORD = "setup."


@dataclass(frozen=True, eq=False)
class SeenTogether:
    """What is seen in several records of one breaker; no edit by hand changes it.

    Attributes
    ----------
    record : Record
        Stands for all of them: names joined, hashes and flags together.
    records : tuple of Record
        In the order in which their operations are numbered.
    parts : tuple of Seen
        Of each record that holds an operation.
    still : tuple of Record
        Those of the closed breaker under direct current.
    refused : tuple of Attempt
        Coils that were energised in vain.
    motors : tuple of DataFrame
        Charging runs without an operation.
    """

    record: Record
    breaker: Breaker
    records: tuple[Record, ...]
    parts: tuple[Seen, ...]
    still: tuple[Record, ...]
    refused: tuple[Attempt, ...]
    motors: tuple[pd.DataFrame, ...]
    kept: Kept = field(default_factory=Kept, repr=False)

    def numbered(self) -> Iterator[tuple[int, Seen]]:
        """How many operations lie before each part, and the part."""
        steps = 0
        for part in self.parts:
            yield steps, part
            steps += len(part.operations)

    def part_of(self, operation: int) -> Seen:
        """The part in which an operation, numbered through, lies."""
        return next(part for steps, part in self.numbered() if operation <= steps + len(part.operations))


def diagnose_all(
    records: Sequence[Record],
    breaker: Breaker,
    *,
    edits: Sequence[Edit] = (),
    population: Population = ORIENTATION,
    reference: Reference | None = None,
) -> Result:
    """Do the whole job on several records of one breaker, as one test.

    A record need not hold every channel that the breaker file names: each is read with what it has. Operations are
    numbered through, in the order of the records' start where all of them tell it, else as given. A record without an
    operation counts if it shows the motor charging, the closed breaker under direct current, or a coil that was
    energised in vain.

    Parameters
    ----------
    records : sequence of Record
    breaker : Breaker
    edits : sequence of Edit
        Their operations as this result numbers them.
    population, reference
        As :func:`drm.pipeline.diagnose` takes them.

    Returns
    -------
    Result
        Of all records; ``records`` names them, ``static``, ``pick_up`` and ``repeats`` hold what only several records
        can say.

    Raises
    ------
    BreakerError
        If a record has none of the channels that the breaker file names.
    RecordError
        If none of the records holds an operation, or one holds nothing at all.
    InputError
        If there is no record, or an edit names a reading that they do not have.
    """
    return conclude_all(see_all(records, breaker), edits=edits, population=population, reference=reference)


def see_all(records: Sequence[Record], breaker: Breaker) -> SeenTogether:
    """What the records show before anything is concluded; raises as :func:`diagnose_all` does."""
    if not records:
        raise InputError("no record to diagnose", mend="give at least one record")
    ordered = sorted(records, key=_start) if all(r.start is not None for r in records) else list(records)
    parts: list[Seen] = []
    still: list[Record] = []
    refused: list[Attempt] = []
    motors: list[pd.DataFrame] = []
    for record in ordered:
        part = fitting(breaker, record)
        try:
            if not part.interrupters and not any(m.trip_coil or m.close_coil or m.travel for m in part.mechanisms):
                raise RecordError("no opening or closing can be seen with its channels", path=record.path)
            parts.append(see(record, part))
        except RecordError as error:
            attempts, motor = refusals(record, part), _motor_rows(record, part)
            static = [static_of(record, i, breaker) for i in part.interrupters]
            if not (attempts or len(motor) or any(s.resistance_uohm for s in static)):
                raise error
            refused += attempts
            if any(s.resistance_uohm for s in static):
                still.append(record)
            if len(motor):
                motors.append(motor)
    if not parts:
        raise RecordError(
            "none of the records holds an operation",
            path=ordered[0].path,
            place="operations",
            mend="give at least one record of an opening or a closing",
        )
    return SeenTogether(
        _as_one(ordered), breaker, tuple(ordered), tuple(parts), tuple(still), tuple(refused), tuple(motors)
    )


def conclude_all(
    seen: SeenTogether,
    *,
    edits: Sequence[Edit] = (),
    population: Population = ORIENTATION,
    reference: Reference | None = None,
) -> Result:
    """From zones on, for all records together; raises as :func:`diagnose_all` does."""
    with keeping(seen.kept):
        hold, curves = standing(edits), _curves(reference, seen.breaker)
        results = []
        for steps, part in seen.numbered():
            mine = range(steps + 1, steps + len(part.operations) + 1)
            own = tuple(replace(e, operation=e.operation - steps) for e in hold if e.operation in mine)
            results.append(_concluded(part, own, population, curves))
        _check_edits(edits, results, seen)
        return _joined(results, seen, tuple(edits), population, reference)


@kept
def _curves(reference: Reference | None, breaker: Breaker) -> dict[tuple[str, str, str], Curve]:
    return earlier_curves(reference, breaker)


@kept
def _concluded(
    part: Seen, edits: Sequence[Edit], population: Population, curves: dict[tuple[str, str, str], Curve]
) -> Result:
    return conclude(part, edits=edits, population=population, curves=curves)


def _check_edits(edits: Sequence[Edit], results: Sequence[Result], seen: SeenTogether) -> None:
    many = sum(len(r.operations) for r in results)
    for edit in edits:
        if not 1 <= edit.operation <= many:
            raise InputError(
                f"operation {edit.operation} is not in these records",
                path=seen.record.path,
                place=f"edit {edit.number}",
                mend="give the records that the edits were made on",
            )


def fitting(breaker: Breaker, record: Record) -> Breaker:
    """The breaker with only what this record holds.

    Raises
    ------
    BreakerError
        If it holds nothing of it.
    """
    names = set(record.names)

    def kept(name: str | None) -> str | None:
        return name if name in names else None

    def mechanism(m: Mechanism) -> Mechanism:
        return replace(
            m,
            travel=m.travel if m.travel is not None and m.travel.channel in names else None,
            trip_coil=kept(m.trip_coil),
            close_coil=kept(m.close_coil),
            motor=kept(m.motor),
            auxiliary={k: v for k, v in m.auxiliary.items() if v in names},
            trip_coil_voltage=kept(m.trip_coil_voltage),
            close_coil_voltage=kept(m.close_coil_voltage),
            motor_voltage=kept(m.motor_voltage),
        )

    def unit(i: Interrupter) -> Interrupter | None:
        both = i.voltage in names and i.current in names
        state = kept(i.state)
        if not both and state is None:
            return None
        voltage, current = (i.voltage, i.current) if both else ("", "")
        return replace(i, voltage=voltage, current=current, state=state, resistor_state=kept(i.resistor_state))

    mechanisms = tuple(mechanism(m) for m in breaker.mechanisms)
    units = tuple(u for i in breaker.interrupters if (u := unit(i)) is not None)
    named = any(m.travel or m.trip_coil or m.close_coil or m.motor or m.auxiliary for m in mechanisms)
    if not units and not named:
        wanted = next((i.voltage or i.state or "" for i in breaker.interrupters), "")
        what = f"the record '{record.name}' has none of the channels that the breaker file names"
        raise BreakerError(what, path=breaker.path, mend=nearest(wanted, record.names))
    return replace(breaker, mechanisms=mechanisms, interrupters=units)


def _start(record: Record) -> float:
    return record.start.timestamp() if record.start is not None else 0.0


def _motor_rows(record: Record, breaker: Breaker) -> pd.DataFrame:
    """Charging runs of a record without an operation, as rows for the mechanisms' motor figures."""
    import pandas as pd

    rows: list[dict[str, Any]] = []
    for m in breaker.mechanisms:
        if m.motor is None:
            continue
        inst = breaker.instrument
        runs = motor_runs(
            record,
            m.motor,
            voltage=m.motor_voltage,
            current_rel=inst.current_gain_rel,
            voltage_rel=inst.voltage_gain_rel,
        )
        for run in runs:
            row: dict[str, Any] = {"record": record.name, "breaker": breaker.name, "mechanism": m.name}
            row["sample_ms"] = 1e3 / record.sample_rate_hz
            for column, q in (
                ("motor_peak_a", run.peak_a),
                ("motor_running_a", run.running_a),
                ("motor_duration_s", run.duration_s),
                ("motor_energy_j", run.energy_j),
            ):
                row |= {column: q.value, f"{column}_u": q.u}
            rows.append(row)
    return pd.DataFrame(rows)


def _joined(
    results: Sequence[Result],
    seen: SeenTogether,
    edits: tuple[Edit, ...],
    population: Population,
    earlier: Reference | None,
) -> Result:
    import pandas as pd

    breaker, records, motors = seen.breaker, seen.records, seen.motors
    frames: dict[str, list[pd.DataFrame]] = {
        "features": [], "mechanisms": [], "timing": [], "curves": [], "automatic": []
    }  # fmt: skip
    operations, readings, own = [], [], []
    reference: dict[tuple[int, str], float] = {}
    steps = 0
    for result in results:
        renumbered = {o.number: replace(o, number=o.number + steps) for o in result.operations}
        operations += list(renumbered.values())
        readings += [_renumbered(r, renumbered[r.operation.number]) for r in result.readings]
        for o in renumbered.values():
            reference |= {(o.number, m): s for m, s in o.reference_s.items()}
        for key, frame in (
            ("features", result.features),
            ("mechanisms", result.mechanisms),
            ("timing", result.timing),
            ("curves", result.curves),
            ("automatic", result.automatic),
        ):
            if frame is not None and len(frame):
                frames[key].append(frame.assign(operation=frame["operation"] + steps))
        own += [
            replace(f, operations=tuple(n + steps for n in f.operations))
            for f in result.findings
            if f.code.startswith(_OF_THE_RECORD)
        ]
        steps += len(result.operations)
    tables = {k: pd.concat(v, ignore_index=True) if v else pd.DataFrame() for k, v in frames.items()}
    table = tables["features"]
    shapes = tuple(curves_of(readings))
    comparison = compare(table, curves=shapes, population=population)
    table["sibling_score"] = comparison.rows["sibling_score"].to_numpy()
    table["sibling_p"] = comparison.rows["sibling_p"].to_numpy()
    static = static_table(seen.still, breaker)
    pick = pick_up_table(tables["mechanisms"], seen.refused, breaker)
    charging = pd.concat(motors, ignore_index=True) if motors else None
    since = None
    if earlier is not None:
        others = {k: tables[k] for k in ("mechanisms", "timing")} | {"travel": tables["curves"]}
        others |= {"static": static, "pick_up": pick} | ({} if charging is None else {"motors": charging})
        since = compared(table, others, earlier, breaker)
    said = findings(
        table,
        tables["mechanisms"],
        comparison,
        breaker,
        readings_facts={
            "reference_s": reference,
            "setup_doubts": doubts(_instants(results, seen), table, comparison, population, shapes),
            "reference": earlier,
            "since": since,
            "timing": tables["timing"],
            "static": static,
            "pick_up": pick,
        },
    )
    merged = _merged(said, own)
    whole = seen.record
    provenance = dict(results[0].provenance) | {
        "inputs": dict(whole.sha256),
        "records": [r.name for r in records],
        "record_flags": list(whole.flags),
        "reference": earlier.about() if earlier is not None else None,
        "edits": [asdict(e) for e in edits],
    }
    return Result(
        whole,
        breaker,
        tuple(operations),
        tuple(readings),
        table,
        tables["mechanisms"],
        merged,
        provenance,
        edits,
        tables["automatic"] if len(tables["automatic"]) else None,
        timing=tables["timing"],
        curves=tables["curves"],
        sequence=results[0].sequence if len(results) == 1 else None,
        records=records,
        static=static if len(static) else None,
        pick_up=pick if len(pick) else None,
        motors=charging,
        repeats=repeatability(table, tables["mechanisms"]),
        reference=earlier,
        population=population,
        changes=changes_table(since) if since is not None else None,
    )


@kept
def _instants(results: Sequence[Result], seen: SeenTogether) -> list[Instants]:
    """Instants of all records, each with the travels of its own."""
    parts = zip(seen.numbered(), results, strict=True)
    return [i for (n, part), r in parts for i in instants_of(r.readings, part.movements, part.setup, steps=n)]


def _renumbered(reading: Reading, operation: Operation) -> Reading:
    return replace(reading, operation=operation)


def _merged(said: Sequence[Finding], own: Sequence[Finding]) -> tuple[Finding, ...]:
    """What all say together, and what each says of how it was made; alike ones once, their operations joined."""
    whole = {f.code for f in said}
    kept: dict[tuple[str, str, tuple[str, ...]], Finding] = {}
    for f in [*said, *(f for f in own if f.code not in whole)]:
        key = (f.code, f.message, f.interrupters)
        old = kept.get(key)
        kept[key] = f if old is None else replace(old, operations=tuple(sorted({*old.operations, *f.operations})))
    return tuple(sorted(kept.values(), key=lambda f: (LEVELS.index(f.level), f.code, f.interrupters, f.operations)))


def _as_one(records: Sequence[Record]) -> Record:
    """A record that stands for all of them: names joined, hashes and flags together, the first one's samples."""
    first = records[0]
    hashes: dict[str, str] = {}
    for r in records:
        hashes |= r.sha256
    flags = tuple(f"{r.name}: {f}" for r in records for f in r.flags)
    names = [r.name for r in records]
    name = (
        names[0]
        if len(names) == 1
        else " + ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
    )
    return replace(first, name=name, flags=flags, sha256=hashes, time_s=np.asarray(first.time_s))
