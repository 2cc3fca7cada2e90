"""A breaker file: TOML in, a frozen :class:`drm.breaker.Breaker` out, or one sentence on what is wrong and where."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import fields
from itertools import pairwise
from pathlib import Path
from typing import Any

from drm.breaker import Breaker, Conditions, Instrument, Interrupter, Limit, Mechanism, TravelSensor
from drm.breaker_file_motion import damping, reference_travel, speed_zones
from drm.errors import BreakerError, RecordError, nearest
from drm.mechanism_columns import LIMITED as MECHANISM_LIMITED
from drm.mechanism_columns import TIMING_LIMITED
from drm.record import Record
from drm.toml_file import TomlFile as _File
from drm.toml_file import day, whole
from drm.toml_file import keys as _keys
from drm.toml_file import number as _number
from drm.toml_file import string as _string
from drm.units import factor

__all__ = ["LIMITED", "check_against", "load_breaker"]

#: Columns that a limit may name: values of `features` and of `mechanisms`.
LIMITED = (
    "main_resistance_uohm",
    "main_contact_ms",
    "main_contact_mm",
    "commutation_ms",
    "arcing_contact_ms",
    "arcing_contact_mm",
    "arcing_wipe_mm",
    "arcing_wipe_ms",
    "arcing_resistance_uohm",
    "arcing_resistance_peak_uohm",
    "arcing_roughness_uohm",
    "arcing_area_uohm_mm",
    "parting_speed_m_s",
    "opening_time_ms",
    "closing_time_ms",
    "stroke_mm",
    "overtravel_mm",
    "rebound_mm",
    "speed_m_s",
    *MECHANISM_LIMITED,
    *TIMING_LIMITED,
)

_TABLES = ("breaker", "test", "instrument", "mechanism", "interrupter", "limits")
_BREAKER = (
    "name",
    "rated_frequency_hz",
    "serial",
    "station",
    "rated_control_voltage_v",
    "control_supply",
    "type",
    "commissioned",
)
_CHANNELS = (
    "trip_coil",
    "close_coil",
    "motor",
    "trip_coil_voltage",
    "close_coil_voltage",
    "motor_voltage",
)
_MECHANISM = ("name", "travel", "auxiliary", *_CHANNELS, "speed_zones", "damping", "reference_travel")
_INTERRUPTER = (
    "name",
    "pole",
    "position",
    "mechanism",
    "voltage",
    "current",
    "state",
    "resistor_state",
    "resistor_ohm",
    "accepted_uohm",
)
_TEST = ("ambient_c", "ambient_u_c", "both_ends_earthed", "date", "operation_count")


def load_breaker(path: str | os.PathLike[str]) -> Breaker:
    """Read a breaker file.

    Parameters
    ----------
    path : str or path-like

    Returns
    -------
    Breaker

    Raises
    ------
    BreakerError
        With the file, the line, what is wrong and the mend.
    """
    file = Path(path)
    text = _text(file)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BreakerError(f"not valid TOML: {error}", path=file, mend="correct that line") from None
    f = _File(file, text)
    _keys(f, data, _TABLES, "the file")
    for table, allowed in (("breaker", _BREAKER), ("test", _TEST)):
        _keys(f, _table(f, data, table), allowed, f"[{table}]", table=table)
    head, test = _table(f, data, "breaker"), _table(f, data, "test")
    mechanisms = tuple(_mechanism(f, m, n) for n, m in enumerate(_list(f, data, "mechanism")))
    interrupters = tuple(_interrupter(f, i, n) for n, i in enumerate(_list(f, data, "interrupter")))
    _unique(f, "mechanism", [m.name for m in mechanisms])
    _unique(f, "interrupter", [i.name for i in interrupters])
    names = [m.name for m in mechanisms]
    for n, i in enumerate(interrupters):
        if i.mechanism not in names:
            what = f"interrupter '{i.name}' names the mechanism '{i.mechanism}', which the file does not have"
            raise f.error(what, "mechanism", nearest(i.mechanism, names), table="interrupter", number=n)
    frequency = _number(f, head.get("rated_frequency_hz", 50.0), "rated_frequency_hz", table="breaker")
    if not 10.0 <= frequency <= 400.0:
        raise f.error(f"rated_frequency_hz is {frequency:g}", "rated_frequency_hz", "give 50 or 60", table="breaker")
    earthed = test.get("both_ends_earthed")
    if earthed is not None and not isinstance(earthed, bool):
        raise f.error("both_ends_earthed is neither true nor false", "both_ends_earthed", "give true or false")
    ambient = test.get("ambient_c")
    ambient_u = _positive(f, test.get("ambient_u_c", 1.0), "ambient_u_c", table="test")
    control = head.get("rated_control_voltage_v")
    supply = _string(f, head.get("control_supply", "dc"), "control_supply", table="breaker")
    if supply not in ("dc", "ac"):
        raise f.error(f"control_supply is '{supply}'", "control_supply", 'give "dc" or "ac"', table="breaker")
    return Breaker(
        name=_string(f, head.get("name", file.stem), "name", table="breaker"),
        mechanisms=mechanisms,
        interrupters=interrupters,
        rated_frequency_hz=frequency,
        serial=_string(f, head.get("serial", ""), "serial", table="breaker"),
        station=_string(f, head.get("station", ""), "station", table="breaker"),
        conditions=Conditions(
            None if ambient is None else _number(f, ambient, "ambient_c", table="test"),
            earthed,
            ambient_u,
            day(f, test["date"], "date", table="test") if "date" in test else None,
            whole(f, test["operation_count"], "operation_count", table="test") if "operation_count" in test else None,
        ),
        instrument=_instrument(f, _table(f, data, "instrument")),
        limits=_limits(f, _table(f, data, "limits")),
        rated_control_voltage_v=None
        if control is None
        else _positive(f, control, "rated_control_voltage_v", table="breaker"),
        control_supply=supply,
        path=str(file),
        type=_string(f, head.get("type", ""), "type", table="breaker"),
        commissioned=day(f, head["commissioned"], "commissioned", table="breaker") if "commissioned" in head else "",
    )


def _text(file: Path) -> str:
    mend = "give the path of a breaker file, or draft one with 'drm describe'"
    try:
        raw = file.read_bytes()
    except FileNotFoundError:
        raise BreakerError("no such file", path=file, mend=mend) from None
    except OSError as error:
        raise BreakerError(f"cannot be read ({error.strerror})", path=file, mend=mend) from None
    if not raw.strip():
        raise BreakerError("the breaker file is empty", path=file, mend=mend)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise BreakerError("not UTF-8", path=file, place=f"line {line}", mend="save it as UTF-8") from None


def _table(f: _File, data: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    table = data.get(name, {})
    if not isinstance(table, dict):
        raise f.error(f"'{name}' is not a table", name, f"write [{name}]")
    return table


def _list(f: _File, data: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
    tables = data.get(name, [])
    if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
        raise f.error(f"'{name}' is not a list of tables", name, f"write [[{name}]]")
    if not tables:
        raise BreakerError(f"the file has no [[{name}]]", path=f.path, mend=f"add one [[{name}]] for each")
    return tables


def _need(f: _File, table: Mapping[str, Any], key: str, name: str, number: int) -> str:
    if key not in table:
        what = f"[[{name}]] number {number + 1} has no '{key}'"
        raise f.error(what, name, f'add {key} = "..."', table=name, number=number)
    text = _string(f, table[key], key, table=name, number=number)
    if not text.strip():
        raise f.error(f"{key} is empty", key, "put a name between the quotes", table=name, number=number)
    return text


def _unique(f: _File, table: str, names: list[str]) -> None:
    for n, name in enumerate(names):
        if name in names[:n]:
            raise f.error(f"two {table}s are called '{name}'", "name", "rename one", table=table, number=n)


def _mechanism(f: _File, table: Mapping[str, Any], number: int) -> Mechanism:
    at: dict[str, Any] = {"table": "mechanism", "number": number}
    _keys(f, table, _MECHANISM, "[[mechanism]]", **at)
    auxiliary = table.get("auxiliary", {})
    if not isinstance(auxiliary, dict):
        raise f.error("auxiliary is not a table", "auxiliary", 'write auxiliary = { a = "...", b = "..." }', **at)
    _keys(f, auxiliary, ("a", "b"), "auxiliary", **at)

    def channel(key: str) -> str | None:
        return None if key not in table else _string(f, table[key], key, **at)

    return Mechanism(
        name=_need(f, table, "name", "mechanism", number),
        travel=_travel(f, table["travel"], at) if "travel" in table else None,
        auxiliary={k: _string(f, v, k, **at) for k, v in auxiliary.items()},
        **{key: channel(key) for key in _CHANNELS},
        speed_zones=speed_zones(f, table.get("speed_zones", []), at),
        damping=damping(f, table.get("damping", {}), at),
        reference_travel=reference_travel(f, table["reference_travel"], at) if "reference_travel" in table else None,
    )


def _travel(f: _File, table: Any, at: Mapping[str, Any]) -> TravelSensor:
    if not isinstance(table, dict):
        raise f.error("travel is not a table", "travel", 'write travel = { channel = "...", scale = 1.0 }', **at)
    _keys(f, table, ("channel", "scale", "curve"), "travel", **at)
    if "channel" not in table:
        raise f.error("travel names no channel", "travel", 'add channel = "..."', **at)
    if ("scale" in table) == ("curve" in table):
        raise f.error("travel needs either scale or curve", "travel", "give one of the two", **at)
    channel = _string(f, table["channel"], "channel", **at)
    if "scale" in table:
        scale = _number(f, table["scale"], "scale", **at)
        if scale == 0.0:
            raise f.error("scale is 0", "scale", "give mm per unit of the channel", **at)
        return TravelSensor(channel, scale)
    curve = table["curve"]
    if not isinstance(curve, list) or len(curve) < 2 or not all(isinstance(p, list) and len(p) == 2 for p in curve):
        raise f.error("curve is not a list of two or more pairs", "curve", "write [[unit, mm], ...]", **at)
    points = tuple((_number(f, p[0], "curve", **at), _number(f, p[1], "curve", **at)) for p in curve)
    steps = [(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(points)]
    rising = all(s[0] > 0 for s in steps) or all(s[0] < 0 for s in steps)
    if not rising or not (all(s[1] >= 0 for s in steps) or all(s[1] <= 0 for s in steps)):
        raise f.error("curve does not run one way", "curve", "order the pairs and correct those that turn back", **at)
    if points[0][1] == points[-1][1]:
        raise f.error("curve gives the same mm everywhere", "curve", "give the mm of both ends of the stroke", **at)
    return TravelSensor(channel, None, points)


def _interrupter(f: _File, table: Mapping[str, Any], number: int) -> Interrupter:
    _keys(f, table, _INTERRUPTER, "[[interrupter]]", table="interrupter", number=number)
    position = table.get("position", 1)
    if isinstance(position, bool) or not isinstance(position, int) or position < 1:
        raise f.error(
            "position is not a whole number from 1",
            "position",
            "give its place along the pole",
            table="interrupter",
            number=number,
        )
    at: dict[str, Any] = {"table": "interrupter", "number": number}
    name, pole, mechanism = (_need(f, table, key, "interrupter", number) for key in ("name", "pole", "mechanism"))
    state, resistor = (
        None if key not in table else _need(f, table, key, "interrupter", number) for key in ("state", "resistor_state")
    )
    # A contact of which only the state is recorded has neither voltage nor current.
    bare = state is not None and "voltage" not in table and "current" not in table
    voltage, current = ("" if bare else _need(f, table, key, "interrupter", number) for key in ("voltage", "current"))
    ohm, uohm = (
        None if key not in table else _positive(f, table[key], key, **at) for key in ("resistor_ohm", "accepted_uohm")
    )
    return Interrupter(name, pole, position, mechanism, voltage, current, state, resistor, ohm, uohm)


def _positive(f: _File, value: Any, key: str, *, table: str, number: int = 0) -> float:
    x = _number(f, value, key, table=table, number=number)
    if not x > 0.0:
        raise f.error(f"{key} is not above zero", key, "give a value above zero", table=table, number=number)
    return x


def _instrument(f: _File, table: Mapping[str, Any]) -> Instrument:
    _keys(f, table, [x.name for x in fields(Instrument)], "[instrument]", table="instrument")
    values = {key: _number(f, value, key, table="instrument") for key, value in table.items()}
    for key, value in values.items():
        if value < 0.0:
            raise f.error(f"{key} is negative", key, "give a standard uncertainty", table="instrument")
    return Instrument(**values)


def _limits(f: _File, table: Mapping[str, Any]) -> dict[str, Limit]:
    _keys(f, table, LIMITED, "[limits]", table="limits")
    out: dict[str, Limit] = {}
    for column, limit in table.items():
        if not isinstance(limit, dict) or not limit:
            raise f.error(
                f"the limit of {column} has neither min nor max", column, "give min, max or both", table="limits"
            )
        _keys(f, limit, ("min", "max"), f"[limits.{column}]", table=f"limits.{column}")
        low, high = (
            None if k not in limit else _number(f, limit[k], k, table=f"limits.{column}") for k in ("min", "max")
        )
        if low is not None and high is not None and low > high:
            raise f.error(f"the limit of {column} has min above max", column, "exchange them", table="limits")
        out[column] = Limit(low, high)
    return out


def check_against(breaker: Breaker, record: Record) -> None:
    """Refuse a breaker file that does not fit the record.

    Raises
    ------
    BreakerError
        If a channel that the file names is not in the record, or its unit is not of the kind needed.
    """
    wanted: list[tuple[str, str, str]] = []
    for i in breaker.interrupters:
        wanted += [("voltage", i.voltage, "V"), ("current", i.current, "A")] if i.voltage else []
        states = (("state", i.state), ("resistor_state", i.resistor_state))
        wanted += [(key, name, "") for key, name in states if name]
    for m in breaker.mechanisms:
        wanted += [("channel", m.travel.channel, "")] if m.travel else []
        wanted += [(key, name, "") for key, name in m.auxiliary.items()]
        coils = (("trip_coil", m.trip_coil), ("close_coil", m.close_coil), ("motor", m.motor))
        wanted += [(key, name, "A") for key, name in coils if name]
        supplies = (
            ("trip_coil_voltage", m.trip_coil_voltage),
            ("close_coil_voltage", m.close_coil_voltage),
            ("motor_voltage", m.motor_voltage),
        )
        wanted += [(key, name, "V") for key, name in supplies if name]
    lines: list[str] = []
    if breaker.path and Path(breaker.path).is_file():
        lines = Path(breaker.path).read_text(encoding="utf-8-sig").splitlines()
    for key, name, unit in wanted:
        assigned = re.compile(rf"\b{key}[\"']?\s*=\s*[\"']{re.escape(name)}[\"']")
        place = next((f"line {k + 1}" for k, line in enumerate(lines) if assigned.search(line)), "")
        if name not in record.names:
            what = f"the record '{record.name}' has no channel '{name}'"
            raise BreakerError(what, path=breaker.path, place=place, mend=nearest(name, record.names))
        if unit:
            try:
                factor(record.channel(name).unit, unit, channel=name)
            except RecordError as error:
                what = f"channel '{name}' cannot be the {key.replace('_', ' ')}: {error.what}"
                raise BreakerError(what, path=breaker.path, place=place, mend=error.mend) from None
