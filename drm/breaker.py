"""The breaker under test: poles, interrupters, mechanisms, and how each is recorded."""

from __future__ import annotations

import os
from dataclasses import dataclass, field

__all__ = [
    "Breaker",
    "Conditions",
    "Damping",
    "Instrument",
    "Interrupter",
    "Limit",
    "Mechanism",
    "ReferenceTravel",
    "SpeedZone",
    "TravelSensor",
]


@dataclass(frozen=True)
class TravelSensor:
    """Channel of a travel sensor and how to turn it into mm: `scale` or `curve`, never both."""

    channel: str
    scale: float | None = None
    curve: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class SpeedZone:
    """Where a mean speed is taken: from one travel to another, or from one travel on for a time.

    `from_mm`, `to_mm` count from the closed position; exactly one of `to_mm` and `for_ms` is given. `name` is empty
    for the zone of the column ``speed_m_s``, else the zone has a column of its own.
    """

    kind: str
    from_mm: float
    to_mm: float | None = None
    for_ms: float | None = None
    name: str = ""


@dataclass(frozen=True)
class Damping:
    """How far before the end of the stroke the damper begins to act; None where not stated."""

    open_mm: float | None = None
    close_mm: float | None = None


@dataclass(frozen=True)
class ReferenceTravel:
    """A reference no-load travel curve and the band about it, in percent of its total travel."""

    file: str
    above_percent: float = 5.0
    below_percent: float = 5.0


@dataclass(frozen=True)
class Mechanism:
    """One operating mechanism and the channels that record it."""

    name: str
    travel: TravelSensor | None = None
    trip_coil: str | None = None
    close_coil: str | None = None
    motor: str | None = None
    auxiliary: dict[str, str] = field(default_factory=dict)
    trip_coil_voltage: str | None = None
    close_coil_voltage: str | None = None
    motor_voltage: str | None = None
    speed_zones: tuple[SpeedZone, ...] = ()
    damping: Damping = Damping()
    reference_travel: ReferenceTravel | None = None


@dataclass(frozen=True)
class Interrupter:
    """One interrupting unit and the channels that record it.

    `voltage` and `current` are both given or both empty; without them the contact's `state` channel (1 where closed)
    is all that is known of it. `resistor_state` is that of a pre-insertion resistor's contact. `accepted_uohm` is the
    static resistance before the type test's temperature rise, from the breaker's own documents.
    """

    name: str
    pole: str
    position: int
    mechanism: str
    voltage: str = ""
    current: str = ""
    state: str | None = None
    resistor_state: str | None = None
    resistor_ohm: float | None = None
    accepted_uohm: float | None = None


@dataclass(frozen=True)
class Conditions:
    """What the test conditions were; None where not stated.

    `date` (ISO 8601) is for records that do not tell their own start; `operation_count` is the counter's reading.
    """

    ambient_c: float | None = None
    both_ends_earthed: bool | None = None
    ambient_u_c: float = 1.0
    date: str | None = None
    operation_count: int | None = None


@dataclass(frozen=True)
class Instrument:
    """Known parts of the instrument's uncertainty, standard (k = 1)."""

    voltage_gain_rel: float = 0.002
    current_gain_rel: float = 0.005
    voltage_offset_v: float = 20e-6
    skew_s: float = 5e-6
    travel_rel: float = 0.005
    linkage_mm: float = 0.1


@dataclass(frozen=True)
class Limit:
    """Least and greatest value allowed by the breaker's own documents."""

    min: float | None = None
    max: float | None = None


@dataclass(frozen=True)
class Breaker:
    """One circuit-breaker as a breaker file describes it.

    `type` groups breakers of one design in a study; `commissioned` is the day of the first service, ISO 8601.
    """

    name: str
    mechanisms: tuple[Mechanism, ...]
    interrupters: tuple[Interrupter, ...]
    rated_frequency_hz: float = 50.0
    serial: str = ""
    station: str = ""
    conditions: Conditions = Conditions()
    instrument: Instrument = Instrument()
    limits: dict[str, Limit] = field(default_factory=dict)
    rated_control_voltage_v: float | None = None
    control_supply: str = "dc"
    path: str | None = None
    type: str = ""
    commissioned: str = ""

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Breaker:
        """Read a breaker file (TOML).

        Raises
        ------
        BreakerError
            With the file, the line, what is wrong and the mend.
        """
        from drm.breaker_file import load_breaker

        return load_breaker(path)
