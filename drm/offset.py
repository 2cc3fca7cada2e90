"""Offset of a voltage channel, from a stretch of the record without current and without a source's voltage."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drm.hum import fit_hum
from drm.median import medians, nanmedian

__all__ = ["idle_stretch", "offset_of"]

FloatArray = NDArray[np.float64]

#: Blocks that are looked at, s; share of the injected current that counts as none.
BLOCK_S, IDLE_SHARE = 2e-3, 3e-3


def idle_stretch(
    time_s: FloatArray, voltage: FloatArray, current: FloatArray, *, injected_a: float, largest_v: float
) -> slice | None:
    """Longest stretch with neither current through the contact nor a source's voltage across it; None without one.

    A parted contact with the source on shows volts, a closed one with the source off shows nothing, and both carry no
    current: only what stays within `largest_v` can be the channel's own offset.

    Parameters
    ----------
    time_s, voltage, current : ndarray, shape (n,)
        The last two in any unit, that of `largest_v` and that of `injected_a`.
    """
    if time_s.size < 16:
        return None
    size = max(8, round(BLOCK_S / (float(time_s[-1] - time_s[0]) / (time_s.size - 1))))
    blocks = time_s.size // size
    if blocks < 3:
        return None
    amps = current[: blocks * size].reshape(blocks, size)
    quiet = np.abs(amps.mean(axis=1)) < IDLE_SHARE * injected_a
    if not bool(quiet.any()):
        return None
    volts = voltage[: blocks * size].reshape(blocks, size)
    quiet[quiet] = np.abs(medians(volts[quiet])) < largest_v
    edge = np.flatnonzero(np.diff(np.concatenate([[False], quiet, [False]]).astype(np.int8)))
    if edge.size == 0:
        return None
    # The blocks at both ends may hold the last of the current or of the voltage.
    lengths = edge[1::2] - edge[::2] - 2
    k = int(np.argmax(lengths))
    if lengths[k] < 1:
        return None
    return slice((int(edge[2 * k]) + 1) * size, (int(edge[2 * k + 1]) - 1) * size)


def offset_of(
    time_s: FloatArray,
    voltage: FloatArray,
    current: FloatArray,
    *,
    injected_a: float,
    largest_v: float,
    frequency_hz: float,
    resolution_v: float = 0.0,
) -> tuple[float, float]:
    """Offset of the voltage channel and its standard uncertainty; NaN where the record has no stretch to tell it.

    The mean over the idle stretch with the hum taken out of it; a drift between its halves counts as uncertainty.
    A stretch shorter than a period of the hum tells nothing.

    Parameters
    ----------
    time_s, voltage, current : ndarray, shape (n,)
        The whole record's, in any unit: that of `largest_v`, `resolution_v` and the result, and that of `injected_a`.
    """
    found = idle_stretch(time_s, voltage, current, injected_a=injected_a, largest_v=largest_v)
    if found is None or float(time_s[found.stop - 1] - time_s[found.start]) * frequency_hz < 1.0:
        return math.nan, math.nan
    t, v = time_s[found], voltage[found]
    # Half a second says it as well as more does, and a line's frequency holds over it.
    longest = int(0.5 / (float(t[-1] - t[0]) / (t.size - 1)))
    t, v = t[:longest], v[:longest]
    got = fit_hum(t, v, np.ones_like(v), frequency_hz=frequency_hz, resolution_v=resolution_v)
    left = v - got.at(t)
    half = left.size // 2
    drift = 0.5 * abs(nanmedian(left[:half]) - nanmedian(left[half:]))
    return got.resistance_ohm, math.hypot(got.resistance_u_ohm, drift)
