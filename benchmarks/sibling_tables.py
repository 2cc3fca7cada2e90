"""Simulated feature tables of healthy breakers, and of breakers with one fault: fast enough for thousands.

What is assumed of a healthy breaker: each feature is Gaussian (resistances, roughness, area, duration and speed in the
logarithm) with three parts in common: its pole, its place, itself. The size of the scatter is not fixed at the prior's
but drawn for every feature and breaker as the prior's degrees of freedom say, sd * sqrt(dof / chi2(dof)); main position
and wipe are drawn, the arcing position follows from both, the area from resistance and wipe. Every operation adds its
own repeat scatter, much smaller than that between interrupters.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from drm.breaker import Breaker, Interrupter, Mechanism
from drm.siblings_prior import PRIORS

#: Interrupters -> poles, interrupters in each: a pole measured alone makes the four.
LAYOUTS = {3: (3, 1), 4: (1, 4), 6: (3, 2), 12: (3, 4), 24: (3, 8)}
MIDDLE = {
    "main_resistance_uohm": 40.0,
    "arcing_resistance_uohm": 250.0,
    "arcing_roughness_uohm": 20.0,
    "arcing_resistance_peak_uohm": 380.0,
    "commutation_ms": 0.5,
    "arcing_wipe_mm": 18.0,
    "main_contact_mm": 24.0,
    "parting_speed_m_s": 6.0,
}
REPEAT = {
    "main_resistance_uohm": 0.005,
    "arcing_resistance_uohm": 0.02,
    "arcing_roughness_uohm": 0.1,
    "arcing_resistance_peak_uohm": 0.1,
    "commutation_ms": 0.05,
    "arcing_wipe_mm": 0.05,
    "main_contact_mm": 0.05,
    "parting_speed_m_s": 0.002,
}


def names(n: int) -> list[tuple[str, str, int]]:
    """Interrupter, pole, position."""
    poles, each = LAYOUTS[n]
    return [(f"{chr(65 + p)}{i + 1}", chr(65 + p), i + 1) for p in range(poles) for i in range(each)]


def breaker_of(n: int) -> Breaker:
    """The breaker file's content, one mechanism for each pole."""
    units = tuple(Interrupter(i, p, k, p, f"U_{i}", f"I_{i}") for i, p, k in names(n))
    return Breaker("simulated", tuple(Mechanism(p) for p in sorted({u.pole for u in units})), units)


def healthy(
    n: int,
    rng: np.random.Generator,
    *,
    kinds: tuple[str, ...] = ("open", "close"),
    fixed: dict[str, float] | None = None,
) -> pd.DataFrame:
    """Features of one healthy breaker.

    Parameters
    ----------
    n : int
        Interrupters: 3, 4, 6, 12 or 24.
    rng : Generator
    kinds : tuple of str
        One operation each.
    fixed : dict, optional
        Features whose healthy scatter is not drawn but stated.
    """
    poles, each = LAYOUTS[n]
    fixed = fixed or {}
    own: dict[str, np.ndarray] = {}
    for feature in MIDDLE:
        prior = PRIORS[feature]
        drawn = prior.sd * np.sqrt(prior.dof / rng.chisquare(prior.dof))
        sd = fixed.get(feature, drawn)
        pole, place = np.repeat(rng.normal(size=poles), each), np.tile(rng.normal(size=each), poles)
        shares = (1.0, 0.0) if prior.of_pole else (prior.pole_share, prior.position_share)
        own[feature] = sd * (
            np.sqrt(shares[0]) * pole + np.sqrt(shares[1]) * place + np.sqrt(1 - sum(shares)) * rng.normal(size=n)
        )
    _mix(own)
    parts = []
    for number, kind in enumerate(kinds, 1):
        got = {f: own[f] + REPEAT[f] * rng.normal(size=n) for f in MIDDLE}
        columns: dict[str, object] = {
            "operation": number,
            "kind": kind,
            "interrupter": [i for i, _, _ in names(n)],
            "pole": [p for _, p, _ in names(n)],
            "position": [k for _, _, k in names(n)],
            "mechanism": [p for _, p, _ in names(n)],
            "reference": "coil",
            "quality": "",
            "current_a": 200.0,
        }
        for f, middle in MIDDLE.items():
            columns[f] = middle * np.exp(got[f]) if PRIORS[f].log else middle + got[f]
            columns[f + "_u"] = REPEAT[f] * (columns[f] if PRIORS[f].log else 1.0)
        parts.append(_derived(pd.DataFrame(columns), rng))
    return pd.concat(parts, ignore_index=True)


def _mix(own: dict[str, np.ndarray]) -> None:
    """A peak goes with the level and the roughness as far as the stated correlations (0.3 and 0.5) say."""
    peak, rough, level = (f"arcing_{x}_uohm" for x in ("resistance_peak", "roughness", "resistance"))
    sd = {f: PRIORS[f].sd for f in (peak, rough, level)}
    own[peak] = np.sqrt(1 - 0.3**2 - 0.5**2) * own[peak] + sd[peak] * (
        0.3 * own[level] / sd[level] + 0.5 * own[rough] / sd[rough]
    )


def _derived(t: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """What follows from the other features: arcing position, area, instants in time."""
    area = np.exp(0.02 * rng.normal(size=len(t)))
    position = t["main_contact_mm"] + t["arcing_wipe_mm"]
    pace = t["parting_speed_m_s"]
    return t.assign(
        arcing_contact_mm=position,
        arcing_contact_mm_u=0.07,
        arcing_area_uohm_mm=t["arcing_resistance_uohm"] * t["arcing_wipe_mm"] * area,
        main_contact_ms=14.0 + 1.6 * t["main_contact_mm"] / pace,
        arcing_contact_ms=14.0 + 1.6 * position / pace,
        arcing_contact_ms_u=0.03,
    )


def shorter(t: pd.DataFrame, mm: float, who: str = "B1") -> pd.DataFrame:
    """One arcing contact burnt back by `mm`: wipe and arcing position, and with them the area and the time."""
    out, bad = t.copy(), t["interrupter"] == who
    share = 1.0 - mm / out.loc[bad, "arcing_wipe_mm"]
    out.loc[bad, ["arcing_wipe_mm", "arcing_contact_mm"]] -= mm
    out.loc[bad, "arcing_area_uohm_mm"] *= share
    out.loc[bad, "arcing_contact_ms"] -= 1.6 * mm / out.loc[bad, "parting_speed_m_s"]
    return out


def higher(t: pd.DataFrame, share: float, who: str = "B1") -> pd.DataFrame:
    """One main contact higher in resistance by `share`."""
    out = t.copy()
    out.loc[t["interrupter"] == who, "main_resistance_uohm"] *= 1.0 + share
    return out


def slower(t: pd.DataFrame, share: float, pole: str = "B") -> pd.DataFrame:
    """One pole's mechanism slower by `share`: speed and every instant counted in time."""
    out, bad = t.copy(), t["pole"] == pole
    out.loc[bad, "parting_speed_m_s"] *= 1.0 - share
    for column in ("main_contact_ms", "arcing_contact_ms"):
        out.loc[bad, column] = 14.0 + (out.loc[bad, column] - 14.0) / (1.0 - share)
    return out
