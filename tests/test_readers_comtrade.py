"""COMTRADE against the standard's worked record, another reader, and a round trip."""

from __future__ import annotations

import contextlib
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from make_ugly import cfg

from drm.errors import RecordError
from drm.readers import read
from drm.record import Channel, Record
from drm.writers import write_comtrade

RECORDS = Path(__file__).parent / "data" / "records"
FORMATS = [
    ("ASCII", "1991"), ("ASCII", "1999"), ("ASCII", "2013"), ("BINARY", "1991"), ("BINARY", "1999"),
    ("BINARY", "2013"), ("BINARY32", "2013"), ("FLOAT32", "2013"),
]  # fmt: skip

# IEC 60255-24:2013, worked example of a data record: the same sample in ASCII and in binary.
WORKED_ASCII = b"5,667,-760,1274,72,61,-140,-502,0,0,0,0,1,1\r\n"
WORKED_BINARY = bytes.fromhex("05000000 9B020000 08FD FA04 4800 3D00 74FF 0AFE 3000")


def worked(folder: Path, form: str, data: bytes) -> Record:
    channels = tuple(f"{i},V{i},,,V,1,0,0,-32767,32767,1,1,P" for i in range(1, 7))
    states = tuple(f"{i},S{i},,,0" for i in range(1, 7))
    text = cfg(counts="12,6A,6D", channels=(*channels, *states), rates=("1", "1000,1"), form=form)
    (folder / f"{form}.cfg").write_text(text, encoding="ascii")
    (folder / f"{form}.dat").write_bytes(data)
    return read(folder / f"{form}.cfg")


@pytest.mark.parametrize(("form", "data"), [("ASCII", WORKED_ASCII), ("BINARY", WORKED_BINARY)])
def test_the_standards_worked_record(tmp_path: Path, form: str, data: bytes) -> None:
    record = worked(tmp_path, form, data)
    assert [float(c.samples[0]) for c in record.channels] == [-760, 1274, 72, 61, -140, -502, 0, 0, 0, 0, 1, 1]
    assert "sample numbers begin at 5" in record.flags


def test_the_worked_record_is_written_as_the_standard_has_it(tmp_path: Path) -> None:
    source = worked(tmp_path, "BINARY", WORKED_BINARY)
    out = write_comtrade(source, tmp_path / "out.cfg", data_format="BINARY")
    # All but the number and the timestamp, which begin anew.
    assert out.with_suffix(".dat").read_bytes()[8:] == WORKED_BINARY[8:]


@pytest.mark.parametrize("folder", ["open-close-open", "close-two-per-pole", "series-injection"])
def test_another_reader_finds_the_same_values(folder: str) -> None:
    comtrade = pytest.importorskip("comtrade")
    path = RECORDS / folder / "record.cfg"
    other = comtrade.load(str(path), use_double_precision=True)
    record = read(path)
    analog = [c for c in record.channels if not c.digital]
    for channel, samples in zip(analog, other.analog, strict=True):
        np.testing.assert_allclose(channel.samples, samples, rtol=1e-6, atol=1e-12)
    for channel, samples in zip([c for c in record.channels if c.digital], other.status, strict=True):
        np.testing.assert_array_equal(channel.samples, samples)
    np.testing.assert_allclose(record.time_s, other.time, atol=1e-9)


def make(seed: int, n: int, *, missing: bool) -> Record:
    rng = np.random.default_rng(seed)
    scale = 10.0 ** rng.uniform(-6, 4)
    analog = [rng.normal(size=n) * scale for _ in range(3)]
    if missing:
        analog[1][rng.integers(n)] = np.nan
    states = [Channel(f"S{i}", "", rng.integers(0, 2, n).astype(float), digital=True) for i in range(17)]
    channels = [Channel(f"U_{i}", "µV", x, phase="A", skew_s=i * 1e-6) for i, x in enumerate(analog)]
    time_s = np.arange(n) * 5e-5
    return Record("x", "x", time_s, (*channels, *states), 60.0, datetime(2026, 3, 14, 9, 12, 0, 250000))


@pytest.mark.parametrize(("form", "revision"), FORMATS)
@given(seed=st.integers(0, 2**32 - 1), n=st.integers(2, 40))
@settings(max_examples=15, deadline=None)
def test_what_is_written_comes_back(
    tmp_path_factory: pytest.TempPathFactory, form: str, revision: str, seed: int, n: int
) -> None:
    source = make(seed, n, missing=(form, revision) != ("BINARY", "1991"))
    path = write_comtrade(source, tmp_path_factory.mktemp("r") / "x.cfg", data_format=form, revision=revision)
    back = read(path)
    assert back.names == source.names
    assert (back.frequency_hz, back.start) == (source.frequency_hz, source.start)
    np.testing.assert_allclose(back.time_s, source.time_s, atol=1e-10)
    for was, now in zip(source.channels, back.channels, strict=True):
        step = now.resolution if form != "FLOAT32" else 1.2e-7 * float(np.nanmax(np.abs(was.samples)))
        np.testing.assert_allclose(now.samples, was.samples, rtol=1e-9, atol=0.51 * step)
        assert (now.unit, now.digital, now.skew_s) == (was.unit, was.digital, pytest.approx(was.skew_s))


def test_codes_written_with_the_channels_own_step_come_back_exactly(tmp_path: Path) -> None:
    codes = np.array([-32767, -1, 0, 1, 32767])
    channel = Channel("U", "V", codes * 0.25, resolution=0.25)
    source = Record("x", "x", np.arange(5) * 1e-3, (channel,))
    back = read(write_comtrade(source, tmp_path / "x.cfg", data_format="BINARY"))
    np.testing.assert_array_equal(back.channels[0].samples, channel.samples)


@given(steps=st.lists(st.integers(1, 500_000), min_size=2, max_size=30))
@settings(max_examples=30, deadline=None)
def test_uneven_instants_come_back_from_the_timestamps(
    tmp_path_factory: pytest.TempPathFactory, steps: list[int]
) -> None:
    time_s = np.concatenate([[0.0], np.cumsum(steps)]) * 1e-6
    source = Record("x", "x", time_s, (Channel("U", "V", np.arange(time_s.size, dtype=float)),))
    back = read(write_comtrade(source, tmp_path_factory.mktemp("r") / "x.cfg", data_format="FLOAT32"))
    np.testing.assert_allclose(back.time_s, time_s, atol=1.1e-6)


@given(junk=st.binary(max_size=200), at=st.integers(0, 400))
@settings(max_examples=150, deadline=None)
def test_damage_is_a_record_or_one_clear_error(tmp_path_factory: pytest.TempPathFactory, junk: bytes, at: int) -> None:
    folder = tmp_path_factory.mktemp("r")
    text = cfg(form="BINARY").encode("ascii")
    (folder / "x.cfg").write_bytes(text[:at] + junk + text[at + len(junk) :])
    (folder / "x.dat").write_bytes(bytes(14 * 4))
    with contextlib.suppress(RecordError):
        record = read(folder / "x.cfg")
        assert all(c.samples.shape == record.time_s.shape for c in record.channels)
