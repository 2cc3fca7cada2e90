"""Impulses told from true part-separations: what no contact can do is masked, what one might do is left.

At rest and while the main contact carries the current any lone spike is an impulse: the arcing contact lies beside the
main one, and both do not let go for a sample. In the arcing zone a lone rise may be a momentary part-separation and
stays. What falls below any contact's drop, further than the sense loop could induce from the current's slope, is none;
nor is a rise right beside it, as impulses of both signs come from couplings and filters.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drm.denoise import THRESHOLD, impulses, noise_sigma
from drm.median import medians, nanmedian
from drm.resistance import METALLIC_VOLT

__all__ = ["main_zone_end", "stray_samples"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: The main contact carries the current while medians over so long, s, stay below so many times the closed level.
BLOCK_S, LEAVES = 0.5e-3, 1.5
#: Inductance that a sense loop has at the most, H: twice that of a loop of a metre or two.
LARGEST_H = 2e-6
#: Samples over which a filter spreads what a touch induces; samples that tell a level as well as all of them.
BESIDE, ENOUGH = 3, 2000


def main_zone_end(
    voltage_v: FloatArray, current_a: FloatArray, first: int, *, closed_ohm: float, sigma_v: float, step_s: float
) -> int:
    """First sample, in order of opening, at which the level has left that of the closed main contact.

    Medians over half a millisecond leave it twice in a row; one such block is kept clear before it.

    Parameters
    ----------
    voltage_v, current_a : ndarray, shape (n,)
        In order of opening.
    first : int
        Last sample known to be at rest.
    closed_ohm, sigma_v, step_s : float
        Closed resistance, noise, sampling interval.
    """
    size = max(8, round(BLOCK_S / step_s))
    flowing = np.flatnonzero(current_a[first:] > 0.1 * float(np.nanmax(current_a)))
    # What follows the last of the current is not looked at: there the contact has parted, or the source is off.
    blocks = (min(int(flowing[-1]) + 3 * size, voltage_v.size - first) if flowing.size else 0) // size
    if blocks < 2:
        return first
    part = slice(first, first + blocks * size)
    v = np.where(np.isfinite(voltage_v[part]), voltage_v[part], 0.0).reshape(blocks, size)
    i = np.where(np.isfinite(current_a[part]), current_a[part], 0.0).reshape(blocks, size)
    level, amps = medians(v), medians(i)
    left = level > LEAVES * closed_ohm * np.maximum(amps, 0.0) + 4.0 * sigma_v / np.sqrt(size)
    left |= amps < 0.1 * float(np.max(amps))
    twice = np.flatnonzero(left & np.concatenate([left[1:], [True]]))
    return first + (max(int(twice[0]) - 1, 0) if twice.size else blocks) * size


def stray_samples(
    voltage_v: FloatArray,
    current_a: FloatArray,
    rest: slice,
    *,
    kind: str,
    closed_ohm: float,
    sigma_v: float,
    step_s: float,
) -> BoolArray:
    """Samples of the voltage that no contact can have made.

    Parameters
    ----------
    voltage_v, current_a : ndarray, shape (n,)
        Polarity positive, hum removed.
    rest : slice
        Closed and at rest.
    kind : {'open', 'close'}
    closed_ohm, sigma_v, step_s : float
        Closed resistance, noise of the voltage, sampling interval.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    out = np.zeros(voltage_v.size, dtype=np.bool_)
    order = slice(None) if kind == "open" else slice(None, None, -1)
    v, i = voltage_v[order], current_a[order]
    first = rest.stop if kind == "open" else v.size - rest.start
    end = main_zone_end(v, i, first, closed_ohm=closed_ohm, sigma_v=sigma_v, step_s=step_s)
    turned = out[order]
    if end > first:
        # A sliding contact is rougher than one at rest: its own scatter counts.
        local = max(sigma_v, noise_sigma(v[first:end]))
        turned[first:end] = impulses(v[first:end], sigma=local)
    metal = (v < METALLIC_VOLT) & (i > 0.1 * np.nanmax(i))
    slope = np.abs(np.diff(i, prepend=i[:1])) / step_s
    slope = np.maximum(slope, np.concatenate([slope[1:], [0.0]]))
    below = 0.5 * closed_ohm * i - 6.0 * sigma_v - LARGEST_H * slope
    dip = metal & (v < below)
    dip[:end] = False
    if bool(dip.any()):
        # Only lone ones: what lasts is the record's own doing, and the zones must see it.
        dip &= impulses(v, sigma=sigma_v)
        depth = np.where(dip, closed_ohm * i - v, 0.0)
        depth = np.maximum(np.concatenate([depth[1:], [0.0]]), np.concatenate([[0.0], depth[:-1]]))
        # An impulse of both signs is of one size, and the current knows nothing of it: a part-separation beside a dip
        # would tower over it, or move the current.
        size = np.maximum(sigma_v, 0.4 * depth / THRESHOLD)
        rise = impulses(v, sigma=size) & (v - closed_ohm * i < 3.0 * depth) & (LARGEST_H * slope < 0.2 * depth)
        turned |= (dip | rise) & ~_beside_a_loop(v, i)
    return out


def _beside_a_loop(v: FloatArray, i: FloatArray) -> BoolArray:
    """Samples within `BESIDE` of the parted level where an earth loop holds the current.

    There the contact's current begins and ends without the recorded one, and the sense loop induces what looks like an
    impulse at every touch of a bounce.
    """
    tail = slice(-min(max(8, v.size // 200), ENOUGH), None)
    level = nanmedian(v[tail])
    if not nanmedian(i[tail]) > 0.5 * float(np.nanmax(i)):
        return np.zeros(v.size, dtype=np.bool_)
    with np.errstate(invalid="ignore"):
        parted = v > 0.5 * level
    return np.convolve(parted, np.ones(2 * BESIDE + 1), mode="same") > 0.5
