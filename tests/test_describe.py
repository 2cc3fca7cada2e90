"""A drafted breaker file loads, fits the record, and says where it guessed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import drm
from drm.breaker_file import check_against
from drm.describe import describe

RECORDS = Path(__file__).parent / "data" / "records"
FILES = {
    "open-close-open": "record.cfg",
    "open-100A-csv": "record.csv",
    "close-two-per-pole": "record.cfg",
    "series-injection": "record.cfg",
}


def made(*channels: tuple[str, str], phases: tuple[str, ...] = ()) -> drm.Record:
    """A record of 4 samples whose channels have these names and units."""
    held = tuple(
        drm.Channel(name, unit, np.zeros(4), digital=not unit, phase=phases[n] if phases else "")
        for n, (name, unit) in enumerate(channels)
    )
    return drm.Record("made", "made.csv", np.arange(4.0), held)


def drafted(tmp_path: Path, *records: drm.Record) -> drm.Breaker:
    """The draft of the records, loaded back and checked against each."""
    path = tmp_path / "breaker.toml"
    path.write_text(describe(records), encoding="utf-8")
    breaker = drm.Breaker.load(path)
    for record in records:
        check_against(breaker, record)
    return breaker


@pytest.mark.parametrize(("folder", "file"), FILES.items())
def test_the_draft_says_what_the_written_file_says(folder: str, file: str, tmp_path: Path) -> None:
    draft = drafted(tmp_path, drm.read(RECORDS / folder / file))
    written = drm.Breaker.load(RECORDS / folder / "breaker.toml")
    assert draft.interrupters == written.interrupters
    assert draft.mechanisms == written.mechanisms


def test_nothing_is_doubtful_where_the_names_are_plain() -> None:
    assert "doubtful" not in describe([drm.read(RECORDS / "series-injection" / "record.cfg")])


def test_numbered_names_pair_by_number_and_the_pole_is_doubtful(tmp_path: Path) -> None:
    record = made(("V1", "V"), ("I1", "A"), ("V2", "V"), ("I2", "A"))
    found = [(i.voltage, i.current) for i in drafted(tmp_path, record).interrupters]
    assert found == [("V1", "I1"), ("V2", "I2")]
    assert 'pole = "A"  # doubtful: neither name nor phase field tells the pole' in describe([record])
    assert 'current = "I1"  # doubtful: paired by number alone' in describe([record])


def test_the_phase_field_gives_the_pole(tmp_path: Path) -> None:
    record = made(("U1", "mV"), ("I1", "A"), ("U2", "mV"), ("I2", "A"), phases=("A", "A", "B", "B"))
    assert [i.pole for i in drafted(tmp_path, record).interrupters] == ["A", "B"]


def test_one_current_of_a_pole_is_shared_by_its_interrupters(tmp_path: Path) -> None:
    record = made(("U_A1", "V"), ("U_A2", "V"), ("I_A", "A"))
    assert [i.current for i in drafted(tmp_path, record).interrupters] == ["I_A", "I_A"]


def test_coils_motor_and_auxiliary_contacts_by_name(tmp_path: Path) -> None:
    record = made(
        ("U_A1", "V"),
        ("I_A1", "A"),
        ("Trip coil", "A"),
        ("Close coil", "A"),
        ("Motor", "A"),
        ("AUX_a", ""),
        ("AUX_b", ""),
    )
    (mechanism,) = drafted(tmp_path, record).mechanisms
    assert (mechanism.trip_coil, mechanism.close_coil, mechanism.motor) == ("Trip coil", "Close coil", "Motor")
    assert mechanism.auxiliary == {"a": "AUX_a", "b": "AUX_b"}


def test_a_coil_is_never_taken_for_the_current_of_a_contact() -> None:
    with pytest.raises(drm.RecordError, match="current"):
        describe([made(("U_A1", "V"), ("Trip coil", "A"))])


def test_travel_in_degrees_is_drafted_and_doubtful(tmp_path: Path) -> None:
    record = made(("U_A1", "V"), ("I_A1", "A"), ("shaft", "deg"))
    (mechanism,) = drafted(tmp_path, record).mechanisms
    assert mechanism.travel is not None
    assert mechanism.travel.channel == "shaft"
    assert "# doubtful: give mm per deg" in describe([record])


def test_travel_in_another_length_is_scaled_to_mm(tmp_path: Path) -> None:
    (mechanism,) = drafted(tmp_path, made(("U_A1", "V"), ("I_A1", "A"), ("TRV_A", "cm"))).mechanisms
    assert mechanism.travel is not None
    assert mechanism.travel.scale == 10.0


@pytest.mark.parametrize("tail", ['"', "\\", '"\n[limits]\nx = 1 #', "\t", "#", "'''", "\x7f", "\u2028", "µΩ", "\x00"])
def test_a_hostile_name_stays_a_name(tail: str, tmp_path: Path) -> None:
    voltage, current = f"U_A1 {tail}", f"I_A1 {tail}"
    (interrupter,) = drafted(tmp_path, made((voltage, "V"), (current, "A"))).interrupters
    assert (interrupter.voltage, interrupter.current) == (voltage, current)


def test_nothing_that_pairs_is_refused_with_place_and_mend() -> None:
    with pytest.raises(drm.RecordError) as caught:
        describe([made(("U_A1", "V"), ("I_B1", "A"), ("I_C1", "A"))])
    assert caught.value.place == "channel 'U_A1'"
    assert "U_A1 and I_A1" in caught.value.mend


def test_no_voltage_is_refused_with_place_and_mend() -> None:
    with pytest.raises(drm.RecordError, match="voltage") as caught:
        describe([made(("I_A1", "A"))])
    assert caught.value.place
    assert caught.value.mend


def test_no_record_is_refused() -> None:
    with pytest.raises(drm.RecordError, match="no record"):
        describe([])


def test_a_second_record_without_the_channels_is_refused() -> None:
    with pytest.raises(drm.RecordError, match="I_A1"):
        describe([made(("U_A1", "V"), ("I_A1", "A")), made(("U_A1", "V"), ("I_A2", "A"))])


def test_poles_without_travel_of_their_own_share_one_doubtful_mechanism(tmp_path: Path) -> None:
    record = made(("U_A1", "V"), ("I_A1", "A"), ("U_B1", "V"), ("I_B1", "A"), ("Travel", "mm"))
    breaker = drafted(tmp_path, record)
    assert [m.name for m in breaker.mechanisms] == ["all"]
    assert "# doubtful: no travel channel for each pole" in describe([record])


@pytest.mark.parametrize(
    ("name", "lines"),
    [
        ("pre_insertion", ['state = "STATE_A1"', 'resistor_state = "RES_A2"']),
        ("motor", ['motor = "M_A"', 'motor_voltage = "UM_A"']),
        ("coil_armature", ['trip_coil_voltage = "UTC_A"', 'close_coil_voltage = "UCC_A"']),
    ],
)
def test_voltages_of_coils_and_motor_and_contact_states_are_drafted(name, lines):
    from drm.synthetic import named, simulate

    s = simulate(named(name), rng=np.random.default_rng(1))
    text = describe([s.record])
    for line in lines:
        assert line in text.splitlines()
    # None of them is taken for a contact's voltage.
    assert text.count("[[interrupter]]") == len(s.breaker.interrupters)
