"""One table of units, whatever the recorder's keyboard could write."""

from __future__ import annotations

import math

import pytest

from drm.errors import RecordError
from drm.units import canonical, factor, is_known


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("uV", "µV"), ("\u00b5V", "\u00b5V"), ("\u03bcV", "\u00b5V"), ("UV", "µV"), ("mv", "mV"), ("KV", "kV"),
        ("\u03a9", "ohm"), ("\u2126", "ohm"), ("\u03bc\u2126", "µohm"), ("uOhm", "µohm"), ("m\u03a9", "mohm"),
        ("M\u2126", "Mohm"), ("mohm", "mohm"), ("Mohm", "Mohm"), ("a", "A"), ("Amps", "A"), ("ka", "kA"), ("MM", "mm"),
        ("°", "deg"), ("Degrees", "deg"), ("RAD", "rad"), ("usec", "µs"), ("MS", "ms"), (" [mm] ", "mm"), ("", ""),
    ],
)  # fmt: skip
def test_a_spelling_has_one_name(written: str, name: str) -> None:
    assert canonical(written) == name


def test_an_unknown_unit_is_kept_as_written() -> None:
    assert canonical(" zork ") == "zork"
    assert not is_known("zork")


@pytest.mark.parametrize(
    ("unit", "to", "expected"),
    [
        ("mV", "µV", 1000.0), ("kA", "A", 1000.0), ("cm", "mm", 10.0), ("in", "mm", 25.4), ("ms", "s", 1e-3),
        ("µohm", "ohm", 1e-6), ("deg", "rad", math.pi / 180), ("", "", 1.0), ("m/s", "mm/ms", 1.0), ("%", "1", 0.01),
    ],
)  # fmt: skip
def test_factor_between_units_of_a_kind(unit: str, to: str, expected: float) -> None:
    assert factor(unit, to) == expected


@pytest.mark.parametrize(
    ("unit", "to", "says"),
    [
        ("mm", "V", "length"),
        ("zork", "V", "unknown"),
        ("V", "zork", "unknown"),
        ("", "V", "no unit"),
        ("V", "", "no unit"),
        ("MV", "V", "megavolt"),
        ("MA", "A", "megaampere"),
    ],
)
def test_what_cannot_be_converted_is_refused_with_the_channel(unit: str, to: str, says: str) -> None:
    with pytest.raises(RecordError, match=f"channel 'U_A1'.*{says}"):
        factor(unit, to, channel="U_A1")
