"""The simulated injection obeys the laws of circuits and of contacts."""

from __future__ import annotations

import numpy as np
import pytest

from drm.synthetic.circuit import solve
from drm.synthetic.scenario import Injection

STEP = 6.25e-6


def steady(ohm: float, loop_mohm: float) -> float:
    got = solve(np.full((1, 100), ohm), np.ones((1, 100), dtype=bool), STEP, Injection(earth_loop_mohm=loop_mohm))
    return float(got.voltage_v[0, -1] / got.current_a[-1])


# R Rp / (R + Rp) with Rp = 5 mohm: circuit law, computed.
@pytest.mark.parametrize(("ohm", "reads"), [(50e-6, 49.50), (500e-6, 454.5), (1000e-6, 833.3)])
def test_an_earth_loop_makes_the_contact_read_less(ohm, reads):
    assert steady(ohm, 5.0) * 1e6 == pytest.approx(reads, abs=0.05)
    assert steady(ohm, 0.0) == pytest.approx(ohm, rel=1e-12)


def parting(injection: Injection, units: int = 1):
    metal = np.ones((units, 4000), dtype=bool)
    metal[0, 400:] = False
    for k in range(1, units):
        metal[k, 430:] = False
    return metal, solve(np.full(metal.shape, 250e-6), metal, STEP, injection)


def test_the_nominal_current_flows_before_parting_and_none_long_after():
    injection = Injection(current_a=200.0)
    _, got = parting(injection)
    assert got.current_a[399] == pytest.approx(200.0, rel=1e-12)
    assert got.current_a[-1] == 0.0
    assert got.voltage_v[0, -1] == injection.limit_v


def test_an_arc_drops_at_least_its_least_voltage():
    injection = Injection()
    _, got = parting(injection)
    burning = (np.arange(4000) >= 400) & (got.current_a > 0.0)
    assert burning.sum() > 20
    assert got.voltage_v[0, burning].min() >= injection.arc_v


def test_no_arc_burns_below_the_least_current():
    injection = Injection(least_arc_a=20.0)
    _, got = parting(injection)
    flowing = got.current_a[(np.arange(4000) >= 400) & (got.current_a > 0.0)]
    assert flowing.min() > 0.5 * injection.least_arc_a


def test_a_parted_contact_reads_the_earth_loop():
    _, got = parting(Injection(earth_loop_mohm=5.0))
    assert got.voltage_v[0, -1] / got.current_a[-1] == pytest.approx(5e-3, rel=1e-9)
    assert got.contact_a[-1] == 0.0


@pytest.mark.parametrize("loop", [0.0, 5.0])
def test_current_is_conserved(loop):
    _, got = parting(Injection(earth_loop_mohm=loop), 2)
    beside = got.voltage_v.sum(axis=0) / (loop * 1e-3) if loop else 0.0
    np.testing.assert_allclose(got.contact_a + beside, got.current_a, atol=1e-6)


def test_energy_of_the_leads_goes_into_the_arc_and_the_rest_of_the_loop():
    # Integral of source power less losses is the change of L i^2 / 2.
    injection = Injection(lead_uh=50.0)
    _, got = parting(injection)
    i, v = got.current_a, got.voltage_v[0]
    inside = np.flatnonzero((np.arange(4000) >= 400) & (i > 0.0))
    before = i[399]
    source = injection.limit_v * i[inside]
    lost = (injection.lead_mohm * 1e-3 * i[inside] + v[inside]) * i[inside]
    change = 0.5 * injection.lead_uh * 1e-6 * (i[inside[-1]] ** 2 - before**2)
    assert np.sum(source - lost) * STEP == pytest.approx(change, rel=0.03)


def test_one_current_flows_through_interrupters_in_series():
    _, got = parting(Injection(series=True), 2)
    np.testing.assert_allclose(got.voltage_v[:, 100], got.current_a[100] * 250e-6)
    # While only the first has parted, the second still drops its resistance times the common current.
    assert got.voltage_v[1, 410] == pytest.approx(got.current_a[410] * 250e-6)
    assert got.voltage_v[0, 410] > 13.0


def test_the_source_closes_on_to_its_nominal_current():
    metal = np.zeros((1, 4000), dtype=bool)
    metal[0, 400:] = True
    got = solve(np.full((1, 4000), 50e-6), metal, STEP, Injection())
    assert got.current_a[399] == 0.0
    assert np.all(np.diff(got.current_a) >= -1e-9)
    assert got.current_a[-1] == pytest.approx(200.0, rel=1e-9)
