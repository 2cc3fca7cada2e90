"""A simulation as files: record, breaker file, truth."""

from __future__ import annotations

import dataclasses
import json
import math
import os
import tempfile
from pathlib import Path
from typing import Any

from drm.breaker import Breaker, Conditions, Mechanism
from drm.errors import OutputError
from drm.synthetic.truth import Simulation, Truth

__all__ = ["breaker_toml", "read_truth", "write_simulation"]


def _text(value: Any) -> str:
    """A value as TOML; JSON's strings are TOML's as well once DEL is escaped."""
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    return "[" + ", ".join(_text(v) for v in value) + "]"


def _inline(pairs: dict[str, Any]) -> str:
    return "{ " + ", ".join(f"{key} = {_text(value)}" for key, value in pairs.items()) + " }"


def _mechanism(m: Mechanism) -> list[str]:
    lines = ["", "[[mechanism]]", f"name = {_text(m.name)}"]
    if m.travel is not None:
        how: dict[str, Any] = {"curve": m.travel.curve} if m.travel.curve else {"scale": m.travel.scale}
        lines.append("travel = " + _inline({"channel": m.travel.channel, **how}))
    for key in ("trip_coil", "trip_coil_voltage", "close_coil", "close_coil_voltage", "motor", "motor_voltage"):
        if getattr(m, key) is not None:
            lines.append(f"{key} = {_text(getattr(m, key))}")
    if m.auxiliary:
        lines.append("auxiliary = " + _inline(dict(m.auxiliary)))
    return lines


def breaker_toml(breaker: Breaker) -> str:
    """The breaker file of `breaker`, in its documented format."""
    lines = ["[breaker]", f"name = {_text(breaker.name)}"]
    free = ("serial", "station", "type", "commissioned")
    lines += [f"{key} = {_text(getattr(breaker, key))}" for key in free if getattr(breaker, key)]
    lines.append(f"rated_frequency_hz = {_text(breaker.rated_frequency_hz)}")
    if breaker.conditions != Conditions():
        stated = {k: v for k, v in dataclasses.asdict(breaker.conditions).items() if v is not None}
        lines += ["", "[test]", *(f"{key} = {_text(value)}" for key, value in stated.items())]
    for mechanism in breaker.mechanisms:
        lines += _mechanism(mechanism)
    for unit in breaker.interrupters:
        lines += ["", "[[interrupter]]"]
        lines += [f"{key} = {_text(value)}" for key, value in dataclasses.asdict(unit).items() if value is not None]
    for column, limit in breaker.limits.items():
        lines += ["", f"[limits.{column}]"]
        lines += [f"{key} = {_text(value)}" for key, value in dataclasses.asdict(limit).items() if value is not None]
    return "\n".join(lines) + "\n"


def _finite(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _whole(path: Path, text: str) -> None:
    """Write beside the target and rename, so that no half-written file is ever seen."""
    name = ""
    try:
        with tempfile.NamedTemporaryFile("w", encoding="utf-8", dir=path.parent, prefix=".", delete=False) as out:
            name = out.name
            out.write(text)
        os.chmod(name, 0o644)
        os.replace(name, path)
    except OSError as error:
        if name:
            Path(name).unlink(missing_ok=True)
        raise OutputError(f"cannot be written ({error.strerror})", path=path, mend="choose another folder") from error


def write_simulation(simulation: Simulation, folder: str | os.PathLike[str], *, data_format: str = "FLOAT32") -> Path:
    """Write ``breaker.toml``, ``truth.json`` and then the record into `folder`, each whole or not at all.

    Parameters
    ----------
    simulation : Simulation
    folder : path
        Made where it does not exist.
    data_format : str
        COMTRADE's, see :func:`drm.writers.write_comtrade`.

    Returns
    -------
    Path
        Of the record's configuration file.

    Raises
    ------
    OutputError
        If something cannot be written.
    """
    from drm.writers import write_comtrade

    home = Path(folder)
    try:
        home.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"cannot be made ({error.strerror})", path=home, mend="choose another folder") from error
    truth: dict[str, Any] = {"schema": 1}
    for part in ("truth", "motions", "coils", "auxiliaries", "motors", "static"):
        rows = [{k: _finite(v) for k, v in dataclasses.asdict(t).items()} for t in getattr(simulation, part)]
        if rows or part == "truth":
            truth[part] = rows
    _whole(home / "breaker.toml", breaker_toml(simulation.breaker))
    _whole(home / "truth.json", json.dumps(truth, indent=1, allow_nan=False) + "\n")
    return write_comtrade(simulation.record, home / f"{simulation.record.name}.cfg", data_format=data_format)


def read_truth(path: str | os.PathLike[str]) -> tuple[Truth, ...]:
    """The truth that :func:`write_simulation` wrote."""
    rows = json.loads(Path(path).read_text(encoding="utf-8"))["truth"]
    made = []
    for row in rows:
        values: dict[str, Any] = {key: math.nan if value is None else value for key, value in row.items()}
        values["faults"] = tuple(row["faults"])
        made.append(Truth(**values))
    return tuple(made)
