"""The keys of a breaker file that say how a mechanism's motion is judged: speed zones, damping, reference curve."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from drm.breaker import Damping, ReferenceTravel, SpeedZone
from drm.toml_file import TomlFile, keys, number, string

__all__ = ["BANDS", "damping", "reference_travel", "speed_zones"]

#: Bands about a reference travel curve: what may lie above and below it, percent of its total travel (IEC 62271-100,
#: annex on mechanical travel, from memory).
BANDS = {"+5/-5": (5.0, 5.0), "+10/-0": (10.0, 0.0), "+0/-10": (0.0, 10.0)}


def speed_zones(f: TomlFile, value: Any, at: Mapping[str, Any]) -> tuple[SpeedZone, ...]:
    """``speed_zones = [{ kind = "open", from_mm = 20.0, to_mm = 60.0 }, ...]``; for_ms in place of to_mm."""
    if not isinstance(value, list) or not all(isinstance(z, dict) for z in value):
        mend = 'write [{ kind = "open", from_mm = 20.0, to_mm = 60.0 }]'
        raise f.error("speed_zones is not a list of tables", "speed_zones", mend, **at)
    out: list[SpeedZone] = []
    for zone in value:
        keys(f, zone, ("name", "kind", "from_mm", "to_mm", "for_ms"), "speed_zones", **at)
        kind = zone.get("kind")
        if kind not in ("open", "close"):
            raise f.error("a speed zone's kind is neither open nor close", "speed_zones", 'give kind = "open"', **at)
        if "from_mm" not in zone or ("to_mm" in zone) == ("for_ms" in zone):
            mend = "give from_mm and one of to_mm and for_ms"
            raise f.error("a speed zone is not two positions, nor a position and a time", "speed_zones", mend, **at)
        first = number(f, zone["from_mm"], "from_mm", **at)
        second = number(f, zone["to_mm"], "to_mm", **at) if "to_mm" in zone else None
        for_ms = number(f, zone["for_ms"], "for_ms", **at) if "for_ms" in zone else None
        if second == first or (for_ms is not None and not for_ms > 0.0):
            raise f.error("a speed zone has no extent", "speed_zones", "let it end elsewhere than it begins", **at)
        name = string(f, zone.get("name", ""), "name", **at)
        if name and not re.fullmatch(r"[a-z][a-z0-9_]{0,30}", name):
            mend = "use small letters, digits and underscores"
            raise f.error(f"the speed zone's name '{name}' cannot be part of a column's", "speed_zones", mend, **at)
        if any((z.kind, z.name) == (kind, name) for z in out):
            raise f.error(f"two speed zones for '{kind}' have one name", "speed_zones", "name all but one", **at)
        out.append(SpeedZone(kind, first, second, for_ms, name))
    return tuple(out)


def damping(f: TomlFile, value: Any, at: Mapping[str, Any]) -> Damping:
    """``damping = { open_mm = 30.0, close_mm = 15.0 }``: distances before the end of the stroke."""
    if not isinstance(value, dict):
        raise f.error("damping is not a table", "damping", "write damping = { open_mm = 30.0 }", **at)
    keys(f, value, ("open_mm", "close_mm"), "damping", **at)
    far = {k: number(f, v, k, **at) for k, v in value.items()}
    for key, distance in far.items():
        if not distance > 0.0:
            raise f.error(f"{key} is not above zero", key, "give the distance before the end of the stroke", **at)
    return Damping(**far)


def reference_travel(f: TomlFile, value: Any, at: Mapping[str, Any]) -> ReferenceTravel:
    """``reference_travel = { file = "new.csv", band = "+5/-5" }``; the path counts from the breaker file."""
    if not isinstance(value, dict):
        mend = 'write reference_travel = { file = "travel.csv" }'
        raise f.error("reference_travel is not a table", "reference_travel", mend, **at)
    keys(f, value, ("file", "band"), "reference_travel", **at)
    if "file" not in value:
        raise f.error("reference_travel names no file", "reference_travel", 'add file = "..."', **at)
    name = string(f, value["file"], "file", **at)
    band = string(f, value.get("band", "+5/-5"), "band", **at)
    if band not in BANDS:
        raise f.error(f"unknown band '{band}'", "band", f"give one of {', '.join(BANDS)}", **at)
    above, below = BANDS[band]
    return ReferenceTravel(str(Path(f.path).parent / name), above, below)
