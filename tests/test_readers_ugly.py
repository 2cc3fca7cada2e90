"""Each fault met in the field, one small file each (made by ``make_ugly.py``)."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import make_ugly
import numpy as np
import pytest

from drm.errors import RecordError
from drm.readers import read
from drm.record import Record

UGLY = Path(__file__).parent / "data" / "ugly"
NAN = float("nan")
PLAIN = [0.100, 0.101, 0.102, 0.103]


def flags(record: Record) -> str:
    return "; ".join(record.flags)


# file, values of the first channel, words in the flags (empty: no flag at all)
READ = [
    ("utf8.cfg", PLAIN, "UTF-8"),
    ("bom.cfg", PLAIN, "UTF-8"),
    ("latin1.cfg", PLAIN, "Latin-1"),
    ("gbk.cfg", PLAIN, "GBK"),
    ("upper.cfg", PLAIN, ""),
    ("upper.DAT", PLAIN, ""),
    ("empty_skew.cfg", PLAIN, ""),
    ("floats.cfg", PLAIN, "'4.0', read as 4"),
    ("comma.cfg", PLAIN, "'U,A1' by counting fields"),
    ("same_names.cfg", PLAIN, "several channels are called 'U_A1'"),
    ("blanks.cfg", PLAIN, ""),
    ("bad_date.cfg", PLAIN, "the start 'soon,09:12' cannot be read"),
    ("no_date.cfg", PLAIN, ""),
    ("absurd_length.cfg", PLAIN, "short data: 4 of 1000000000000"),
    ("y1991.cfg", [0.1, 0.101, NAN, 0.103], "no revision year, so 1991"),
    ("minus_one_1991.cfg", [-0.001, 0.001, 0.002, 0.003], "no revision year, so 1991"),
    ("missing_ascii.cfg", [0.1, NAN, 99.999, NAN], ""),
    ("missing_binary.cfg", [-0.001, NAN, 0.005, 0.006], ""),
    ("missing_binary32.cfg", [-0.001, NAN, 0.005, 0.006], ""),
    ("missing_float32.cfg", [-0.001, NAN, 0.005, 0.006], ""),
    ("nan_float32.cfg", [0.001, NAN, NAN, 0.004], ""),
    ("short_binary.cfg", PLAIN[:3], "short data: 3 of 4 samples"),
    ("short_ascii.cfg", PLAIN[:3], "short data: 3 of 4 samples"),
    ("long_binary.cfg", PLAIN, "3 bytes after the last promised sample"),
    ("stray_1a.cfg", PLAIN, "1 stray bytes"),
    ("last_comma.cfg", PLAIN, "a comma at the end of each line"),
    ("blank_fields.cfg", PLAIN, ""),
    ("fractions.cfg", [0.1, 0.101, 0.10225, 0.103], "fractions where codes belong"),
    ("from_zero.cfg", PLAIN, "sample numbers begin at 0"),
    ("stamp_missing.cfg", PLAIN, ""),
    ("disagree.cfg", PLAIN, "timestamps tell 0.003 s and the rate 0.03 s; the rate was used"),
    ("ascii.cff", PLAIN, ""),
    ("float32.cff", PLAIN, ""),
    ("short.cff", PLAIN[:3], "short data: 3 of 4 samples"),
    ("plain.csv", [1.5, 2.5, NAN, NAN], ""),
    ("round.csv", [1.5, 2.5, NAN, NAN], ""),
    ("tab.csv", [1.5, 2.5, NAN, NAN], ""),
    ("decimal_comma.csv", [1.5, 2.5, NAN, NAN], "decimal comma"),
    ("units_row.csv", [1.5, 2.5, NAN, NAN], ""),
    ("milliseconds.csv", [1.5, 2.5, NAN, NAN], ""),
    ("late_start.csv", [1, 2, 3], "starts at -0.001 s"),
    ("no_time_unit.csv", [1.5, 2.5, NAN, NAN], "no unit, taken as s"),
    ("windows.csv", [1.5, 2.5, NAN, NAN], ""),
    ("comments.csv", [1.5, 2.5, NAN, NAN], ""),
    ("quoted.csv", [1.5, 2.5, NAN, NAN], ""),
    ("cut.csv", [1.5, 2.5, NAN], "short data: the last line is cut off"),
    ("bom.csv", [1.5, 2.5, NAN, NAN], "UTF-8"),
    ("latin1.csv", [1.5, 2.5, NAN, NAN], "Latin-1"),
    ("utf16.csv", [1.5, 2.5, NAN, NAN], "UTF-16"),
]


@pytest.mark.parametrize(("file", "values", "said"), READ, ids=[r[0] for r in READ])
def test_it_is_read_and_what_was_decided_is_said(file: str, values: list[float], said: str) -> None:
    record = read(UGLY / file)
    np.testing.assert_allclose(record.channels[0].samples, values, rtol=1e-9)
    assert said in flags(record)
    if not said:
        assert record.flags == ()
    assert all(c.samples.shape == record.time_s.shape for c in record.channels)
    if file != "disagree.cfg":
        np.testing.assert_allclose(record.time_s, np.arange(len(values)) * 1e-3, atol=1e-12)


REFUSED = [
    ("comma_phase.cfg", "line 3.*comma"),
    ("absurd_counts.cfg", "line 2.*900000001 channels"),
    ("absurd_rates.cfg", "line 7.*900000000 rates"),
    ("unknown_format.cfg", "line 11.*'BINARY64'.*allowed: ASCII"),
    ("cut.cfg", "line 2"),
    ("bad_multiplier.cfg", "line 3.*'abc' is no number"),
    ("nothing.cfg", r"nothing\.dat: holds no whole sample"),
    ("wrong_pair.cfg", "does not fit the configuration"),
    ("short_line.cfg", "line 3: 4 fields where 5 belong"),
    ("letters.cfg", "line 3, field 4: '2oo02'"),
    ("two_states.cfg", "sample 3, channel 'AUX_a'"),
    ("no_rate_no_stamp.cfg", "sample 3.*timestamp is missing"),
    ("backwards.cfg", "sample 3.*do not increase"),
    ("no_data.cff", "no section for the data"),
    ("lonely.cfg", "no .dat file of the same name"),
    ("alone.dat", "no .cfg file of the same name"),
    ("thousands.csv", "both decimal points and decimal commas"),
    ("comma_comma.csv", "line 2.*decimal comma"),
    ("no_time.csv", r"no time column.*time \[s\]"),
    ("no_header.csv", "line 1.*numbers, not names"),
    ("backwards.csv", "line 4.*does not increase"),
    ("letters.csv", "line 3, field 2: 'n/m'"),
    ("few_fields.csv", "line 4: 2 fields where 3 belong"),
    ("header_only.csv", "no samples"),
    ("empty.csv", "empty"),
    ("picture.png", "neither .* nor its suffix '.png'"),
    ("cut.parquet", "not whole Parquet"),
    ("missing.cfg", "no such file"),
    (".", "is a folder"),
]


@pytest.mark.parametrize(("file", "says"), REFUSED, ids=[r[0] for r in REFUSED])
def test_it_is_refused_with_place_and_mend(file: str, says: str) -> None:
    with pytest.raises(RecordError, match=says) as caught:
        read(UGLY / file)
    assert caught.value.mend
    assert caught.value.path is not None


@pytest.mark.parametrize("file", ["utf8.cfg", "bom.cfg", "latin1.cfg"])
def test_micro_survives_its_encoding(file: str) -> None:
    assert read(UGLY / file).channels[0].unit == "µV"


def test_chinese_names_survive() -> None:
    assert read(UGLY / "gbk.cfg").channels[0].name == "断口电压"


def test_skew_is_kept_per_channel_and_empty_is_none() -> None:
    first, second, _ = read(UGLY / "empty_skew.cfg").channels
    assert (first.skew_s, second.skew_s) == (0.0, pytest.approx(12.5e-6))


def test_secondary_values_come_to_the_primary_side_with_their_step_and_limits() -> None:
    current = read(UGLY / "secondary.cfg").channels[1]
    assert current.samples[0] == pytest.approx(200.0 * 200 / 5)
    assert current.resolution == pytest.approx(0.01 * 200 / 5)
    assert current.limits == pytest.approx((-999.99 * 40, 999.99 * 40))
    assert "multiplied by 200/5" in flags(read(UGLY / "secondary.cfg"))


def test_primary_values_are_not_multiplied_again() -> None:
    record = read(UGLY / "primary.cfg")
    assert record.channels[1].samples[0] == pytest.approx(200.0)
    assert record.flags == ()


def test_a_ratio_of_nothing_leaves_the_values_and_says_so() -> None:
    record = read(UGLY / "no_ratio.cfg")
    assert record.channels[1].samples[0] == pytest.approx(200.0)
    assert "left unscaled" in flags(record)


def test_channels_of_one_name_are_both_kept() -> None:
    record = read(UGLY / "same_names.cfg")
    assert record.names == ("U_A1", "U_A1", "AUX_a")
    assert record.channels[1].samples[0] == pytest.approx(200.0)


def test_blanks_in_the_start_do_not_matter() -> None:
    assert read(UGLY / "blanks.cfg").start == datetime(2026, 3, 14, 9, 12, 1, 500000)


def test_the_month_comes_first_in_1991() -> None:
    assert read(UGLY / "y1991.cfg").start == datetime(2026, 3, 14, 9, 12)


@pytest.mark.parametrize("file", ["bad_date.cfg", "no_date.cfg"])
def test_an_unknown_start_is_none(file: str) -> None:
    assert read(UGLY / file).start is None


@pytest.mark.parametrize(
    ("file", "times", "said"),
    [
        ("no_rate.cfg", [0, 2.5e-3, 5e-3, 7.5e-3], "timestamps of 2.5 µs"),
        ("no_rate_line.cfg", [0, 1e-3, 2e-3, 3e-3], "no rate line"),
        ("wrap.cfg", [0, 1e-3, 2e-3, 3e-3], "wrap after sample 2"),
        ("nanoseconds.cfg", [0, 1e-6, 2e-6, 3e-6], "count ns"),
        ("two_rates.cfg", [0, 1e-3, 2e-3, 4e-3], "2 rates"),
        ("left_out.cfg", [0, 1e-3, 4e-3, 5e-3], "2 left out, the first after number 2"),
        ("disagree.cfg", [0, 1e-2, 2e-2, 3e-2], "rate was used"),
    ],
)
def test_which_clock_and_what_it_tells(file: str, times: list[float], said: str) -> None:
    record = read(UGLY / file)
    np.testing.assert_allclose(record.time_s, times, atol=1e-12)
    assert said in flags(record)


@pytest.mark.parametrize("file", ["plain.csv", "units_row.csv", "tab.csv", "round.csv", "decimal_comma.csv"])
def test_a_table_gives_names_units_and_states(file: str) -> None:
    voltage, state = read(UGLY / file).channels
    assert (voltage.name, voltage.unit, voltage.digital) == ("U_A1", "mV", False)
    assert (state.name, state.unit, state.digital) == ("AUX_a", "", True)


def test_a_quoted_name_may_hold_the_separator() -> None:
    assert read(UGLY / "quoted.csv").names[0] == "U, A1"


def test_the_folder_is_what_its_generator_makes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(make_ugly, "FOLDER", tmp_path)
    make_ugly.main()
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == {p.name: p.read_bytes() for p in UGLY.iterdir()}
