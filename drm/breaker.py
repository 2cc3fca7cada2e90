"""The breaker under test: poles, interrupters, mechanisms, and how each is recorded."""

from __future__ import annotations

import os
from dataclasses import dataclass, field

__all__ = ["Breaker", "Conditions", "Instrument", "Interrupter", "Limit", "Mechanism", "TravelSensor"]


@dataclass(frozen=True)
class TravelSensor:
    """Channel of a travel sensor and how to turn it into mm: `scale` or `curve`, never both."""

    channel: str
    scale: float | None = None
    curve: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Mechanism:
    """One operating mechanism and the channels that record it."""

    name: str
    travel: TravelSensor | None = None
    trip_coil: str | None = None
    close_coil: str | None = None
    motor: str | None = None
    auxiliary: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Interrupter:
    """One interrupting unit and the channels that record it."""

    name: str
    pole: str
    position: int
    mechanism: str
    voltage: str
    current: str


@dataclass(frozen=True)
class Conditions:
    """What the test conditions were; None where not stated."""

    ambient_c: float | None = None
    both_ends_earthed: bool | None = None


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
    """One circuit-breaker as a breaker file describes it."""

    name: str
    mechanisms: tuple[Mechanism, ...]
    interrupters: tuple[Interrupter, ...]
    rated_frequency_hz: float = 50.0
    serial: str = ""
    station: str = ""
    conditions: Conditions = Conditions()
    instrument: Instrument = Instrument()
    limits: dict[str, Limit] = field(default_factory=dict)
    path: str | None = None

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
