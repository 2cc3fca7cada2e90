"""The four records with known truth read as their README says; names, hashes and states too."""

from __future__ import annotations

import hashlib
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

import drm.readers

RECORDS = Path(__file__).parent / "data" / "records"


@pytest.mark.parametrize(
    ("folder", "file", "channels", "states", "samples", "rate"),
    [
        ("open-close-open", "record.cfg", 39, 6, 20000, 20e3),
        ("open-100A-csv", "record.csv", 39, 6, 2500, 10e3),
        ("close-two-per-pole", "record.cfg", 27, 6, 5000, 20e3),
        ("series-injection", "record.dat", 24, 6, 5000, 20e3),
    ],
)
def test_counts_length_and_rate(folder: str, file: str, channels: int, states: int, samples: int, rate: float) -> None:
    record = drm.readers.read(str(RECORDS / folder / file))
    assert len(record.channels) == channels
    assert sum(c.digital for c in record.channels) == states
    assert record.time_s.shape == (samples,)
    assert record.sample_rate_hz == pytest.approx(rate)
    assert record.flags == ()
    assert all(np.isfinite(c.samples).all() for c in record.channels)
    assert 100 < np.ptp(record.channel("TRV_A").values("mm")) < 200


def test_frequency_start_and_hashes_of_both_files() -> None:
    folder = RECORDS / "open-close-open"
    record = drm.readers.read(folder / "record.dat")
    assert (record.frequency_hz, record.start) == (50.0, datetime(2026, 3, 14, 9, 12))
    assert record.path == str(folder / "record.cfg")
    assert record.sha256 == {
        name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in ("record.cfg", "record.dat")
    }


def test_step_and_limits_of_integer_codes() -> None:
    channel = drm.readers.read(RECORDS / "open-close-open" / "record.cfg").channel("U_A1")
    assert channel.resolution == 5e-9
    assert channel.limits == pytest.approx((-5e-9 * 2147483647, 5e-9 * 2147483647))
