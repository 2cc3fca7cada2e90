"""Read a COMTRADE pair: ``.cfg`` and ``.dat``, whichever of the two is given."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drm.errors import RecordError
from drm.readers import comtrade_cfg, comtrade_clock, comtrade_dat
from drm.readers.comtrade_cfg import Configuration
from drm.readers.comtrade_channels import Analog
from drm.readers.files import beside, decode, digest, load
from drm.record import Channel, Record
from drm.units import canonical

__all__ = ["assemble", "read", "sniff"]

FloatArray = NDArray[np.float64]

_COUNTS = re.compile(r"^[^\r\n]*(\r\n|\n|\r)\s*[\d.]+\s*,\s*[\d.]+\s*[AaDd]\s*,\s*[\d.]+\s*[AaDd]\s*(\r|\n|$)")

# Codes that each format can hold; ASCII has no bound of its own.
_CODES = {"BINARY": (-32767.0, 32767.0), "BINARY32": (-2147483647.0, 2147483647.0)}


def sniff(path: Path, head: bytes) -> bool:
    """Whether the second line counts analog and status channels, or this is the data beside such a file."""
    if path.suffix.lower() == ".dat":
        return beside(path, ".cfg") is not None
    return bool(_COUNTS.match(decode(head)[0]))


def read(path: Path) -> Record:
    """Read the pair that `path` belongs to.

    Raises
    ------
    RecordError
        If one of the two is missing, or they cannot be read without guessing.
    """
    is_data = path.suffix.lower() == ".dat"
    cfg_path = beside(path, ".cfg") if is_data else path
    dat_path = path if is_data else beside(path, ".dat")
    if cfg_path is None or dat_path is None:
        lacking = ".cfg" if cfg_path is None else ".dat"
        raise RecordError(f"no {lacking} file of the same name beside it", path=path, mend="copy both files")
    cfg_bytes, dat_bytes = load(cfg_path), load(dat_path)
    hashes = {cfg_path.name: digest(cfg_bytes), dat_path.name: digest(dat_bytes)}
    text, flag = decode(cfg_bytes)
    cfg = comtrade_cfg.parse(text, path=str(cfg_path))
    return assemble(cfg, dat_bytes, cfg_path, dat_path, hashes, flag)


def assemble(
    cfg: Configuration, content: bytes, cfg_path: Path, dat_path: Path, hashes: dict[str, str], *flags: str
) -> Record:
    """Record of a parsed configuration and the bytes of its data."""
    if not cfg.analog and not cfg.digital:
        raise RecordError("it has no channels", path=cfg_path, place="line 2", mend="export the record again")
    data = comtrade_dat.parse(content, cfg, path=dat_path)
    time_s, clock = comtrade_clock.instants(data, cfg, path=dat_path)
    decided: list[str] = []
    channels = [_channel(c, code, cfg, dat_path, decided) for c, code in zip(cfg.analog, data.analog, strict=True)]
    for status, state in zip(cfg.digital, data.digital, strict=True):
        wrong = np.flatnonzero(~(np.isnan(state) | (state == 0) | (state == 1)))
        if wrong.size:
            place = f"sample {int(wrong[0]) + 1}, channel '{status.name}'"
            what = f"the state {state[wrong[0]]:g} is neither 0 nor 1"
            raise RecordError(what, path=dat_path, place=place, mend="check that .cfg and .dat belong together")
        channels.append(Channel(status.name, "", state, digital=True, phase=status.phase, component=status.component))
    names = [c.name for c in channels]
    doubled = sorted({n for n in names if names.count(n) > 1})
    if doubled:
        decided.append(f"several channels are called {', '.join(repr(n) for n in doubled[:5])}; all are kept")
    return Record(
        name=cfg_path.stem,
        path=str(cfg_path),
        time_s=time_s,
        channels=tuple(channels),
        frequency_hz=cfg.frequency_hz,
        start=cfg.start,
        flags=tuple(f for f in (*flags, *cfg.flags, *data.flags, *clock, *decided) if f),
        sha256=hashes,
    )


def _channel(c: Analog, code: FloatArray, cfg: Configuration, dat_path: Path, decided: list[str]) -> Channel:
    ratio = _ratio(c, decided)
    integers = cfg.data_format != "FLOAT32"
    if cfg.data_format == "ASCII" and not bool((np.isnan(code) | (code == np.rint(code))).all()):
        integers = False
        decided.append(f"channel '{c.name}': fractions where codes belong, read as they are")
    with np.errstate(over="ignore", invalid="ignore"):
        # In place: new memory costs more than the sums.
        samples = c.a * code
        samples += c.b
        samples *= ratio
    if not np.isfinite(samples).all() and (np.isinf(samples).any() or (np.isnan(samples) & ~np.isnan(code)).any()):
        what = f"multiplier {c.a:g} and offset {c.b:g} give values without bound"
        raise RecordError(what, path=dat_path, place=f"channel '{c.name}'", mend="mend the configuration")
    return Channel(
        name=c.name,
        unit=canonical(c.unit),
        samples=samples,
        skew_s=c.skew_s,
        phase=c.phase,
        resolution=abs(c.a * ratio) if integers else 0.0,
        limits=_limits(c, code, cfg, ratio),
        component=c.component,
    )


def _ratio(c: Analog, decided: list[str]) -> float:
    """Factor to the primary side, which is the breaker's own.

    A channel marked P already holds primary values, whatever its ratio (injection sets write 1,1,P). One marked S
    holds what the instrument saw behind a transformer, clamp or shunt: it is multiplied by primary over secondary.
    """
    if c.side == "P" or c.primary == c.secondary != 0:
        return 1.0
    if c.primary <= 0 or c.secondary <= 0:
        decided.append(f"channel '{c.name}': secondary values with ratio {c.primary:g}:{c.secondary:g}, left unscaled")
        return 1.0
    decided.append(f"channel '{c.name}': secondary values, multiplied by {c.primary:g}/{c.secondary:g}")
    return c.primary / c.secondary


def _limits(c: Analog, code: FloatArray, cfg: Configuration, ratio: float) -> tuple[float, float]:
    """Least and greatest value: as stated where the data keeps to it, else what the format can hold."""
    least, greatest = _CODES.get(cfg.data_format, (-np.inf, np.inf))
    low, high = max(c.low, least), min(c.high, greatest)
    # Seldom is anything missing, and to leave it out takes longer than all the rest.
    seen = code if code.size and np.isfinite((code.min(), code.max())).all() else code[np.isfinite(code)]
    if low >= high or (seen.size and (seen.min() < low or seen.max() > high)):
        low, high = least, greatest
    if not np.isfinite(low) or c.a == 0:
        return -np.inf, np.inf
    ends = sorted(((c.a * low + c.b) * ratio, (c.a * high + c.b) * ratio))
    return ends[0], ends[1]
