"""Every figure of one breaker over its tests: values with uncertainty, slope, and when a limit would be crossed."""

from __future__ import annotations

import json
import math
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from drm.breaker import Limit
from drm.errors import InputError
from drm.move_in import in_order
from drm.trend_slope import YEAR_S, Crossing, Line, crossing_of, line_of

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Series", "Test", "Trend", "load_test", "trend", "trend_table"]

FloatArray = NDArray[np.float64]
#: Table -> the column that names what a figure is of.
TABLES = {
    "features": "interrupter",
    "mechanisms": "mechanism",
    "static": "interrupter",
    "timing": "name",
    "pick_up": "mechanism",
    "motors": "mechanism",
}
_ASIDE = {
    "operation",
    "position",
    "sibling_score",
    "sibling_p",
    "coil_onset_s",
    "spread_limit_ms",
    "range_low_percent",
    "range_high_percent",
    "sample_ms",
}


@dataclass(frozen=True, eq=False)
class Test:
    """One earlier result, read back from its folder."""

    __test__ = False  # a test of a breaker, not of this program

    folder: str
    breaker: str
    time_s: float
    tables: dict[str, pd.DataFrame]
    limits: dict[str, Limit] = field(default_factory=dict)

    @property
    def date(self) -> str:
        """Day of the test."""
        return datetime.fromtimestamp(self.time_s, UTC).date().isoformat()


@dataclass(frozen=True, eq=False)
class Series:
    """One figure of one interrupter, mechanism, pole or breaker over the tests.

    Attributes
    ----------
    of, name, kind, column : str
    time_s : ndarray, shape (n,)
        Instants of the tests, ascending.
    value, u : ndarray, shape (n,)
        Mean of the test's operations of this kind, and its standard uncertainty.
    line : Line or None
        Its slope is per year, its times are years from the first test; None with fewer than three tests.
    limit : Limit
        Of the last test's breaker file.
    crossing : Crossing or None
        In years from the first test.
    """

    of: str
    name: str
    kind: str
    column: str
    time_s: FloatArray
    value: FloatArray
    u: FloatArray
    line: Line | None
    limit: Limit
    crossing: Crossing | None

    @property
    def years(self) -> FloatArray:
        """Years from the first test of the series."""
        return np.asarray((self.time_s - self.time_s[0]) / YEAR_S, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Trend:
    """All series of one breaker, and the tests that they rest on."""

    breaker: str
    tests: tuple[Test, ...]
    series: tuple[Series, ...]

    def save(self, out: str | os.PathLike[str]) -> None:
        """Write ``trend.csv``, ``trend.parquet`` and ``trend.html`` into `out`, whole or not at all.

        Raises
        ------
        OutputError
            If the folder cannot be written.
        """
        from drm.report.trend import render
        from drm.save import written_whole

        table = trend_table(self)
        with written_whole(out) as part:
            table.to_parquet(part / "trend.parquet", index=False)
            table.to_csv(part / "trend.csv", index=False, encoding="utf-8", float_format="%.9g")
            (part / "trend.html").write_text(render(self), encoding="utf-8")


def load_test(folder: str | os.PathLike[str]) -> Test:
    """Read one result back.

    Its instant is the record's own start; where the record does not tell it, the date that the breaker file gives for
    the test, else one in the folder's name (``2023-05-17``).

    Raises
    ------
    InputError
        If the folder holds no result, or nothing tells when the test was made.
    """
    import pandas as pd

    place = in_order(folder)
    mend = "give folders that 'drm diagnose --out' left"
    if not (place / "features.parquet").is_file():
        raise InputError("holds no result (no features.parquet)", path=place, mend=mend)
    try:
        tables = {name: pd.read_parquet(f) for name in TABLES if (f := place / f"{name}.parquet").is_file()}
        document = json.loads((place / "findings.json").read_text(encoding="utf-8"))
        source = place / "source.json"
        told = json.loads(source.read_text(encoding="utf-8")) if source.is_file() else {}
    except (OSError, ValueError) as error:
        raise InputError(f"cannot be read as a result ({type(error).__name__})", path=place, mend=mend) from None
    start = (document.get("provenance") or {}).get("record_start")
    names = tables["features"]["breaker"].astype(str).unique() if len(tables["features"]) else [""]
    described: dict[str, Any] = told.get("breaker") or {}
    stated = (described.get("conditions") or {}).get("date") or None
    limits = {k: Limit(v.get("min"), v.get("max")) for k, v in (described.get("limits") or {}).items()}
    return Test(str(folder), str(described.get("name") or names[0]), _instant(start or stated, place), tables, limits)


def _instant(start: object, place: Path) -> float:
    if isinstance(start, str):
        try:
            at = datetime.fromisoformat(start)
        except ValueError:
            at = None
        if at is not None:
            return (at if at.tzinfo else at.replace(tzinfo=UTC)).timestamp()
    found = re.search(r"(\d{4})-(\d{2})-(\d{2})", place.absolute().name)
    if found:
        try:
            year, month, day = (int(g) for g in found.groups())
            return datetime(year, month, day, tzinfo=UTC).timestamp()
        except ValueError:
            pass
    raise InputError(
        "nothing tells when this test was made: the record has no start",
        path=place,
        mend="give [test] date in the breaker file, or put the date into the folder's name, such as 2023-05-17",
    )


def trend(folders: Sequence[str | os.PathLike[str]]) -> Trend:
    """Every figure of one breaker over the results in `folders`.

    Raises
    ------
    InputError
        If fewer than two results are given, they are of different breakers, or two are of one instant.
    """
    tests = sorted((load_test(f) for f in folders), key=lambda t: t.time_s)
    if len(tests) < 2:
        raise InputError("a trend needs two results at least", mend="give the folders of several tests")
    for earlier, later in pairwise(tests):
        if later.breaker != tests[0].breaker:
            raise InputError(
                f"is of the breaker '{later.breaker}', '{tests[0].folder}' of '{tests[0].breaker}'",
                path=later.folder,
                mend="give results of one breaker",
            )
        if later.time_s == earlier.time_s:
            raise InputError(f"is of the same instant as '{earlier.folder}'", path=later.folder, mend="leave one out")
    limits = tests[-1].limits
    points: dict[tuple[str, str, str, str], list[tuple[float, float, float]]] = {}
    for test in tests:
        for table, of in TABLES.items():
            if table in test.tables:
                for key, value, u in _values(test.tables[table], table, of):
                    points.setdefault(key, []).append((test.time_s, value, u))
    series = [_series(key, np.array(p), limits.get(key[3], Limit())) for key, p in points.items() if len(p) > 1]
    return Trend(tests[0].breaker, tuple(tests), tuple(sorted(series, key=lambda s: (s.column, s.kind, s.of, s.name))))


def _values(frame: pd.DataFrame, table: str, of: str) -> list[tuple[tuple[str, str, str, str], float, float]]:
    """One value per name, kind and column of one test: the mean of its operations.

    The uncertainty of a mean is that of one value: the greater part of it (gains, scale) is common to all.
    """
    import pandas as pd

    from drm.siblings_use import usable

    out: list[tuple[tuple[str, str, str, str], float, float]] = []
    if not len(frame) or of not in frame:
        return out
    rows = frame
    columns = [
        str(c)
        for c in rows.columns
        if c not in _ASIDE and rows[c].dtype.kind == "f" and not (str(c).endswith("_u") and str(c)[:-2] in rows)
    ]
    nothing = pd.Series("", index=rows.index)
    kinds = rows["kind"].astype(str) if "kind" in rows else nothing
    scopes = rows["scope"].astype(str) if "scope" in rows else nothing
    for column in columns:
        good = usable(rows, column) if "quality" in rows else np.isfinite(rows[column].to_numpy(dtype=float))
        mine = rows[good]
        u_name = f"{column}_u"
        groups = mine.groupby([scopes[good], kinds[good], mine[of].astype(str)], sort=True)
        for (scope, kind, name), part in groups:
            u = part[u_name].to_numpy(dtype=float) if u_name in part else np.array([math.nan])
            known = u[np.isfinite(u)]
            mean_u = float(np.sqrt(np.mean(known**2))) if known.size else math.nan
            what = str(scope) or of
            out.append(((what, str(name), str(kind), column), float(part[column].mean()), mean_u))
    return out


def _series(key: tuple[str, str, str, str], points: FloatArray, limit: Limit) -> Series:
    of, name, kind, column = key
    years = (points[:, 0] - points[0, 0]) / YEAR_S
    line = line_of(years, points[:, 1], points[:, 2])
    crossing = None if line is None else crossing_of(line, years, low=limit.min, high=limit.max)
    return Series(of, name, kind, column, points[:, 0], points[:, 1], points[:, 2], line, limit, crossing)


def _day(series: Series, years: float) -> str:
    if not math.isfinite(years):
        return ""
    return datetime.fromtimestamp(float(series.time_s[0]) + years * YEAR_S, UTC).date().isoformat()


def trend_table(made: Trend) -> pd.DataFrame:
    """One row per series: last value, slope per year with its interval of 95 %, and when a limit would be crossed."""
    import pandas as pd

    rows: list[dict[str, object]] = []
    for s in made.series:
        row: dict[str, object] = {
            "breaker": made.breaker,
            "of": s.of,
            "name": s.name,
            "kind": s.kind,
            "column": s.column,
            "tests": int(s.value.size),
            "first_day": _day(s, 0.0),
            "last_day": _day(s, float(s.years[-1])),
            "first": float(s.value[0]),
            "last": float(s.value[-1]),
            "last_u": float(s.u[-1]),
        }
        line = s.line
        row |= {
            "slope_per_year": line.slope if line else math.nan,
            "slope_low": line.low if line else math.nan,
            "slope_high": line.high if line else math.nan,
            "moves": bool(line and line.moves),
            "limit_min": math.nan if s.limit.min is None else s.limit.min,
            "limit_max": math.nan if s.limit.max is None else s.limit.max,
            "crossing_earliest": _day(s, s.crossing.earliest) if s.crossing else "",
            "crossing_latest": _day(s, s.crossing.latest) if s.crossing else "",
            "horizon": _day(s, s.crossing.horizon) if s.crossing else "",
        }
        rows.append(row)
    return pd.DataFrame(rows)
