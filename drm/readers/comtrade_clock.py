"""Sampling instants of a COMTRADE record: from its rates, or from its timestamps where it has none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drm.errors import RecordError
from drm.readers.comtrade_cfg import Configuration
from drm.readers.comtrade_dat import Data

__all__ = ["instants"]

FloatArray = NDArray[np.float64]

# Where counters wrap: 32 bits, 31 bits, and the ten, nine and eight digits that recorders print.
_WRAPS = (2.0**32, 2.0**31, 1e10, 1e9, 1e8)


def instants(data: Data, cfg: Configuration, *, path: Path) -> tuple[FloatArray, list[str]]:
    """Sampling instants in s from the first sample, strictly increasing, and which clock they are from.

    A rate in the configuration is preferred, as the standard has it; timestamps serve where the rate is 0.

    Returns
    -------
    time_s : ndarray, shape (n,)
    flags : list of str

    Raises
    ------
    RecordError
        If neither rate nor timestamps give instants that increase.
    """
    if not cfg.rates or any(rate == 0 for rate, _ in cfg.rates):
        return _from_stamps(data, cfg, path)
    index, flags = _index(data, cfg, path)
    time_s = np.zeros(index.size)
    start, begin = 0, 0.0
    for k, (rate, last) in enumerate(cfg.rates):
        inside = (index >= start) & (index < last)
        with np.errstate(over="ignore"):
            time_s[inside] = begin + (index[inside] - start) / rate
        if k + 1 < len(cfg.rates):
            # The step across a change of rate is that of the sample before it.
            begin, start = begin + (last - start) / rate, last
    if len(cfg.rates) > 1:
        text = ", ".join(f"{rate:g} Hz to sample {last}" for rate, last in cfg.rates)
        flags.append(f"clock: {len(cfg.rates)} rates ({text}), each change at the end of an interval of the earlier")
    if not (np.isfinite(time_s).all() and (np.diff(time_s) > 0).all()):
        raise RecordError("the rate gives no instants that can be told apart", path=path, mend="mend the rate")
    return time_s - time_s[0], [*flags, *_disagreement(data, cfg, time_s)]


def _index(data: Data, cfg: Configuration, path: Path) -> tuple[NDArray[np.int64], list[str]]:
    """Place of each sample on the grid, from 0: its number where samples were left out, else its count."""
    n = data.number.size
    count = np.arange(n)
    number = data.number
    if np.isnan(number).any():
        return count, ["sample numbers are missing; samples were counted"]
    place = number - number[0]
    flags = [f"sample numbers begin at {number[0]:.0f}"] if number[0] != 1 else []
    if np.array_equal(place, count):
        return count, flags
    total = min(cfg.rates[-1][1], 2**53)  # beyond it floats no longer tell numbers apart
    if (np.diff(place) >= 1).all() and (place == np.rint(place)).all() and place[-1] < total:
        left = int(place[-1]) + 1 - n
        at = int(np.flatnonzero(np.diff(place) > 1)[0])
        text = f"sample numbers: {left} left out, the first after number {number[at]:.0f}; time follows the numbers"
        return place.astype(np.int64), [*flags, text]
    steps = np.diff(place)
    if steps.any() and np.mean(steps == steps[0]) < 0.5:
        what = "the sample numbers make no sequence, so the data does not fit the configuration"
        raise RecordError(what, path=path, mend="check that both files belong together, and the channel counts")
    return count, [*flags, "sample numbers are not consecutive; samples were counted"]


def _disagreement(data: Data, cfg: Configuration, time_s: FloatArray) -> list[str]:
    """Say so where the timestamps tell another duration than the rate by more than a sample and one count."""
    stamps = data.stamp * cfg.stamp_s
    if time_s.size < 2 or np.isnan(stamps).any() or not (np.diff(stamps) >= 0).all() or stamps[-1] == stamps[0]:
        return []
    told, used = stamps[-1] - stamps[0], time_s[-1] - time_s[0]
    if abs(told - used) <= float(np.diff(time_s).max()) + 2 * cfg.stamp_s:
        return []
    return [f"clock: timestamps tell {told:.6g} s and the rate {used:.6g} s; the rate was used"]


def _from_stamps(data: Data, cfg: Configuration, path: Path) -> tuple[FloatArray, list[str]]:
    stamps = data.stamp.copy()
    missing = np.flatnonzero(np.isnan(stamps))
    if missing.size:
        place = f"sample {int(missing[0]) + 1}"
        raise RecordError("no rate, and a timestamp is missing", path=path, place=place, mend="state the rate")
    flags = [f"clock: no rate, taken from the timestamps of {cfg.stamp_s * 1e6:g} µs"]
    steps = np.diff(stamps)
    forward = steps[steps > 0]
    usual = float(np.median(forward)) if forward.size else 0.0
    for i in np.flatnonzero(steps < 0):
        wrap = next((w for w in _WRAPS if 0 < steps[i] + w <= 10 * usual), 0.0)
        if wrap:
            stamps[i + 1 :] += wrap
            flags.append(f"clock: timestamps wrap after sample {i + 1}")
    back = np.flatnonzero(np.diff(stamps) <= 0)
    if back.size:
        place = f"sample {int(back[0]) + 2}"
        raise RecordError("no rate, and the timestamps do not increase", path=path, place=place, mend="state the rate")
    time_s = (stamps - stamps[0]) * cfg.stamp_s
    if not (np.isfinite(time_s).all() and (np.diff(time_s) > 0).all()):
        raise RecordError("the timestamp multiplier gives no instants", path=path, mend="mend the multiplier")
    return time_s, flags
