"""Parquet: units in metadata or in names, and no pole taken for ampere."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from drm.errors import RecordError
from drm.readers import read


def write(path: Path, columns: dict[str, object], units: dict[str, str] | None = None) -> Path:
    table = pa.table(columns)
    if units:
        fields = [f.with_metadata({"unit": units[f.name]}) if f.name in units else f for f in table.schema]
        table = table.cast(pa.schema(fields))
    pq.write_table(table, path)
    return path


TIME = [0.0, 0.001, 0.002]


def test_units_at_the_ends_of_names(tmp_path: Path) -> None:
    path = write(tmp_path / "x.parquet", {"time_s": TIME, "U_A1_mV": [1.0, None, 3.0], "TRV_A_mm": [0.5, 1, 2]})
    record = read(path)
    assert [(c.name, c.unit) for c in record.channels] == [("U_A1", "mV"), ("TRV_A", "mm")]
    np.testing.assert_array_equal(record.channels[0].samples, [1.0, np.nan, 3.0])
    assert "units: taken from the ends of the columns' names" in record.flags


def test_metadata_comes_before_names(tmp_path: Path) -> None:
    path = write(tmp_path / "x.parquet", {"time_s": TIME, "TRV_A": [0.5, 1, 2]}, {"TRV_A": "mm"})
    assert [(c.name, c.unit) for c in read(path).channels] == [("TRV_A", "mm")]


def test_a_pole_is_no_unit(tmp_path: Path) -> None:
    path = write(tmp_path / "x.parquet", {"time_s": TIME, "TRV_A": [0.5, 1, 2], "TRV_B": [0.5, 1, 2]})
    record = read(path)
    assert [(c.name, c.unit) for c in record.channels] == [("TRV_A", ""), ("TRV_B", "")]
    assert "units: neither metadata nor names state them" in record.flags


def test_states_keep_their_names(tmp_path: Path) -> None:
    path = write(tmp_path / "x.parquet", {"time_ms": [0, 1, 2], "AUX_A": [True, False, True], "U_V": [0.1, 0.2, 0.3]})
    record = read(path)
    assert [(c.name, c.unit, c.digital) for c in record.channels] == [("AUX_A", "", True), ("U", "V", False)]
    np.testing.assert_allclose(record.time_s, TIME)


@pytest.mark.parametrize(
    ("columns", "says"),
    [
        ({"U_V": [1.0, 2.0]}, "no time column"),
        ({"time_s": [0.0, 0.0], "U_V": [1.0, 2.0]}, "row 2.*does not increase"),
        ({"time_s": [0.0, None], "U_V": [1.0, 2.0]}, "row 2.*missing"),
        ({"time_s": [0.0, 1.0], "U_V": ["a", "b"]}, "column 'U_V'.*not numbers"),
        ({"time_s": pa.array([], pa.float64())}, "no samples"),
    ],
)
def test_what_is_refused(tmp_path: Path, columns: dict[str, object], says: str) -> None:
    with pytest.raises(RecordError, match=says):
        read(write(tmp_path / "x.parquet", columns))


def test_content_decides_before_the_suffix(tmp_path: Path) -> None:
    path = write(tmp_path / "x.csv", {"time_s": TIME, "U_V": [1.5, 2, 3]})
    assert read(path).names == ("U",)


def test_a_small_a_is_no_ampere(tmp_path: Path) -> None:
    path = write(tmp_path / "x.parquet", {"time_s": TIME, "POS_a": [0.5, 1, 2]})
    assert [(c.name, c.unit) for c in read(path).channels] == [("POS_a", "")]
