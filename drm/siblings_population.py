"""A population file: the healthy scatter of one type of breaker, in place of the orientation that ships.

TOML, every key optional but `sd`; what a feature's table leaves out keeps the shipped value::

    [population]
    name = "type X, 40 breakers, commissioning tests"   # stands in the basis of findings
    breakers = 40
    only = false                    # true: compare the features named here and no others

    [scatter.arcing_wipe_mm]        # any feature column
    sd = 0.28                       # in its unit; a ratio (0.05 = 5 %) where log = true
    dof = 120                       # degrees of freedom behind sd; 0: not known, siblings alone decide
    log = false
    pole_share = 0.2                # part of the variance that a pole has in common
    position_share = 0.1            # ... that a place along the poles has in common
    weight = 14                     # share of the false alarms against the other features

    [[correlation]]
    features = ["arcing_wipe_mm", "main_contact_mm"]
    value = -0.3

    [curve]                         # shape of resistance over travel
    sd = 0.10
    dof = 60
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from drm.errors import BreakerError
from drm.siblings_prior import ORIENTATION, Population, ScatterPrior
from drm.toml_file import TomlFile, keys, number, string

__all__ = ["load_population"]

_TABLES = ("population", "scatter", "correlation", "curve")
_SCATTER = tuple(f.name for f in fields(ScatterPrior))
_FLAGS = ("log", "of_pole", "derived")
_SHARES = ("pole_share", "position_share")


def load_population(path: str | os.PathLike[str]) -> Population:
    """Read a population file.

    Parameters
    ----------
    path : path
        TOML as the module's docstring shows.

    Returns
    -------
    Population
        The shipped orientation with what the file says in its place.

    Raises
    ------
    BreakerError
        With the file, the line, what is wrong and the mend.
    """
    where = Path(path)
    try:
        text = where.read_text(encoding="utf-8")
        given = tomllib.loads(text)
    except OSError as error:
        raise BreakerError(f"cannot be read ({error.strerror})", path=path, mend="check the path") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BreakerError(f"is not TOML: {error}", path=path, mend="mend the file") from error
    f = TomlFile(where, text)
    keys(f, given, _TABLES, "a population file")
    head, curve = _table(f, given, "population"), _table(f, given, "curve")
    keys(f, head, ("name", "breakers", "only"), "[population]", table="population")
    keys(f, curve, ("sd", "dof"), "[curve]", table="curve")
    scatter = _table(f, given, "scatter")
    named = {name: _scatter(f, name, entry) for name, entry in scatter.items()}
    only = _flag(f, head.get("only", False), "only", "population")
    return Population(
        string(f, head.get("name", where.name), "name", table="population"),
        named if only else {**ORIENTATION.priors, **named},
        {**ORIENTATION.correlations, **_correlations(f, given.get("correlation", []))},
        _least(f, curve.get("sd", ORIENTATION.curve_sd), "sd", "curve", above=0.0),
        _least(f, curve.get("dof", ORIENTATION.curve_dof), "dof", "curve"),
        int(_least(f, head.get("breakers", 0), "breakers", "population")),
    )


def _table(f: TomlFile, given: Mapping[str, Any], name: str) -> dict[str, Any]:
    entry = given.get(name, {})
    if not isinstance(entry, dict):
        raise f.error(f"{name} is not a table", name, f"write [{name}]")
    return entry


def _flag(f: TomlFile, value: Any, key: str, table: str) -> bool:
    if not isinstance(value, bool):
        raise f.error(f"{key} is neither true nor false", key, "write true or false", table=table)
    return value


def _least(f: TomlFile, value: Any, key: str, table: str, *, above: float | None = None) -> float:
    got = number(f, value, key, table=table)
    if got < 0 or (above is not None and got <= above):
        wanted = "a number above zero" if above is not None else "zero or more"
        raise f.error(f"{key} = {got:g} is out of range", key, f"give {wanted}", table=table)
    return got


def _scatter(f: TomlFile, name: str, entry: Any) -> ScatterPrior:
    table = f"scatter.{name}"
    if not isinstance(entry, dict):
        raise f.error(f"{table} is not a table", name, f"write [{table}]")
    keys(f, entry, _SCATTER, f"[{table}]", table=table)
    known = ORIENTATION.priors.get(name)
    if "sd" not in entry:
        raise f.error("sd is missing", name, "add sd = ...", table=table)
    if known is not None and entry.get("log", known.log) != known.log:
        raise f.error(f"log differs from how {name} is compared", "log", f"write {str(known.log).lower()}", table=table)
    said: dict[str, Any] = {}
    for key, value in entry.items():
        if key in _FLAGS:
            said[key] = _flag(f, value, key, table)
        elif key == "instead_of":
            said[key] = string(f, value, key, table=table)
        else:
            said[key] = _least(f, value, key, table, above=0.0 if key in ("sd", "weight") else None)
    prior = replace(known or ScatterPrior(1.0), **said)
    if prior.pole_share + prior.position_share > 1.0:
        raise f.error("pole_share and position_share exceed 1 together", "pole_share", "lower them", table=table)
    return prior


def _correlations(f: TomlFile, entries: Any) -> dict[tuple[str, str], float]:
    if not isinstance(entries, list):
        raise f.error("correlation is not a list of tables", "correlation", "write [[correlation]]")
    made: dict[tuple[str, str], float] = {}
    for n, entry in enumerate(entries):
        keys(f, entry, ("features", "value"), "[[correlation]]", table="correlation", number=n)
        pair = entry.get("features")
        if not (isinstance(pair, list) and len(pair) == 2 and all(isinstance(x, str) for x in pair)):
            raise f.error("features does not name two", "features", "name two features", table="correlation", number=n)
        value = number(f, entry.get("value"), "value", table="correlation", number=n)
        if not -1.0 < value < 1.0:
            raise f.error(
                f"value = {value:g} is no correlation", "value", "give one within -1 and 1", table="correlation"
            )
        # The file's word replaces the shipped one whichever way round either names the pair.
        made[pair[0], pair[1]] = made[pair[1], pair[0]] = value
    return made
