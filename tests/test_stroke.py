"""Stroke figures, envelope and sensor faults, against motions whose figures are known by construction."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from drm.breaker import Damping, Mechanism, ReferenceTravel, SpeedZone, TravelSensor
from drm.envelope import Curve, departure, load_reference
from drm.errors import BreakerError
from drm.mechanisms import curve_of
from drm.stroke import Moved, figures, moved, start_of, zone_words
from drm.travel import Travel
from drm.travel_faults import travel_faults

RATE_HZ = 20e3
T = np.arange(0.0, 0.3, 1.0 / RATE_HZ)
STROKE = 100.0


def path(t: np.ndarray) -> np.ndarray:
    """Opening by hand, way in mm over s: accelerates at 1000 m/s² for 5 ms to 5 m/s and 12.5 mm, runs to 82.5 mm at
    5 m/s (14 ms later), then slows evenly to rest at 100 mm in 7 ms."""
    a = np.clip(t, 0.0, 5e-3)
    b = np.clip(t - 5e-3, 0.0, 14e-3)
    c = np.clip(t - 19e-3, 0.0, 7e-3)
    return 0.5 * 1e6 * a**2 + 5e3 * b + 5e3 * c - 0.5 * (5e3 / 7e-3) * c**2


def motion(way: np.ndarray, *, kind: str = "open", step: float = 0.02) -> tuple[Moved, Travel]:
    mm = way if kind == "open" else STROKE - way
    mm = step * np.round(mm / step)
    travel = Travel("M", mm, step / np.sqrt(12.0), step, ())
    got = moved(T, travel, kind, start_s=0.0, reference_s=0.04, until_s=0.3, coil=True)
    assert got is not None
    return got, travel


BEGIN_S = 0.05


def test_mean_speed_between_two_positions():
    m, travel = motion(path(T - BEGIN_S))
    got = figures(m, travel, T, rel=0.0, zones=[SpeedZone("open", 20.0, 70.0)])
    assert got["speed_m_s"].value == pytest.approx(5.0, rel=2e-3)
    # From 0 to 12.5 mm it takes 5 ms, to 62.5 mm 10 ms more: 62.5 mm / 15 ms, less the crossing of 0.5 mm at 1 ms.
    got = figures(m, travel, T, rel=0.0, zones=[SpeedZone("open", 0.5, 62.5)])
    assert got["speed_m_s"].value == pytest.approx(62.0 / 14.0, rel=5e-3)


def test_mean_speed_from_a_position_over_a_time():
    m, travel = motion(path(T - BEGIN_S))
    # From 12.5 mm on at 5 m/s for 10 ms; from 72.5 mm 2 ms at 5 m/s, then 7 ms to rest over 17.5 mm.
    zones = [SpeedZone("open", 12.5, None, 10.0), SpeedZone("open", 72.5, None, 9.0, "late")]
    got = figures(m, travel, T, rel=0.0, zones=zones)
    assert got["speed_m_s"].value == pytest.approx(5.0, rel=2e-3)
    assert got["speed_late_m_s"].value == pytest.approx((100.0 - 72.5) / 9.0, rel=5e-3)


@pytest.mark.parametrize("kind", ["open", "close"])
def test_a_zone_counts_from_the_closed_position_whatever_the_kind(kind):
    m, travel = motion(path(T - BEGIN_S), kind=kind)
    got = figures(m, travel, T, rel=0.0, zones=[SpeedZone(kind, 30.0, 70.0)])
    assert got["speed_m_s"].value == pytest.approx(5.0, rel=2e-3)


def test_a_zone_that_is_not_reached_gives_no_speed():
    m, travel = motion(path(T - BEGIN_S))
    got = figures(m, travel, T, rel=0.0, zones=[SpeedZone("open", 20.0, 130.0)])
    assert not got["speed_m_s"]


def test_words_of_the_zone():
    assert zone_words([SpeedZone("open", 20.0, 60.0)], "open") == "20 to 60 mm"
    assert zone_words([SpeedZone("open", 20.0, None, 8.0)], "open") == "8 ms from 20 mm"
    assert zone_words([SpeedZone("close", 20.0, 60.0)], "open") == "25% to 75% of the stroke"


def test_greatest_speed_and_start_of_motion():
    m, travel = motion(path(T - BEGIN_S))
    got = figures(m, travel, T, rel=0.0)
    assert got["speed_max_m_s"].value == pytest.approx(5.0, rel=0.01)
    start = start_of(m)
    assert start.value == pytest.approx(BEGIN_S, abs=2.0 * start.u)
    assert start.u < 0.2e-3


def test_start_of_a_motion_by_screw():
    way = np.clip(400.0 * (T - BEGIN_S), 0.0, STROKE)  # 0.4 m/s from the start
    start = start_of(motion(way)[0])
    assert start.value == pytest.approx(BEGIN_S, abs=0.3e-3)


def test_damping_speeds_and_time_by_hand():
    m, travel = motion(path(T - BEGIN_S))
    got = figures(m, travel, T, rel=0.0, damping=Damping(open_mm=17.5))
    # The damper begins at 82.5 mm at full speed. 1 mm before rest the speed is sqrt(2 * 714.3 m/s² * 1 mm), the mean
    # over the 2 ms before 714.3 * 1 ms more.
    assert got["damping_entry_m_s"].value == pytest.approx(5.0, abs=0.03)
    assert got["damping_end_m_s"].value == pytest.approx(np.sqrt(2.0 * 5.0 / 7e-3 * 1e-3) + 5.0 / 7.0, abs=0.05)
    # 1 mm before rest is sqrt(2 * 1 mm / 714.3 m/s²) = 1.673 ms before the end of 7 ms.
    assert got["damping_time_ms"].value == pytest.approx(7.0 - 1.673, abs=0.1)


def test_without_a_stated_damper_the_last_tenth_of_the_stroke_counts():
    m, travel = motion(path(T - BEGIN_S))
    got = figures(m, travel, T, rel=0.0)
    # At 90 mm: 10 mm before rest, sqrt(2 * 714.3 * 10 mm) = 3.78 m/s, and the mean over 2 ms before 0.714 m/s more.
    assert got["damping_entry_m_s"].value == pytest.approx(np.sqrt(2.0 * 5.0 / 7e-3 * 10e-3) + 5.0 / 7.0, abs=0.06)


def test_an_error_of_the_scale_reaches_every_figure_by_its_share():
    m, travel = motion(path(T - BEGIN_S))
    got = figures(m, travel, T, rel=0.01)
    assert got["stroke_mm"].u == pytest.approx(1.0, rel=0.01)
    assert got["speed_m_s"].u == pytest.approx(0.05, rel=0.05)


def test_a_zone_where_the_speed_changes_is_less_sure():
    m, travel = motion(path(T - BEGIN_S))
    steady = figures(m, travel, T, rel=0.01, zones=[SpeedZone("open", 30.0, 60.0)])["speed_m_s"]
    bent = figures(m, travel, T, rel=0.01, zones=[SpeedZone("open", 88.0, 98.0)])["speed_m_s"]
    assert bent.u / bent.value > 2.0 * steady.u / steady.value


# Envelope: IEC 62271-100, annex on mechanical travel (from memory): 10 % of total travel wide.


def curve(shift_mm: float = 0.0, *, late_ms: float = 0.0, contact: bool = True) -> Curve:
    t = np.arange(0.0, 60.0, 0.1)
    # Straight from 0 at 10 ms to 100 mm at 30 ms: 5 mm/ms; its contacts part at 40 mm, 18 ms.
    mm = np.clip(5.0 * (t - 10.0 - late_ms), 0.0, 100.0)
    mm = mm + np.where(mm > 40.0, shift_mm, 0.0)
    return Curve("open", t, mm, 18.0 + late_ms if contact else float("nan"))


@pytest.mark.parametrize(("shift", "above", "below"), [(3.0, 3.0, 0.0), (-6.0, 0.0, 6.0), (0.0, 0.0, 0.0)])
def test_departure_is_percent_of_total_travel(shift, above, below):
    got = departure(curve(shift), curve(), rel=0.0, u_mm=0.01)
    total = 100.0
    assert got.above_percent.value == pytest.approx(100.0 * above / total, abs=0.02)
    assert got.below_percent.value == pytest.approx(100.0 * below / total, abs=0.02)
    assert got.aligned == "contact"


def test_a_late_mechanism_that_moves_alike_stays_on_its_reference():
    got = departure(curve(late_ms=3.0), curve(), rel=0.0, u_mm=0.01)
    assert got.above_percent.value + got.below_percent.value < 0.1


def test_laid_over_at_the_command_the_delay_counts():
    got = departure(curve(late_ms=2.0, contact=False), curve(contact=False), rel=0.0, u_mm=0.01)
    # 2 ms at 5 mm/ms are 10 mm of 100.
    assert got.below_percent.value == pytest.approx(10.0, abs=0.1)
    assert got.aligned == "command"


def test_uncertainty_of_a_departure_holds_scale_reading_and_alignment():
    got = departure(curve(3.0), curve(), rel=0.01, u_mm=0.1, contact_u_ms=0.0)
    assert 0.1 < got.above_percent.u < 1.1
    more = departure(curve(3.0), curve(), rel=0.01, u_mm=0.1, contact_u_ms=0.5)
    assert more.above_percent.u >= got.above_percent.u


def written(tmp_path: Path, text: str) -> ReferenceTravel:
    path = tmp_path / "ref.csv"
    path.write_text(text, encoding="utf-8")
    return ReferenceTravel(str(path))


def test_an_earlier_results_travel_serves_as_reference(tmp_path):
    rows = ["operation,kind,mechanism,time_ms,travel_mm,contact_ms"]
    for op, factor in ((1, 1.0), (3, 2.0)):
        rows += [f"{op},open,M,{t},{factor * t},18.0" for t in range(10, 40)]
    rows += [f"1,open,N,{t},{3.0 * t},9.0" for t in range(10, 40)]
    got = load_reference(written(tmp_path, "\n".join(rows)), "M")
    assert list(got) == ["open"]
    assert got["open"].contact_ms == 18.0
    assert got["open"].travel_mm[-1] == pytest.approx(39.0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("kind,time,travel_mm\n", "time_ms"),
        ("kind,time_ms,travel_mm\nup,1,2\n", r"line 2.*neither open nor close"),
        ("kind,time_ms,travel_mm\nopen,1,x\n", r"line 2.*not a number"),
        ("kind,time_ms,travel_mm\n" + "".join(f"open,{k},0\n" for k in range(20)), "no stroke"),
    ],
)
def test_a_bad_reference_is_refused_at_its_line(tmp_path, text, says):
    with pytest.raises(BreakerError, match=says):
        load_reference(written(tmp_path, text), "M")


def test_a_missing_reference_is_refused(tmp_path):
    with pytest.raises(BreakerError, match="No such file"):
        load_reference(ReferenceTravel(str(tmp_path / "none.csv")), "M")


# Sensor faults.


@pytest.mark.parametrize("step", [0.0, 0.05, 0.2])
@pytest.mark.parametrize("seed", range(5))
def test_a_sound_sensor_raises_no_flag(step, seed):
    way = path(T - BEGIN_S) + (0.0 if step else 0.02) * np.random.default_rng(seed).standard_normal(T.size)
    mm = step * np.round(way / step) if step else way
    travel = Travel("M", mm, max(step / np.sqrt(12.0), 0.02), step, ())
    m = moved(T, travel, "open", start_s=0.0, reference_s=0.04, until_s=0.3, coil=True)
    assert m is not None
    assert travel_faults(m) == ()


def test_a_dead_band_stands_still_and_then_jumps():
    way = path(T - BEGIN_S)
    dead = (way > 40.0) & (way < 50.0)
    (flag,) = travel_faults(motion(np.where(dead, 40.0, way))[0])
    assert flag.startswith("dead band")
    assert "jumps by" in flag


def test_slip_stands_still_and_goes_on_from_there():
    way = path(T - BEGIN_S)
    # Coupled only up to 40 mm, then slipping for 10 mm of travel.
    (flag,) = travel_faults(motion(np.where(way > 40.0, np.maximum(40.0, way - 10.0), way))[0])
    assert flag.startswith("slip")


def test_lost_counts_jump_within_one_sample():
    way = path(T - BEGIN_S)
    (flag,) = travel_faults(motion(np.where(way > 40.0, way - 4.0, way))[0])
    assert flag.startswith("lost or gained counts")
    assert "-3." in flag or "-4." in flag


def test_a_motion_as_a_curve_runs_in_travel_from_closed():
    m, _ = motion(path(T - BEGIN_S), kind="close")
    c = curve_of(m, 0.04)
    assert c.travel_mm[0] == pytest.approx(STROKE, abs=0.1)
    assert c.travel_mm[-1] == pytest.approx(0.0, abs=0.1)
    assert c.total_mm == pytest.approx(STROKE, abs=0.1)
    assert Mechanism("M", TravelSensor("X", 1.0)).reference_travel is None
