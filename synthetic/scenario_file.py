"""A scenario file: TOML in, a frozen :class:`Scenario` out; an unknown word is refused with its place."""

from __future__ import annotations

import dataclasses
import math
import tomllib
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from drm.errors import ScenarioError, nearest
from drm.synthetic.scenario import Fault, Scenario
from drm.synthetic.scenario_check import checked, refuse

__all__ = ["load", "named", "shipped"]

T = TypeVar("T")


def _plain(value: Any, default: Any, path: object, place: str) -> Any:
    """`value` as the type of `default`, or refused."""
    kind = type(default)
    if kind is tuple:
        if not isinstance(value, list):
            raise refuse("a list is wanted", path, place, f"got {value!r}")
        return tuple(value)
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    if type(value) is not kind:
        raise refuse(f"{kind.__name__} is wanted", path, place, f"got {value!r}")
    if kind is float and not math.isfinite(value):
        raise refuse("a finite number is wanted", path, place, f"got {value!r}")
    return value


def _table(cls: type[T], given: Any, path: object, place: str) -> T:
    if not isinstance(given, dict):
        raise refuse("a table is wanted", path, place, f"got {given!r}")
    fields = {f.name: f for f in dataclasses.fields(cls)}  # type: ignore[arg-type]
    made: dict[str, Any] = {}
    for key, value in given.items():
        here = f"{place}.{key}" if place else key
        if key not in fields:
            raise refuse("unknown key", path, here, nearest(key, fields))
        default = fields[key].default
        if key == "faults":
            if not isinstance(value, list):
                raise refuse("a list of tables is wanted", path, here, "write [[faults]]")
            made[key] = tuple(_table(Fault, v, path, f"{here}[{i}]") for i, v in enumerate(value, 1))
        elif default is dataclasses.MISSING:
            made[key] = _plain(value, "", path, here)
        elif dataclasses.is_dataclass(default):
            made[key] = _table(type(default), value, path, here)
        else:
            made[key] = _plain(value, default, path, here)
    missing = [n for n, f in fields.items() if f.default is dataclasses.MISSING and n not in made]
    if missing:
        raise refuse(f"key '{missing[0]}' is missing", path, place, f"add {missing[0]} = ...")
    return cls(**made)


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
    return checked(_table(Scenario, given, source, ""), source)


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
