"""What the fleet teaches, from the published tables: healthy scatter, ranking, patterns, drift, and the page of it."""

from __future__ import annotations

import os
import re
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from drm.errors import OutputError
from drm.files import on_disk
from drm.findings import LEVELS
from drm.siblings_population_text import population_text
from drm.siblings_prior import Population
from drm.study.drift import FIGURES, Drift, drifts
from drm.study.fleet import Latest, cells, latest_tests, sampled, shares
from drm.study.levels import Levels, levels_of
from drm.study.patterns import deviating, furthest, grouped
from drm.study.ranking import concerns, ranked
from drm.study.scatter import learn_populations
from drm.study.settings import Settings

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Lessons", "learn", "lessons_of"]

#: Failures that the page names; the table holds all.
SHOWN = 50
_TEST = ("breaker_id", "breaker_type", "file", "age_years", "operation_count")


@dataclass(frozen=True, eq=False)
class Lessons:
    """What the tables of a study say of the fleet.

    Attributes
    ----------
    records, failures, breakers : int
    populations : dict
        Type -> healthy scatter, of the types that have breakers enough.
    levels : dict
        (type, kind, feature) -> where the type lies.
    ranking, patterns, sample, failed : DataFrame
        Breakers by concern; interrupters by pattern; cells of a sample of breakers' latest tests; the first failures.
    drifts : list of Drift
    """

    records: int
    failures: int
    breakers: int
    populations: dict[str, Population]
    levels: dict[tuple[str, str, str], Levels]
    ranking: pd.DataFrame
    patterns: pd.DataFrame
    sample: pd.DataFrame
    failed: pd.DataFrame
    drifts: list[Drift]


def learn(settings: Settings) -> None:
    """Leave ``ranking``, ``patterns``, ``drift``, the population files and ``report.html`` beside the tables.

    Raises
    ------
    OutputError
        If they cannot be written.
    """
    from drm.report.study import render

    out, new = Path(settings.out), settings.work / "lessons"
    try:
        shutil.rmtree(new, ignore_errors=True)
        (new / "population").mkdir(parents=True)
        made = lessons_of(out)
        for name, table in (("ranking", made.ranking), ("patterns", made.patterns), ("drift", _slopes(made.drifts))):
            _write(table, new / f"{name}.parquet")
        for name, population in zip(_names(made.populations), made.populations.values(), strict=True):
            text = population_text(population, notes=f"Learnt by drm study {settings.version} from a fleet.")
            (new / "population" / name).write_text(text, encoding="utf-8")
        (new / "report.html").write_text(render(made), encoding="utf-8")
        for path in sorted(new.iterdir()):
            target = out / path.name
            if target.is_dir():
                shutil.rmtree(target)
            on_disk(path)
            os.replace(path, target)
        new.rmdir()
    except OSError as error:
        mend = "make room and start again: the tables are there"
        raise OutputError(f"cannot be written ({error.strerror or error})", path=out, mend=mend) from error


def lessons_of(out: Path) -> Lessons:
    """Read the tables twice, share by share: once for what is learnt from a sample, once to hold all against it."""
    import pandas as pd

    latest = latest_tests(out)
    chosen = sampled(latest)
    newest, tests = [pd.DataFrame()], [pd.DataFrame()]
    for rows in shares(out, "features"):
        some = rows[rows["breaker_id"].isin(chosen)]
        if len(some):
            newest.append(cells(latest.of(some)))
            tests.append(_worst_of_tests(some))
    sample = pd.concat(newest, ignore_index=True)
    populations = learn_populations(sample) if len(sample) else {}
    levels = levels_of(sample, populations) if len(sample) else {}
    failures, failed = 0, pd.DataFrame()
    for rows in shares(out, "failures"):
        failures, failed = failures + len(rows), pd.concat([failed, rows]).head(SHOWN)
    ranking, patterns = _all_held_against(out, latest, levels)
    return Lessons(
        sum(len(t) for t in shares(out, "tests", ["file"])),
        failures,
        len(latest.when),
        populations,
        levels,
        ranking,
        patterns,
        sample,
        failed,
        drifts(pd.concat(tests, ignore_index=True)) if len(tests) > 1 else [],
    )


def _worst_of_tests(rows: pd.DataFrame) -> pd.DataFrame:
    """Figures of the worst interrupter of every record; openings where there are any, for touch bounces."""
    kinds = rows.groupby("file")["kind"].transform("max")  # "open" comes after "close"
    own = cells(rows[rows["kind"] == kinds], by=(*_TEST, "interrupter"))
    return own.groupby(list(_TEST), sort=True, dropna=False).agg(FIGURES).reset_index()


def _all_held_against(
    out: Path, latest: Latest, levels: dict[tuple[str, str, str], Levels]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    import pandas as pd

    found: list[pd.DataFrame] = []
    away: list[pd.DataFrame] = []
    for rows in shares(out, "features"):
        mine = latest.of(rows)
        if len(mine):
            own = cells(mine)
            found.append(concerns(own, levels))
            away = [furthest(pd.concat([*away, deviating(own, levels)]))]
    if not found:
        return pd.DataFrame(), pd.DataFrame()
    # A breaker whose records lie in two files of the table keeps its greater concern.
    whole = pd.concat(found).sort_values(["breaker_id", "concern"], ascending=[True, False], kind="stable")
    return ranked(whole.drop_duplicates("breaker_id"), _worst_levels(out, latest)), grouped(away[0])


def _worst_levels(out: Path, latest: Latest) -> dict[str, str]:
    worst: dict[str, str] = {}
    for rows in shares(out, "findings", ["breaker_id", "test_date", "file", "level", "subject"]):
        mine = latest.of(rows[rows["subject"] != "setup"])
        for breaker, level in zip(mine["breaker_id"], mine["level"], strict=True):
            if breaker not in worst or LEVELS.index(level) < LEVELS.index(worst[breaker]):
                worst[breaker] = level
    return worst


def _slopes(found: list[Drift]) -> pd.DataFrame:
    import pandas as pd

    columns = ("breaker_type", "feature", "along", "slope", "low", "high", "within")
    return pd.DataFrame([{c: getattr(d, c) for c in columns} | {"tests": d.x.size} for d in found])


def _write(table: pd.DataFrame, path: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    from drm.study.lesson_columns import described

    pq.write_table(described(pa.Table.from_pandas(table, preserve_index=False), path.stem), path, compression="zstd")


def _names(populations: dict[str, Population]) -> list[str]:
    """A file name for each type."""
    made: list[str] = []
    for of in populations:
        stem = re.sub(r"[^A-Za-z0-9._-]+", "-", of).strip("-.")[:60] or "no-type"
        name, n = f"{stem}.toml", 1
        while name.lower() in {m.lower() for m in made}:
            n += 1
            name = f"{stem}-{n}.toml"
        made.append(name)
    return made
