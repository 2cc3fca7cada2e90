"""Keys of the breaker file for timing, motion, coils and motor: read whole, or refused with line and mend."""

from __future__ import annotations

from pathlib import Path

import pytest

import drm
from drm.breaker import Damping, SpeedZone

GOOD = """\
[breaker]
name = "Made up"
rated_control_voltage_v = 110
control_supply = "dc"
[test]
ambient_c = 10.0
ambient_u_c = 0.5
[[mechanism]]
name = "M"
travel = { channel = "TRV", scale = 1.0 }
trip_coil = "TC"
trip_coil_voltage = "TCV"
close_coil_voltage = "CCV"
motor = "MOT"
motor_voltage = "MOTV"
speed_zones = [
  { kind = "open", from_mm = 20.0, to_mm = 60.0 },
  { kind = "close", from_mm = 40.0, for_ms = 5.0, name = "touch" },
]
damping = { open_mm = 30.0, close_mm = 15.0 }
reference_travel = { file = "new.csv", band = "+10/-0" }
[[interrupter]]
name = "A1"
pole = "A"
mechanism = "M"
state = "CH1"
resistor_state = "CH2"
resistor_ohm = 450
accepted_uohm = 42.0
[limits.armature_start_ms]
max = 12.0
"""


def loaded(tmp_path: Path, text: str) -> drm.Breaker:
    path = tmp_path / "breaker.toml"
    path.write_text(text, encoding="utf-8")
    return drm.Breaker.load(path)


def test_every_key_arrives(tmp_path):
    got = loaded(tmp_path, GOOD)
    m, i = got.mechanisms[0], got.interrupters[0]
    assert m.speed_zones == (SpeedZone("open", 20.0, 60.0), SpeedZone("close", 40.0, None, 5.0, "touch"))
    assert m.damping == Damping(30.0, 15.0)
    assert m.reference_travel is not None
    assert (m.reference_travel.above_percent, m.reference_travel.below_percent) == (10.0, 0.0)
    assert Path(m.reference_travel.file) == tmp_path / "new.csv"
    assert (m.trip_coil_voltage, m.close_coil_voltage, m.motor_voltage) == ("TCV", "CCV", "MOTV")
    assert (i.state, i.resistor_state, i.resistor_ohm, i.accepted_uohm) == ("CH1", "CH2", 450.0, 42.0)
    assert (i.voltage, i.current) == ("", "")
    assert (got.rated_control_voltage_v, got.control_supply) == (110.0, "dc")
    assert (got.conditions.ambient_c, got.conditions.ambient_u_c) == (10.0, 0.5)
    assert got.limits["armature_start_ms"].max == 12.0


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('state = "CH1"', 'voltage = "U"', r"has no 'current'"),
        ('state = "CH1"\n', "", r"has no 'voltage'"),
        ('kind = "open", from', 'kind = "trip", from', r"line 16.*neither open nor close"),
        ("to_mm = 60.0", "to_mm = 20.0", "no extent"),
        ("for_ms = 5.0", "for_ms = -5.0", "no extent"),
        ("to_mm = 60.0", "to_mm = 60.0, for_ms = 3.0", "not two positions"),
        ('name = "touch"', 'name = "At Touch"', "cannot be part of a column"),
        ("open_mm = 30.0", "open_mm = 0", r"line 20.*above zero"),
        ("close_mm = 15.0 }", "shut_mm = 15.0 }", "unknown key 'shut_mm'"),
        ('"+10/-0"', '"+7/-7"', r"line 21.*give one of \+5/-5"),
        ('file = "new.csv", ', "", "names no file"),
        ("resistor_ohm = 450", "resistor_ohm = -1", r"line 28.*above zero"),
        ("accepted_uohm = 42.0", 'accepted_uohm = "x"', "finite number"),
        ('control_supply = "dc"', 'control_supply = "both"', r"line 4.*dc"),
        ("rated_control_voltage_v = 110", "rated_control_voltage_v = 0", r"line 3.*above zero"),
        ("motor_voltage =", "motor_volts =", r"unknown key 'motor_volts'.*motor_voltage"),
        ("limits.armature_start_ms", "limits.armature_begin_ms", "did you mean .armature_st"),
    ],
)
def test_a_wrong_word_is_refused_at_its_line(tmp_path, old, new, says):
    assert old in GOOD
    with pytest.raises(drm.BreakerError, match=says):
        loaded(tmp_path, GOOD.replace(old, new, 1))
