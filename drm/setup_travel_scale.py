"""A travel whose scale is wrong by a power of ten, against its siblings' or against any stroke that breakers have."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from drm.median import median
from drm.setup_fault import Fault

__all__ = ["travel_scale"]

FloatArray = NDArray[np.float64]

#: Within this factor of a power of ten a stroke against the others' is taken for a wrong scale: strokes of one breaker
#: are alike to some per cent.
NEAR = 1.25
#: Strokes that contacts of high-voltage interrupters make, mm: 80 to 250 are usual (common practice, no source);
#: sensors on a crank or a rod of the mechanism show less or more, none ten times as much.
PLAUSIBLE_MM = (20.0, 600.0)
_CHECK = (
    "See the sensor's unit, the `scale` or `curve` of the breaker file and the range of the channel, compare the "
    "stroke with the maker's documents, then read the record again."
)


def _stroke(mm: FloatArray) -> float:
    good = mm[np.isfinite(mm)]
    return float(good.max() - good.min()) if good.size else math.nan


def travel_scale(travels: Mapping[str, FloatArray], interrupters: Mapping[str, Sequence[str]]) -> Iterator[Fault]:
    """Travels whose scale is off by a power of ten.

    Parameters
    ----------
    travels : mapping
        Mechanism -> mm over the record.
    interrupters : mapping
        Mechanism -> names of those that it moves.
    """
    strokes = {name: s for name, mm in travels.items() if (s := _stroke(mm)) > 0}
    wrong = _against_siblings(strokes) if len(strokes) >= 3 else {}
    for name, power in sorted(wrong.items()):
        times = f"{10**power} times" if power > 0 else f"1/{10**-power} of"
        yield _fault(
            f"the travel of mechanism {name} is about {times} its siblings': a wrong scale of the travel",
            "siblings: the strokes of the same record",
            interrupters.get(name, ()),
            {"mechanism": name, "stroke_mm": strokes[name], "strokes_mm": dict(strokes)},
        )
    rest = {n: s for n, s in strokes.items() if n not in wrong}
    low, high = PLAUSIBLE_MM
    if rest and (max(rest.values()) < low or min(rest.values()) > high):
        yield _fault(
            f"the travel moves by {median(list(rest.values())):.3g} mm, which no contact of a high-voltage "
            "breaker does: the scale of the travel is wrong",
            f"plausible band of a stroke, {low:.0f} to {high:.0f} mm (common practice, no source)",
            [i for n in rest for i in interrupters.get(n, ())],
            {
                "mechanisms": sorted(rest),
                "strokes_mm": dict(rest),
                "plausible_least_mm": low,
                "plausible_most_mm": high,
            },
        )


def _against_siblings(strokes: Mapping[str, float]) -> dict[str, int]:
    """Mechanism -> power of ten by which its stroke is off the median of the others'."""
    out: dict[str, int] = {}
    for name, mine in strokes.items():
        ratio = mine / median([s for n, s in strokes.items() if n != name])
        power = round(math.log10(ratio))
        if power and abs(math.log10(ratio) - power) < math.log10(NEAR):
            out[name] = power
    return out


def _fault(what: str, basis: str, who: Sequence[str], evidence: dict[str, object]) -> Fault:
    return Fault(
        code="travel-scale",
        level="inspect",
        what=what,
        basis=basis,
        otherwise="A sensor on another part of the mechanism than the breaker file means, a slipping coupling, a unit "
        "that the recorder names wrongly.",
        check=_CHECK,
        interrupters=tuple(sorted(who)),
        spoils="travel",
        evidence=evidence,
    )
