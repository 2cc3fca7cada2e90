"""Writers: whole or not at all, and refusing what the format cannot hold."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from drm.errors import OutputError
from drm.readers import read
from drm.record import Channel, Record
from drm.writers import write_comtrade, write_csv

VALUES = st.floats(-1e12, 1e12, allow_subnormal=False) | st.just(float("nan"))


def record(*channels: Channel) -> Record:
    return Record("x", "x", np.arange(channels[0].samples.size) * 1e-3, channels)


@given(samples=hnp.arrays(np.float64, st.integers(1, 30), elements=VALUES))
@settings(max_examples=40, deadline=None)
def test_csv_comes_back_exactly(tmp_path_factory: pytest.TempPathFactory, samples: np.ndarray) -> None:
    state = Channel("AUX, a", "", (np.arange(samples.size) % 2).astype(float), digital=True)
    source = record(Channel("U_A1", "µV", samples), state)
    back = read(write_csv(source, tmp_path_factory.mktemp("r") / "x.csv"))
    np.testing.assert_array_equal(back.channels[0].samples, samples)
    np.testing.assert_array_equal(back.time_s, source.time_s)
    assert [(c.name, c.unit) for c in back.channels] == [("U_A1", "µV"), ("AUX, a", "")]
    assert back.channels[1].digital


@pytest.mark.parametrize(
    ("channel", "form", "revision", "says"),
    [
        (Channel("U", "V", np.array([1.0, np.nan])), "BINARY", "1991", "no code for a missing sample"),
        (Channel("S", "", np.array([1.0, np.nan]), digital=True), "ASCII", "2013", "no code for a missing sample"),
        (Channel("U,1", "V", np.zeros(2)), "ASCII", "2013", "comma"),
        (Channel("U", "V", np.zeros(2)), "FLOAT32", "1999", "came with revision 2013"),
        (Channel("U", "V", np.zeros(2)), "FLOAT64", "2013", "no data format.*FLOAT32"),
        (Channel("U", "V", np.zeros(2)), "ASCII", "2020", "no revision"),
    ],
)
def test_what_cannot_be_written_is_refused_and_leaves_nothing(
    tmp_path: Path, channel: Channel, form: str, revision: str, says: str
) -> None:
    with pytest.raises(OutputError, match=says):
        write_comtrade(record(channel), tmp_path / "x.cfg", data_format=form, revision=revision)
    assert list(tmp_path.iterdir()) == []


def test_a_target_that_cannot_be_replaced_leaves_nothing_behind(tmp_path: Path) -> None:
    (tmp_path / "x.csv" / "inside").mkdir(parents=True)
    with pytest.raises(OutputError, match="cannot be written"):
        write_csv(record(Channel("U", "V", np.zeros(2))), tmp_path / "x.csv")
    assert [p.name for p in tmp_path.iterdir()] == ["x.csv"]


def test_the_peak_stays_inside_the_scale(tmp_path: Path) -> None:
    samples = np.array([-1 / 3, 1 / 3])
    back = read(write_comtrade(record(Channel("U", "V", samples)), tmp_path / "x.cfg", data_format="BINARY"))
    assert not np.isnan(back.channels[0].samples).any()


def test_a_dot_in_the_name_is_no_suffix(tmp_path: Path) -> None:
    path = write_comtrade(record(Channel("U", "V", np.zeros(2))), tmp_path / "run 1.5", data_format="ASCII")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["run 1.5.cfg", "run 1.5.dat"]
    assert read(path).name == "run 1.5"
