"""Tables of the benchmark of coverage: what came of the records, by feature, condition and mechanism."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from drm.synthetic.conditions import CONDITIONS, MISLED

FEATURES = (
    "arcing_wipe_mm",
    "main_contact_ms",
    "arcing_contact_ms",
    "main_contact_mm",
    "arcing_contact_mm",
    "main_resistance_uohm",
    "arcing_resistance_uohm",
    "commutation_ms",
)
#: Of the mechanism table; NaN where a record does not show it.
MECHANISM = (
    *("motion_start_ms", "stroke_mm", "coil_onset_s", "armature_start_ms", "armature_stop_ms", "coil_plateau_a"),
    *("coil_resistance_ohm", "coil_cut_ms", "auxiliary_a_ms", "auxiliary_b_ms", "auxiliary_a_settled_ms"),
    *("auxiliary_b_settled_ms", "motor_peak_a", "motor_running_a", "motor_duration_s", "motor_energy_j"),
)
#: A wipe wrong by more than this and not flagged is what must not happen, mm.
GROSS_MM = 1.5
#: What a stated interval of 95 % is to hold the truth in.
LIMITS = (0.92, 0.97)


@dataclass(frozen=True)
class Row:
    """One interrupter in one operation: estimate less truth, standard uncertainty, stated half width of 95 %."""

    condition: str
    record: int
    interrupter: str
    kind: str
    flagged: str
    errors: dict[str, tuple[float, float, float]]
    missing: tuple[str, ...]


@dataclass(frozen=True)
class Job:
    """What came of one record."""

    condition: str
    rows: tuple[Row, ...] = ()
    lost: int = 0  # rows of the truth that the diagnosis does not have
    crash: str = ""
    warned: tuple[str, ...] = ()
    mechanisms: tuple[tuple[str, float, float], ...] = ()  # column, error, stated standard uncertainty


def interval(hits: int, n: int) -> tuple[float, float]:
    """Exact 95 % interval of a share (Clopper and Pearson 1934)."""
    from scipy.stats import beta

    low = 0.0 if hits == 0 else float(beta.ppf(0.025, hits, n - hits + 1))
    high = 1.0 if hits == n else float(beta.ppf(0.975, hits + 1, n - hits))
    return low, high


def held(rows: Iterable[Row], name: str) -> tuple[np.ndarray, np.ndarray]:
    """Errors of a feature in the rows that are not flagged, and whether the stated interval holds the truth."""
    pairs = [r.errors[name] for r in rows if not r.flagged and name in r.errors]
    got = np.array(pairs, dtype=np.float64).reshape(-1, 3)
    return got[:, 0], np.abs(got[:, 0]) <= got[:, 2]


def by_feature(rows: Sequence[Row], title: str, *, judged: bool = True) -> list[str]:
    """Print the table; says what lies outside :data:`LIMITS` where it is `judged`, and how many wipes are wrong."""
    missed: list[str] = []
    flagged = sum(bool(r.flagged) for r in rows)
    print(f"\n{title}: {len(rows)} rows, {flagged} flagged ({100 * flagged / max(len(rows), 1):.1f} %)")
    head = f"{'feature':24}{'n':>6}{'inside':>8}{'95 % of it':>13}{'open':>7}{'close':>7}"
    print(head + "".join(f"{x:>10}" for x in ("bias", "rms", "p95", "worst", "u")) + f"{'missing':>9}")
    every = rows
    for name in FEATURES:
        # Slow openings take seconds: their milliseconds would hide all others in the columns of errors.
        rows = [r for r in every if r.condition != "slow"] if name.endswith("_ms") else every
        e, inside = held(rows, name)
        missing = sum(name in r.missing for r in rows if not r.flagged)
        if not e.size:
            print(f"{name:24}{0:6d}")
            continue
        low, high = interval(int(inside.sum()), e.size)
        u = np.median([r.errors[name][1] for r in rows if not r.flagged and name in r.errors])
        figures = (np.median(e), np.sqrt(np.mean(e**2)), np.quantile(np.abs(e), 0.95), np.abs(e).max(), u)
        share = f"{inside.mean():8.3f}{f'{low:.3f}-{high:.3f}':>13}"
        for kind in ("open", "close"):
            _, one_kind = held([r for r in rows if r.kind == kind], name)
            share += f"{one_kind.mean():7.3f}" if one_kind.size else f"{'-':>7}"
        met = not judged or LIMITS[0] <= inside.mean() <= LIMITS[1]
        print(
            f"{name:24}{e.size:6d}{share}"
            + "".join(f"{x:10.4g}" for x in figures)
            + f"{missing:9d}{'' if met else '  MISSED'}"
        )
        if not met:
            missed.append(f"intervals of {name}: {100 * inside.mean():.1f} % hold the truth")
    wrong = [r for r in every if not r.flagged and abs(r.errors.get("arcing_wipe_mm", (0.0,))[0]) > GROSS_MM]
    print(f"unflagged wipes wrong by more than {GROSS_MM} mm: {len(wrong)}")
    for r in wrong[:20]:
        print(
            f"    {r.condition}, record {r.record}, {r.interrupter} {r.kind}: {r.errors['arcing_wipe_mm'][0]:+.2f} mm"
        )
    return missed + ([f"unflagged wipes wrong by more than {GROSS_MM} mm: {len(wrong)}"] if wrong else [])


def by_condition(jobs: Sequence[Job]) -> None:
    short = ("arcing_wipe_mm", "main_contact_ms", "arcing_contact_ms")
    print("\nper condition: share inside and bias (median) of wipe mm, main ms, arcing ms; rows flagged; gross wipes")
    print(
        f"{'condition':26}{'rows':>5}"
        + "".join(f"{n:>18}" for n in ("wipe", "main", "arcing"))
        + "  flagged gross lost"
    )
    for condition in CONDITIONS:
        here = [j for j in jobs if j.condition == condition]
        rows = [r for j in here for r in j.rows]
        if not here:
            continue
        cells = ""
        for name in short:
            e, inside = held(rows, name)
            cells += f"{f'{inside.mean():.2f} {np.median(e):+.4f}' if e.size else '-':>18}"
        wipes, _ = held(rows, "arcing_wipe_mm")
        flagged = sum(bool(r.flagged) for r in rows) / max(len(rows), 1)
        mark = "*" if condition in MISLED else " "
        tail = f"{flagged:9.2f}{int((np.abs(wipes) > GROSS_MM).sum()):6d}{sum(j.lost for j in here):5d}"
        print(f"{condition:25}{mark}{len(rows):5d}{cells}{tail}")
    print("* false traces by wiring or instrument: to be noticed, they cannot be measured")


def by_mechanism(jobs: Sequence[Job]) -> None:
    print("\nmechanisms")
    print(
        f"{'column':24}{'n':>6}{'inside':>8}"
        + "".join(f"{x:>10}" for x in ("bias", "rms", "p95", "worst", "u", "missing"))
    )
    for name in MECHANISM:
        every = np.array([(e, u) for j in jobs for n, e, u in j.mechanisms if n == name], dtype=np.float64).reshape(
            -1, 2
        )
        good = every[np.isfinite(every[:, 0])]
        if not good.size:
            continue
        e, u = np.abs(good[:, 0]), good[:, 1]
        figures = (np.median(good[:, 0]), np.sqrt(np.mean(e**2)), np.quantile(e, 0.95), e.max(), np.nanmedian(u))
        share = f"{len(good):6d}{np.mean(e <= 1.96 * u):8.3f}"
        print(f"{name:24}{share}" + "".join(f"{x:10.4g}" for x in figures) + f"{len(every) - len(good):10d}")
