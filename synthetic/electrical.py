"""The recorded voltages and injected currents."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drm.record import Channel
from drm.synthetic import chain
from drm.synthetic.errors import Drawn
from drm.synthetic.scenario import Scenario
from drm.synthetic.wiring import Wired, current_channel

__all__ = ["channel", "electrical"]

FloatArray = NDArray[np.float64]


def channel(name: str, unit: str, x: FloatArray, full: float, bits: int, skew_s: float = 0.0) -> Channel:
    """A channel of a converter of `bits` over ±`full`, which states its step and its limits."""
    step = 2.0 * full / 2**bits
    return Channel(
        name, unit, chain.quantised(x, full, bits), skew_s=skew_s, resolution=step, limits=(-full, full - step)
    )


def _exchanged(names: tuple[str, ...], pair: tuple[str, ...]) -> dict[str, str]:
    """Name -> whose signal it shows."""
    source = {n: n for n in names}
    if pair:
        source[pair[0]], source[pair[1]] = pair[1], pair[0]
    return source


def _held(fine: FloatArray, breaks: int, rng: np.random.Generator) -> FloatArray:
    """1 where a loose clamp holds, 0 while it has let go: some tenths of a millisecond each time, shape (n,)."""
    out = np.ones_like(fine)
    for _ in range(breaks):
        begin = rng.uniform(fine[0], fine[-1])
        out[(fine >= begin) & (fine < begin + rng.uniform(1e-4, 8e-4))] = 0.0
    return out


def electrical(
    s: Scenario,
    fine: FloatArray,
    at: FloatArray,
    wired: Wired,
    drawn: Drawn,
    coupled_v: FloatArray,
    rng: np.random.Generator,
    extra: np.random.Generator,
) -> list[Channel]:
    """Channels of voltage and current.

    Parameters
    ----------
    fine, at : ndarray
        Clock of the simulation, and of the recorder, s.
    wired : Wired
    drawn : Drawn
    coupled_v : ndarray, shape (n,)
        What coils and motors induce in the nearest voltage lead, on the clock `fine`; others have less of it.
    rng, extra : numpy.random.Generator
        For what every scenario has, and for what was added later: old scenarios keep their noise.
    """
    c, setup, rate = s.chain, s.setup, s.chain.sample_rate_hz * s.chain.oversampling
    out, skew = [], 1e-6 * c.skew_us
    source = _exchanged(s.interrupters, setup.leads_exchanged)
    count = c.impulses + round(c.impulses_per_s * 1e-3 * s.length_ms)
    step = 2.0 * c.voltage_range_v / 2**c.bits
    for name in s.interrupters:
        seen = wired.voltage_v[source[name]]
        if coupled_v.any():
            seen = seen + extra.uniform(0.5, 1.0) * coupled_v
        if name in setup.loose_clamp:
            seen = seen * _held(fine, setup.loose_breaks, extra)
        late = skew + drawn.skew_s[name] + (1e-6 * setup.late_us if name in setup.late else 0.0)
        x = chain.sampled(chain.filtered(seen, c.filter_hz, rate), fine, at + late)
        x = -x if name in setup.reversed else x
        x = np.zeros_like(x) if name in setup.lead_off else x
        x = x + chain.hum(at + skew, 1e-3 * c.hum_mv, s.frequency_hz, rng)
        x = chain.impulses(x, count, 0.2 * c.voltage_range_v, rng)
        x = x + 1e-3 * c.voltage_noise_mv * rng.standard_normal(at.size)
        x = drawn.voltage_gain[name] * x + drawn.offset_v[name] + 1e-6 * c.offset_uv
        if c.dither_lsb > 0.0:
            x = x + step * c.dither_lsb * extra.triangular(-1.0, 0.0, 1.0, at.size)
        out.append(channel(f"U_{name}", "V", x, c.voltage_range_v, c.bits, skew))
    pair = tuple(current_channel(s, n) for n in setup.currents_exchanged)
    source = _exchanged(tuple(wired.current_a), pair)
    scaled = {current_channel(s, n) for n in setup.scaled}
    for name in wired.current_a:
        seen = chain.filtered(wired.current_a[source[name]], c.filter_hz, rate)
        x = chain.sampled(seen, fine, at - 1e-6 * setup.currents_late_us)
        x = x + c.current_noise_a * rng.standard_normal(at.size)
        x = x * drawn.current_gain[name] * (setup.scale_factor if name in scaled else 1.0)
        out.append(channel(name, "A", x, c.current_range_a, c.bits))
    return out
