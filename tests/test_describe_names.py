"""What the words about a channel say: names in several languages, phase and component fields."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import drm
from drm.describe_names import Said, said
from drm.writers import write_comtrade


def channel(name: str, unit: str = "V", *, phase: str = "", component: str = "") -> drm.Channel:
    return drm.Channel(name, unit, np.zeros(4), digital=not unit, phase=phase, component=component)


def one(name: str, unit: str = "V", **fields: str) -> Said:
    return said([channel(name, unit, **fields)])[0]


def told(*names: str) -> list[tuple[str, int | None]]:
    return [(s.pole, s.number) for s in said([channel(n) for n in names])]


# Words of the trade in several languages: common practice, no source.
@pytest.mark.parametrize(
    ("name", "unit", "role"),
    [
        ("U_A1", "V", "voltage"),
        ("Ud A1", "mV", "voltage"),
        ("Spannung A1", "V", "voltage"),
        ("Tension pôle 1", "V", "voltage"),
        ("Strom L1", "A", "current"),
        ("Courant A", "A", "current"),
        ("Corriente A", "A", "current"),
        ("Weg L2", "mm", "travel"),
        ("Course B", "mm", "travel"),
        ("Stroke", "V", "travel"),
        ("TC_A", "A", "trip"),
        ("Auslösespule", "A", "trip"),
        ("Bobine d'ouverture", "A", "trip"),
        ("CC_A", "A", "close"),
        ("Einschaltspule", "A", "close"),
        ("Bobina de cierre", "A", "close"),
        ("Y1", "A", "coil"),
        ("Motor", "A", "motor"),
        ("UM_A", "V", "motor"),
        ("Motorstrom", "A", "motor"),
        ("AUX_A_a", "", "a"),
        ("Hilfskontakt NC", "", "b"),
        ("CH1", "V", ""),
        ("Kanal 12", "A", ""),
    ],
)
def test_the_kind_of_a_channel_by_its_name(name: str, unit: str, role: str) -> None:
    assert one(name, unit).role == role


@pytest.mark.parametrize(("name", "role"), [("52a", "a"), ("52b", "b"), ("52A", "a"), ("52b_C", "b")])
def test_auxiliary_contacts_by_device_number(name: str, role: str) -> None:
    # IEEE C37.2: 52 is the a.c. circuit-breaker; 52a is open when it is open, 52b closed (from memory).
    assert one(name, "").role == role


@pytest.mark.parametrize(
    "letters", [("A", "B", "C"), ("R", "S", "T"), ("L1", "L2", "L3"), ("R", "Y", "B"), ("U", "V", "W")]
)
def test_poles_by_any_of_the_usual_letters(letters: tuple[str, ...]) -> None:
    assert [pole for pole, _ in told(*(f"Voltage {x}" for x in letters))] == ["A", "B", "C"]


def test_letters_may_run_together_with_the_quantity() -> None:
    assert told("UA1", "UB2", "IC") == [("A", 1), ("B", 2), ("C", None)]
    assert told("UL1", "IL2", "U_L3_2") == [("A", None), ("B", None), ("C", 2)]


def test_poles_and_places_by_words() -> None:
    assert told("Pole 2 break 3 voltage", "Tension pôle 1 unité 2") == [("B", 3), ("A", 2)]


def test_numbers_are_poles_where_each_sensor_has_one_and_no_letter_tells() -> None:
    found = said([channel("U1.2"), channel("I2.1", "A"), channel("Travel 1", "mm"), channel("Travel 2", "mm")])
    assert [(s.pole, s.number) for s in found[:2]] == [("A", 2), ("B", 1)]
    assert "taken for the pole" in found[0].doubt


def test_a_channel_number_is_no_place() -> None:
    assert told("CH7", "Kanal 3", "ai12") == [("", None)] * 3


def test_small_letters_are_poles_where_the_record_writes_small() -> None:
    assert told("u_a1", "i_b2") == [("A", 1), ("B", 2)]


def test_fields_tell_what_the_name_does_not() -> None:
    found = one("CH3", phase="S", component="Unit 2 voltage")
    assert (found.role, found.pole, found.number) == ("voltage", "B", 2)


def test_a_name_and_a_phase_field_that_differ_are_doubtful() -> None:
    found = one("U_A1", phase="B")
    assert found.pole == "A"
    assert "phase field B" in found.doubt


def test_phase_and_component_come_through_a_file(tmp_path: Path) -> None:
    channels = (channel("U", phase="A", component="unit 1"), channel("S", "", phase="B", component="unit 2"))
    record = drm.Record("r", "", np.arange(4.0) / 1e3, channels)
    back = drm.read(write_comtrade(record, tmp_path / "r.cfg"))
    assert [(c.phase, c.component) for c in back.channels] == [("A", "unit 1"), ("B", "unit 2")]
