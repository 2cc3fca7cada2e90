"""The breaker that a simulated record is of, as its file would describe it."""

from __future__ import annotations

import numpy as np

from drm.breaker import Breaker, Conditions, Interrupter, Mechanism, TravelSensor
from drm.synthetic.mechanical import angle
from drm.synthetic.scenario import Scenario
from drm.synthetic.wiring import current_channel

__all__ = ["breaker_of"]


def _curve(s: Scenario) -> tuple[tuple[float, float], ...]:
    """The rotary sensor's table, every 4 % of the stroke and past both ends, where overtravel goes."""
    share = np.linspace(-0.12, 1.12, 32)
    turned = angle(share, s.chain.travel_sign).tolist()
    return tuple(sorted(zip(turned, (s.motion.stroke_mm * share).tolist(), strict=True)))


def _sensor(s: Scenario, pole: str) -> TravelSensor | None:
    if s.chain.travel == "none":
        return None
    if s.chain.travel == "rotary":
        return TravelSensor(f"TRV_{pole}", None, _curve(s))
    return TravelSensor(f"TRV_{pole}", 1.0)


def breaker_of(s: Scenario) -> Breaker:
    """Poles, interrupters, mechanisms and the channels that record them."""
    mechanisms = tuple(
        Mechanism(
            p,
            _sensor(s, p),
            f"TC_{p}" if s.has_coil("O") else None,
            f"CC_{p}" if s.has_coil("C") else None,
            f"M_{p}" if s.motor.recorded else None,
            {"a": f"AUX_{p}_a", "b": f"AUX_{p}_b"},
            f"UTC_{p}" if s.coil.voltage_recorded and s.has_coil("O") else None,
            f"UCC_{p}" if s.coil.voltage_recorded and s.has_coil("C") else None,
            f"UM_{p}" if s.motor.recorded and s.motor.voltage_recorded else None,
        )
        for p in s.poles
    )
    units = tuple(
        Interrupter(
            f"{p}{i}",
            p,
            i,
            p,
            f"U_{p}{i}",
            current_channel(s, f"{p}{i}"),
            f"STATE_{p}{i}" if s.chain.contact_states else None,
            f"RES_{p}{i}" if s.chain.contact_states and s.contact.resistor_ohm > 0.0 else None,
            s.contact.resistor_ohm if s.contact.resistor_ohm > 0.0 else None,
        )
        for p in s.poles
        for i in range(1, s.interrupters_per_pole + 1)
    )
    earthed = s.injection.earth_loop_mohm > 0.0
    # Contacts at the 20 °C to which resistances are referred need not be stated.
    ambient = s.contact.temperature_c if s.contact.temperature_c != 20.0 else None
    return Breaker(s.name, mechanisms, units, s.frequency_hz, conditions=Conditions(ambient, earthed))
