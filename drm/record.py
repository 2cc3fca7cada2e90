"""A record: sampled channels of one file, frozen, in the units of the file."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from drm.errors import RecordError, nearest
from drm.units import factor

__all__ = ["Channel", "Record"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Channel:
    """One sampled channel.

    Attributes
    ----------
    name : str
        Name as the record gives it.
    unit : str
        Canonical unit (see :mod:`drm.units`), empty where the record has none.
    samples : ndarray, shape (n,)
        Values in `unit`; NaN where the record says that the sample is missing.
    digital : bool
        True for a state channel (0 or 1).
    skew_s : float
        Offset of this channel's sampling instants from the record's clock.
    phase : str
        Phase or pole field of the record, may be empty.
    resolution : float
        Step of quantisation in `unit`; 0 where unknown.
    limits : tuple of float
        Least and greatest value that the channel can hold; infinite where unknown.
    component : str
        Component that is monitored, as the record's field of that name says; may be empty.
    """

    name: str
    unit: str
    samples: FloatArray
    digital: bool = False
    skew_s: float = 0.0
    phase: str = ""
    resolution: float = 0.0
    limits: tuple[float, float] = (-np.inf, np.inf)
    component: str = ""

    def values(self, unit: str) -> FloatArray:
        """Samples converted to `unit`.

        Raises
        ------
        RecordError
            If the channel's own unit is not one of the same kind.
        """
        return self.samples * factor(self.unit, unit, channel=self.name)


@dataclass(frozen=True, eq=False)
class Record:
    """Sampled channels of one file.

    Attributes
    ----------
    name : str
        Stem of the file.
    path : str
        The file read (for COMTRADE the configuration file).
    time_s : ndarray, shape (n,)
        Sampling instants from the first sample, strictly increasing.
    channels : tuple of Channel
        In the order of the file; each of shape (n,).
    frequency_hz : float
        Line frequency as the record states it; NaN where it does not.
    start : datetime or None
        Instant of the first sample by the recorder's clock.
    flags : tuple of str
        What the reader had to decide, in words (encoding, clock, short data).
    sha256 : dict
        File name -> hash of each file read.
    """

    name: str
    path: str
    time_s: FloatArray
    channels: tuple[Channel, ...]
    frequency_hz: float = float("nan")
    start: datetime | None = None
    flags: tuple[str, ...] = ()
    sha256: dict[str, str] = field(default_factory=dict)

    @cached_property
    def sample_rate_hz(self) -> float:
        """Median sampling rate."""
        return float(1.0 / np.median(np.diff(self.time_s))) if self.time_s.size > 1 else float("nan")

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the channels in the order of the file."""
        return tuple(c.name for c in self.channels)

    def channel(self, name: str) -> Channel:
        """The channel called `name`; refuses an unknown or ambiguous one."""
        found = [c for c in self.channels if c.name == name]
        if len(found) == 1:
            return found[0]
        if found:
            raise RecordError(f"{len(found)} channels are called '{name}'", path=self.path, mend="rename all but one")
        raise RecordError(f"no channel is called '{name}'", path=self.path, mend=nearest(name, self.names))
