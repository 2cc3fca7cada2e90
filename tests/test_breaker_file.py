"""A breaker file is read whole or refused with the file, the place and the mend."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import drm
from drm.breaker_file import check_against

GOOD = """\
[breaker]
name = "Made up"
rated_frequency_hz = 60
[test]
ambient_c = 21.5
both_ends_earthed = true
[[mechanism]]
name = "M"
travel = { channel = "TRV", scale = 2.0 }
trip_coil = "TC"
auxiliary = { a = "AUX_a" }
[[mechanism]]
name = "N"
travel = { channel = "ROT", curve = [[-62.0, 0.0], [0.0, 80.0], [62.0, 160.0]] }
[[interrupter]]
name = "A1"
pole = "A"
position = 1
mechanism = "M"
voltage = "U_A1"
current = "I_A1"
[[interrupter]]
name = "B1"
pole = "B"
mechanism = "N"
voltage = "U_B1"
current = "I_B1"
[instrument]
skew_s = 1e-6
[limits.arcing_wipe_mm]
min = 14.0
max = 20.0
"""

UNITS = {
    "TRV": "mm", "ROT": "deg", "TC": "A", "AUX_a": "", "U_A1": "mV", "I_A1": "A", "U_B1": "V", "I_B1": "kA",
}  # fmt: skip


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "breaker.toml"
    path.write_text(text, encoding="utf-8")
    return path


def with_change(tmp_path: Path, old: str, new: str) -> Path:
    """The good file with the first `old` put as `new`."""
    assert old in GOOD
    return written(tmp_path, GOOD.replace(old, new, 1))


def refused(path: Path) -> drm.BreakerError:
    with pytest.raises(drm.BreakerError) as caught:
        drm.Breaker.load(path)
    assert caught.value.path == str(path)
    assert "\n" not in caught.value.line()
    assert caught.value.mend
    return caught.value


def record(**changed: str) -> drm.Record:
    """A record with the channels of the good file; `changed` gives other units."""
    held = tuple(drm.Channel(n, u, np.zeros(4), digital=not u) for n, u in (UNITS | changed).items())
    return drm.Record("made", "made.csv", np.arange(4.0), held)


def test_every_part_of_a_good_file_is_read(tmp_path: Path) -> None:
    breaker = drm.Breaker.load(written(tmp_path, GOOD))
    m, n = breaker.mechanisms
    assert (breaker.name, breaker.rated_frequency_hz) == ("Made up", 60.0)
    assert (breaker.conditions.ambient_c, breaker.conditions.both_ends_earthed) == (21.5, True)
    assert m.travel is not None
    assert (m.travel.channel, m.travel.scale, m.trip_coil, m.auxiliary) == ("TRV", 2.0, "TC", {"a": "AUX_a"})
    assert n.travel is not None
    assert n.travel.curve == ((-62.0, 0.0), (0.0, 80.0), (62.0, 160.0))
    assert [(i.name, i.pole, i.position, i.mechanism) for i in breaker.interrupters] == [
        ("A1", "A", 1, "M"),
        ("B1", "B", 1, "N"),
    ]
    assert breaker.instrument.skew_s == 1e-6
    assert (breaker.limits["arcing_wipe_mm"].min, breaker.limits["arcing_wipe_mm"].max) == (14.0, 20.0)


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    assert drm.Breaker.load(written(tmp_path, "\ufeff" + GOOD)).name == "Made up"


# What is changed, the line at fault in the changed file, words of the error.
REFUSED = {
    "key of the file": ("[test]", "[tets]", "line 4", "did you mean 'test'"),
    "key of the breaker": ("rated_frequency_hz", "rated_freqency_hz", "line 3", "did you mean 'rated_frequency_hz'"),
    "key of the test": ("ambient_c", "ambientc", "line 5", "did you mean 'ambient_c'"),
    "key of a mechanism": ("trip_coil", "tripcoil", "line 10", "did you mean 'trip_coil'"),
    "key of travel": ("scale =", "scal =", "line 9", "did you mean 'scale'"),
    "key of auxiliary": ("{ a =", "{ aa =", "line 11", "did you mean 'a'"),
    "key of an interrupter": ('voltage = "U_B1"', 'voltge = "U_B1"', "line 26", "did you mean 'voltage'"),
    "key of the instrument": ("skew_s", "skew", "line 29", "did you mean 'skew_s'"),
    "column of a limit": ("limits.arcing_wipe_mm", "limits.arcing_wip_mm", "line 30", "did you mean 'arcing_wipe_mm'"),
    "key of a limit": ("max = 20.0", "maxi = 20.0", "line 32", "did you mean 'max'"),
    "min above max": ("min = 14.0", "min = 24.0", "line 30", "min above max"),
    "scale and curve": ("scale = 2.0", "scale = 2.0, curve = [[0, 0], [1, 1]]", "line 9", "either scale or curve"),
    "neither scale nor curve": (", scale = 2.0", "", "line 9", "either scale or curve"),
    "scale of nothing": ("scale = 2.0", "scale = 0", "line 9", "scale is 0"),
    "curve whose unit turns back": ("[62.0, 160.0]", "[-10.0, 160.0]", "line 14", "one way"),
    "curve whose mm turn back": ("[62.0, 160.0]", "[62.0, 60.0]", "line 14", "one way"),
    "curve that is level": ("[0.0, 80.0], [62.0, 160.0]", "[0.0, 0.0], [62.0, 0.0]", "line 14", "same mm"),
    "curve of one pair": ("[[-62.0, 0.0], [0.0, 80.0], [62.0, 160.0]]", "[[0.0, 0.0]]", "line 14", "two or more"),
    "two interrupters of a name": ('name = "B1"', 'name = "A1"', "line 23", "two interrupters are called 'A1'"),
    "two mechanisms of a name": ('name = "N"', 'name = "M"', "line 13", "two mechanisms are called 'M'"),
    "unknown mechanism": ('mechanism = "N"', 'mechanism = "MM"', "line 25", "'MM'"),
    "empty name": ('name = "A1"', 'name = ""', "line 16", "name is empty"),
    "name of a number": ('name = "Made up"', "name = 7", "line 2", "name is not text"),
    "channel of a number": ('trip_coil = "TC"', "trip_coil = 3", "line 10", "trip_coil is not text"),
    "number of a text": ("= 60", '= "60"', "line 3", "not a finite number"),
    "number of a truth": ("= 60", "= true", "line 3", "not a finite number"),
    "NaN": ("21.5", "nan", "line 5", "not a finite number"),
    "infinity": ("scale = 2.0", "scale = inf", "line 9", "not a finite number"),
    "frequency": ("= 60", "= 5", "line 3", "rated_frequency_hz is 5"),
    "earthed of a text": ("earthed = true", 'earthed = "yes"', "line 6", "neither true nor false"),
    "position 0": ("position = 1", "position = 0", "line 18", "whole number"),
    "position 1.5": ("position = 1", "position = 1.5", "line 18", "whole number"),
    "travel of a text": ('{ channel = "TRV", scale = 2.0 }', '"TRV"', "line 9", "travel is not a table"),
    "travel without channel": ('channel = "TRV", ', "", "line 9", "no channel"),
    "auxiliary of a text": ('{ a = "AUX_a" }', '"AUX_a"', "line 11", "auxiliary is not a table"),
    "negative uncertainty": ("1e-6", "-1e-6", "line 29", "negative"),
    "no voltage": ('voltage = "U_B1"\n', "", "line 22", "no 'voltage'"),
}


@pytest.mark.parametrize(("old", "new", "place", "words"), REFUSED.values(), ids=REFUSED)
def test_refused_at_its_line(old: str, new: str, place: str, words: str, tmp_path: Path) -> None:
    error = refused(with_change(tmp_path, old, new))
    assert error.place == place
    assert words in error.line()


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    assert "no such file" in refused(tmp_path / "none.toml").what


def test_a_folder_is_refused(tmp_path: Path) -> None:
    assert "cannot be read" in refused(tmp_path).what


@pytest.mark.parametrize("text", ["", " \n\n"])
def test_an_empty_file_is_refused(text: str, tmp_path: Path) -> None:
    assert "empty" in refused(written(tmp_path, text)).what


def test_other_than_utf8_is_refused_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "breaker.toml"
    path.write_bytes(GOOD.replace("Made up", "M\u00e4de").encode("latin-1"))
    assert refused(path).place == "line 2"


def test_toml_that_does_not_parse_is_refused_with_its_line(tmp_path: Path) -> None:
    assert "line 3" in refused(with_change(tmp_path, "= 60", "= = 60")).line()


@pytest.mark.parametrize("table", ["mechanism", "interrupter"])
def test_a_file_without_a_list_is_refused(table: str, tmp_path: Path) -> None:
    blocks = GOOD.split("\n[[")
    kept = [b for b in blocks[1:] if not b.startswith(table)]
    assert f"[[{table}]]" in refused(written(tmp_path, "\n[[".join([blocks[0], *kept]))).what


def test_a_table_in_place_of_a_list_is_refused(tmp_path: Path) -> None:
    assert "not a list" in refused(written(tmp_path, '[breaker]\nname = "x"\n[mechanism]\nname = "M"\n')).what


def test_a_record_that_fits_is_taken(tmp_path: Path) -> None:
    check_against(drm.Breaker.load(written(tmp_path, GOOD)), record())


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [('"U_A1"', '"U_A11"', "line 20"), ('"TRV"', '"TRVV"', "line 9"), ('"AUX_a"', '"AUX_aa"', "line 11")],
)
def test_a_channel_that_the_record_has_not_is_refused_at_its_line(
    old: str, new: str, line: str, tmp_path: Path
) -> None:
    breaker = drm.Breaker.load(with_change(tmp_path, old, new))
    with pytest.raises(drm.BreakerError) as caught:
        check_against(breaker, record())
    assert caught.value.place == line
    assert f"did you mean '{old[1:-1]}'" in caught.value.mend


def test_a_voltage_named_as_a_current_is_refused_at_its_line(tmp_path: Path) -> None:
    breaker = drm.Breaker.load(with_change(tmp_path, 'current = "I_A1"', 'current = "U_B1"'))
    with pytest.raises(drm.BreakerError, match="voltage") as caught:
        check_against(breaker, record())
    assert caught.value.place == "line 21"


def test_a_coil_in_volts_is_refused(tmp_path: Path) -> None:
    breaker = drm.Breaker.load(written(tmp_path, GOOD))
    with pytest.raises(drm.BreakerError, match="voltage"):
        check_against(breaker, record(TC="V"))


def test_a_channel_without_unit_is_refused(tmp_path: Path) -> None:
    breaker = drm.Breaker.load(written(tmp_path, GOOD))
    with pytest.raises(drm.BreakerError, match="no unit"):
        check_against(breaker, record(I_A1=""))


def test_what_a_study_wants_to_know(tmp_path: Path) -> None:
    text = '[breaker]\ntype = "spring"\ncommissioned = 2009-05-31\n'
    breaker = drm.Breaker.load(with_change(tmp_path, "[breaker]\n", text))
    assert (breaker.type, breaker.commissioned) == ("spring", "2009-05-31")
    more = '[test]\ndate = "2024-02-29"\noperation_count = 812\n'
    conditions = drm.Breaker.load(with_change(tmp_path, "[test]\n", more)).conditions
    assert (conditions.date, conditions.operation_count) == ("2024-02-29", 812)
    year = drm.Breaker.load(with_change(tmp_path, "[breaker]\n", "[breaker]\ncommissioned = 1998\n"))
    assert year.commissioned == "1998-01-01"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[breaker]\n", '[breaker]\ncommissioned = "May 2009"\n', "commissioned is no date"),
        ("[test]\n", "[test]\noperation_count = -3\n", "operation_count is not a whole number"),
        ("[test]\n", "[test]\ndate = true\n", "date is no date"),
    ],
)
def test_dates_and_counts_that_are_none_are_refused(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert words in refused(with_change(tmp_path, old, new)).what
