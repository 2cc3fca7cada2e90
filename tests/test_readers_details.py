"""Rules of the readers that differ by revision, sign or layout; each file is made where it is used."""

from __future__ import annotations

import struct
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from make_ugly import I_, ROWS_BINARY, D, U, ascii_, binary, cfg

from drm.errors import RecordError
from drm.readers import read
from drm.record import Record

OLD = ("1,U_A1,A,,V,0.001,0,0,-99999,99999", "2,I_A1,A,,A,0.01,0,0,-99999,99999", "1,AUX_a,0")
MARK = "--- file type: {} ---\r\n"


def made(folder: Path, text: str | bytes, data: bytes, stem: str = "x") -> Record:
    (folder / "x.cfg").write_bytes(text if isinstance(text, bytes) else text.encode("ascii"))
    (folder / f"{stem}.dat").write_bytes(data)
    return read(folder / "x.cfg")


def old(form: str = "ASCII", start: str = "03/04/1991,09:12:00.0") -> str:
    return cfg(head="BENCH,REC", channels=OLD, form=form, start=start, tail=())


def test_the_lowest_code_of_1991_is_a_value_and_flagged(tmp_path: Path) -> None:
    record = made(tmp_path, old("BINARY"), binary("h", ((-32768, 0, 0), *ROWS_BINARY[1:])))
    assert record.channels[0].samples[0] == pytest.approx(-32.768)
    assert any("0x8000 in BINARY of 1991" in f for f in record.flags)


def test_1991_dates_are_month_first_and_later_ones_day_first(tmp_path: Path) -> None:
    assert made(tmp_path, old(), ascii_()).start == datetime(1991, 3, 4, 9, 12)
    assert made(tmp_path, cfg(start="03/04/1991,09:12:00.0"), ascii_()).start == datetime(1991, 4, 3, 9, 12)


def test_a_date_that_fits_only_exchanged_is_exchanged_and_flagged(tmp_path: Path) -> None:
    record = made(tmp_path, cfg(start="03/14/2026,09:12:00"), ascii_())
    assert record.start == datetime(2026, 3, 14, 9, 12)
    assert any("month and day exchanged" in f for f in record.flags)


def test_nanoseconds_count_only_from_2013(tmp_path: Path) -> None:
    text = cfg(head="B,R,1999", rates=("0", "0,4"), start="14/03/2026,09:12:00.000000500", tail=("1",))
    np.testing.assert_allclose(made(tmp_path, text, ascii_()).time_s, np.arange(4) * 1e-3)


def test_99999_beyond_the_stated_range_is_flagged_after_1991(tmp_path: Path) -> None:
    text = cfg(channels=(U.replace("99999", "32767"), I_, D))
    record = made(tmp_path, text, ascii_(((99999, 1, 0), (1, 2, 0), (2, 3, 1), (3, 4, 1))))
    assert record.channels[0].samples[0] == pytest.approx(99.999)
    assert any("99999" in f for f in record.flags)


def test_positive_infinity_is_missing(tmp_path: Path) -> None:
    record = made(tmp_path, cfg(form="FLOAT32"), binary("f", ((float("inf"), 1, 0), *ROWS_BINARY[1:])))
    assert np.isnan(record.channels[0].samples[0])


def test_a_signalling_nan_is_missing(tmp_path: Path) -> None:
    data = bytearray(binary("f", ROWS_BINARY))
    data[8:12] = struct.pack("<I", 0x7F800001)
    assert np.isnan(made(tmp_path, cfg(form="FLOAT32"), bytes(data)).channels[0].samples[0])


def test_a_missing_binary_timestamp_is_refused_where_it_is_the_clock(tmp_path: Path) -> None:
    data = binary("h", ROWS_BINARY, (0, 1000, 2000, 0xFFFFFFFF))
    with pytest.raises(RecordError, match=r"sample 4.*missing"):
        made(tmp_path, cfg(rates=("0", "0,4"), form="BINARY"), data)


def test_a_byte_order_mark_before_the_data_is_no_number(tmp_path: Path) -> None:
    assert made(tmp_path, cfg(), b"\xef\xbb\xbf" + ascii_()).time_s.size == 4


def test_step_and_limits_keep_their_order_under_a_negative_multiplier(tmp_path: Path) -> None:
    channel = made(tmp_path, cfg(channels=(U.replace("0.001", "-0.001"), I_, D)), ascii_()).channels[0]
    assert channel.resolution == 0.001
    assert channel.limits == pytest.approx((-99.999, 99.999))


def test_limits_that_the_data_breaks_are_not_limits(tmp_path: Path) -> None:
    tight = cfg(channels=(U.replace("-99999,99999", "-101,101"), I_, D))
    assert made(tmp_path, tight, ascii_()).channels[0].limits == (-np.inf, np.inf)


def test_binary_codes_bound_the_values_where_the_file_does_not(tmp_path: Path) -> None:
    open_ended = cfg(channels=(U.replace("-99999,99999", "0,0"), I_, D), form="BINARY")
    assert made(tmp_path, open_ended, binary("h", ROWS_BINARY)).channels[0].limits == pytest.approx((-32.767, 32.767))


def test_the_phase_is_kept(tmp_path: Path) -> None:
    assert [c.phase for c in made(tmp_path, cfg(), ascii_()).channels] == ["A", "A", ""]


def test_values_without_bound_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"channel 'U_A1'.*without bound"):
        made(tmp_path, cfg(channels=(U.replace("0.001", "1e307"), I_, D)), ascii_())


def test_accents_side_by_side_are_not_taken_for_chinese(tmp_path: Path) -> None:
    text = cfg(channels=(U.replace("U_A1", "Größe"), I_, D)).encode("latin-1")
    assert made(tmp_path, text, ascii_()).channels[0].name == "Größe"


def test_the_stem_may_differ_in_case(tmp_path: Path) -> None:
    assert made(tmp_path, cfg(), ascii_(), stem="X").time_s.size == 4


def test_a_record_without_channels_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="no channels"):
        made(tmp_path, cfg(counts="0,0A,0D", channels=()), b"1,0\n2,1000\n")


def test_the_multiplier_must_be_positive(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="multiplier 0 is not positive"):
        made(tmp_path, cfg(tail=("0",)), ascii_())


def test_bytes_after_the_stated_count_of_a_combined_file_are_not_data(tmp_path: Path) -> None:
    body, text = binary("f", ROWS_BINARY), cfg(form="FLOAT32", rates=("0",))
    (tmp_path / "x.cff").write_bytes((MARK.format("CFG") + text + MARK.format("DAT BINARY: 72")).encode() + body * 2)
    assert read(tmp_path / "x.cff").time_s.size == 4


def test_a_column_of_0_and_1_with_a_unit_is_no_state(tmp_path: Path) -> None:
    (tmp_path / "x.csv").write_text("time [s],U [V]\n0,0\n1,1\n")
    assert not read(tmp_path / "x.csv").channels[0].digital


def test_a_point_among_decimal_commas_is_refused_with_its_line(tmp_path: Path) -> None:
    rows = "".join(f"{i};{i},5\n" for i in range(20000))
    (tmp_path / "x.csv").write_text(f"time [s];U [V]\n{rows}20000;1.5\n")
    with pytest.raises(RecordError, match=r"line 20002, field 2: '1.5'"):
        read(tmp_path / "x.csv")


def test_blank_lines_do_not_shift_the_line_of_an_error(tmp_path: Path) -> None:
    (tmp_path / "x.csv").write_text("time [s],U [V]\n0,0.5\n\n\n0,1\n")
    with pytest.raises(RecordError, match="line 5"):
        read(tmp_path / "x.csv")


def test_a_long_utf16_table_is_read(tmp_path: Path) -> None:
    rows = "".join(f"{i},{i}.5\n" for i in range(20000))
    (tmp_path / "x.csv").write_bytes(f"time [s],U [V]\n{rows}".encode("utf-16"))
    assert read(tmp_path / "x.csv").time_s.size == 20000
