"""Scenarios: what is simulated, read from TOML into frozen dataclasses; an unknown word is refused with its place."""

from __future__ import annotations

import dataclasses
import math
import tomllib
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from drm.errors import ScenarioError, nearest

__all__ = [
    "FAULTS",
    "Chain",
    "Contact",
    "Fault",
    "Injection",
    "Motion",
    "Scenario",
    "Setup",
    "load",
    "named",
    "shipped",
]

#: Kinds of fault and the meaning of their amount.
FAULTS = {
    "worn": "arcing wipe left, mm; rough, with momentary part-separations",
    "short_wipe": "arcing wipe left, mm",
    "misadjusted": "shift of every instant in travel, mm; positive parts later",
    "high_main": "factor on the main contact's resistance",
    "rough": "factor on the arcing contact's fluctuation",
    "spikes": "number of momentary part-separations in the arcing zone",
    "missing_arcing": "no arcing contact; the amount is not used",
    "arcing_first": "arcing contact parts first; the amount is not used",
}


@dataclass(frozen=True)
class Motion:
    """Operating mechanism, the same design for each; figures are of common practice, no source.

    Below 0.3 m/s a screw moves the contact: no coil is energised, and the command is the start of motion.
    """

    stroke_mm: float = 160.0
    open_speed_m_s: float = 6.5  # at arcing parting
    close_speed_m_s: float = 4.2  # at arcing touch
    open_latch_ms: float = 14.0  # coil onset to first motion
    close_latch_ms: float = 14.0
    scatter_rel: float = 0.01  # of speeds and latch times from one mechanism to another
    coil_a: float = 3.0

    def by_screw(self, kind: str) -> bool:
        """Whether the operation ``O`` or ``C`` is made by a screw."""
        return (self.open_speed_m_s if kind == "O" else self.close_speed_m_s) < 0.3


@dataclass(frozen=True)
class Contact:
    """Healthy interrupter and its scatter from one to another."""

    main_resistance_uohm: float = 40.0
    main_scatter_rel: float = 0.05
    main_roughness_rel: float = 0.02
    arcing_resistance_uohm: float = 250.0
    arcing_scatter_rel: float = 0.08
    arcing_roughness_rel: float = 0.10
    correlation_mm: float = 0.4
    main_parting_mm: float = 24.0
    main_parting_scatter_mm: float = 0.2
    arcing_wipe_mm: float = 18.0
    wipe_scatter_mm: float = 0.3
    commutation_mm: float = 2.2
    fingers: int = 12
    bounces: int = 1  # losses after the first touch on closing


@dataclass(frozen=True)
class Injection:
    """Test current: a regulated source with a voltage limit and an output resistance, behind leads."""

    current_a: float = 200.0
    limit_v: float = 12.0
    output_ohm: float = 20.0
    lead_mohm: float = 15.0
    lead_uh: float = 10.0
    arc_v: float = 13.0  # Holm, least arc voltage of copper (from memory)
    arc_rise_v_ms: float = 10.0  # as the gap grows; common practice, no source
    least_arc_a: float = 0.4  # Holm, least arc current (from memory)
    earth_loop_mohm: float = 0.0  # 0: no loop; else both ends are earthed through so much
    sense_uh: float = 0.2
    series: bool = False  # interrupters of one pole carry one current


@dataclass(frozen=True)
class Chain:
    """Measuring chain."""

    sample_rate_hz: float = 20_000.0
    oversampling: int = 8
    bits: int = 16
    voltage_range_v: float = 2.0
    current_range_a: float = 500.0
    voltage_noise_mv: float = 0.2
    current_noise_a: float = 0.1
    hum_mv: float = 0.0
    impulses: int = 0  # single-sample disturbances in each voltage
    filter_hz: float = 8_000.0
    skew_us: float = 0.0  # voltages are sampled so much later, and the record says so
    encoder_mm: float = 0.05
    travel: str = "linear"  # linear, rotary, none
    travel_sign: int = 1


@dataclass(frozen=True)
class Setup:
    """How the test was connected, by name of interrupter."""

    leads_exchanged: tuple[str, ...] = ()  # two names: their voltage leads are exchanged
    reversed: tuple[str, ...] = ()
    lead_off: tuple[str, ...] = ()


@dataclass(frozen=True)
class Fault:
    """Fault of one interrupter; see :data:`FAULTS`."""

    interrupter: str
    kind: str
    amount: float = 0.0


@dataclass(frozen=True)
class Scenario:
    """One record to be simulated: `sequence` of ``O`` and ``C`` with their commands at `commands_ms`."""

    name: str = "simulated"
    poles: tuple[str, ...] = ("A",)
    interrupters_per_pole: int = 1
    sequence: str = "O"
    commands_ms: tuple[float, ...] = (50.0,)
    length_ms: float = 250.0
    frequency_hz: float = 50.0
    motion: Motion = Motion()
    contact: Contact = Contact()
    injection: Injection = Injection()
    chain: Chain = Chain()
    setup: Setup = Setup()
    faults: tuple[Fault, ...] = ()

    @property
    def interrupters(self) -> tuple[str, ...]:
        """Names, such as ``A1``, pole by pole."""
        return tuple(f"{p}{i}" for p in self.poles for i in range(1, self.interrupters_per_pole + 1))


T = TypeVar("T")


def _refuse(what: str, path: object, place: str, mend: str) -> ScenarioError:
    return ScenarioError(what, path=path, place=place, mend=mend)


def _plain(value: Any, default: Any, path: object, place: str) -> Any:
    """`value` as the type of `default`, or refused."""
    kind = type(default)
    if kind is tuple:
        if not isinstance(value, list):
            raise _refuse("a list is wanted", path, place, f"got {value!r}")
        return tuple(value)
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    if type(value) is not kind:
        raise _refuse(f"{kind.__name__} is wanted", path, place, f"got {value!r}")
    if kind is float and not math.isfinite(value):
        raise _refuse("a finite number is wanted", path, place, f"got {value!r}")
    return value


def _table(cls: type[T], given: Any, path: object, place: str) -> T:
    if not isinstance(given, dict):
        raise _refuse("a table is wanted", path, place, f"got {given!r}")
    fields = {f.name: f for f in dataclasses.fields(cls)}  # type: ignore[arg-type]
    made: dict[str, Any] = {}
    for key, value in given.items():
        here = f"{place}.{key}" if place else key
        if key not in fields:
            raise _refuse("unknown key", path, here, nearest(key, fields))
        default = fields[key].default
        if key == "faults":
            if not isinstance(value, list):
                raise _refuse("a list of tables is wanted", path, here, "write [[faults]]")
            made[key] = tuple(_table(Fault, v, path, f"{here}[{i}]") for i, v in enumerate(value, 1))
        elif default is dataclasses.MISSING:
            made[key] = _plain(value, "", path, here)
        elif dataclasses.is_dataclass(default):
            made[key] = _table(type(default), value, path, here)
        else:
            made[key] = _plain(value, default, path, here)
    missing = [n for n, f in fields.items() if f.default is dataclasses.MISSING and n not in made]
    if missing:
        raise _refuse(f"key '{missing[0]}' is missing", path, place, f"add {missing[0]} = ...")
    return cls(**made)


def _check(s: Scenario, path: object) -> Scenario:
    if not s.sequence or set(s.sequence) - {"O", "C"} or "OO" in s.sequence or "CC" in s.sequence:
        raise _refuse(f"'{s.sequence}' is no sequence", path, "sequence", "write O, C, OC, OCO, in turn")
    times = (0.0, *s.commands_ms, s.length_ms)
    ordered = all(isinstance(t, int | float) for t in times) and list(times) == sorted(times)
    if len(s.commands_ms) != len(s.sequence) or not ordered:
        raise _refuse("one command for each operation, in order and within length_ms", path, "commands_ms", "mend it")
    for place, name in [(f"faults[{i}].interrupter", f.interrupter) for i, f in enumerate(s.faults, 1)] + [
        (f"setup.{f.name}", n) for f in dataclasses.fields(s.setup) for n in getattr(s.setup, f.name)
    ]:
        if name not in s.interrupters:
            raise _refuse(f"no interrupter is called {name!r}", path, place, nearest(str(name), s.interrupters))
    for i, fault in enumerate(s.faults, 1):
        if fault.kind not in FAULTS:
            raise _refuse(f"unknown fault '{fault.kind}'", path, f"faults[{i}].kind", nearest(fault.kind, FAULTS))
    if len(s.setup.leads_exchanged) not in (0, 2):
        raise _refuse("two interrupters are wanted", path, "setup.leads_exchanged", "name two")
    if s.chain.travel not in ("linear", "rotary", "none"):
        known = nearest(s.chain.travel, ("linear", "rotary", "none"))
        raise _refuse(f"unknown sensor '{s.chain.travel}'", path, "chain.travel", known)
    positive = {
        "motion": ("stroke_mm", "open_speed_m_s", "close_speed_m_s"),
        "contact": ("main_resistance_uohm", "arcing_resistance_uohm", "correlation_mm", "commutation_mm", "fingers"),
        "injection": ("current_a", "limit_v", "output_ohm", "lead_mohm", "lead_uh", "arc_v"),
        "chain": ("sample_rate_hz", "oversampling", "bits", "voltage_range_v", "current_range_a", "filter_hz"),
    }
    for table, keys in positive.items():
        for key in keys:
            if not getattr(getattr(s, table), key) > 0:
                raise _refuse("a value above zero is wanted", path, f"{table}.{key}", "mend it")
    return s


def load(source: str | Path) -> Scenario:
    """Read a scenario.

    Parameters
    ----------
    source : path
        A TOML file.

    Raises
    ------
    ScenarioError
        With the place and the nearest valid name.
    """
    try:
        text = Path(source).read_text(encoding="utf-8")
        given = tomllib.loads(text)
    except OSError as error:
        raise ScenarioError(f"cannot be read ({error.strerror})", path=source, mend="check the path") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ScenarioError(f"is not TOML: {error}", path=source, mend="mend the file") from error
    return _check(_table(Scenario, given, source, ""), source)


def shipped() -> tuple[str, ...]:
    """Names of the scenarios that come with the package."""
    folder = resources.files("drm.synthetic") / "scenarios"
    return tuple(sorted(p.name[:-5] for p in folder.iterdir() if p.name.endswith(".toml")))


def named(name: str) -> Scenario:
    """The scenario of this name that comes with the package.

    Raises
    ------
    ScenarioError
        If there is none.
    """
    if name not in shipped():
        raise ScenarioError(f"no scenario is called '{name}'", mend=nearest(name, shipped()))
    with resources.as_file(resources.files("drm.synthetic") / "scenarios" / f"{name}.toml") as path:
        return load(path)
