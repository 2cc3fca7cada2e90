"""Stated uncertainties of the features against draws of their inputs, what they share, and the laws they obey."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from drm.features.observation import Observation
from drm.features.registry import FEATURES, covariances, quantities
from drm.quantity import Quantity
from drm.uncertainty import correlation, covariance

FloatArray = NDArray[np.float64]
START_S, RATE_HZ = 0.02, 20e3
#: Standard uncertainties of the inputs, by source.
U = {
    "main_s": 30e-6,
    "arcing_s": 15e-6,
    "timing": 10e-6,
    "commutation_s": 30e-6,
    "reference_s": 20e-6,
    "skew": 12e-6,
    "main_reading": 0.02,
    "arcing_reading": 0.03,
    "speed_fit": 0.01,
    "zero": 0.06,
    "scale": 0.005,
    "linkage": 0.1,
    "gain": 0.005,
    "offset": 1e-6,
    "main_fit": 0.2e-6,
    "noise": 3e-6,
    "inductance": 0.2e-6,
    "earth_loop": 10.0,
}
#: The median's noise and ends follow the density of its samples, which a zone of finite length has only roughly.
ROUGH = {"arcing_resistance_uohm": 0.3}
#: Order statistics of the extremes: their noise and ends are no small change of anything.
EXTREME = ("arcing_resistance_peak_uohm", "arcing_roughness_uohm")
LINEAR = [f.name for f in FEATURES if f.name not in EXTREME]


def way(t: FloatArray) -> FloatArray:
    """Travel, mm: from rest with 900 m/s^2 for 6 ms, then 150 m/s^2 more."""
    s = np.maximum(t - START_S, 0.0)
    late = np.maximum(s - 6e-3, 0.0)
    return np.asarray(1e3 * (450.0 * np.minimum(s, 6e-3) ** 2 + 5.4 * late + 75.0 * late**2))


def pace(t: FloatArray) -> FloatArray:
    return np.asarray(1e-3 * (way(t + 1e-6) - way(t - 1e-6)) / 2e-6)


def observation(
    errors: dict[str, float] | None = None, *, kind: str = "open", seed: int = 0, rise: float = 4e-3
) -> Observation:
    """One passage through a wipe of some 20 mm, with these errors of its inputs in it; without them the truth."""
    e = dict.fromkeys(U, 0.0) | (errors or {})
    # On closing the same passage backwards in time.
    turned = -1.0 if kind == "close" else 1.0
    t = np.arange(1200) / RATE_HZ
    mirror = float(t[-1])

    def own(x: FloatArray) -> FloatArray:
        return x if kind == "open" else mirror - x

    main, arcing = 0.027513, 0.031017
    main, arcing = (main, arcing) if kind == "open" else (mirror - main, mirror - arcing)
    rng = np.random.default_rng(seed)
    z = np.convolve(rng.normal(size=t.size + 8), np.full(5, 1.0 / math.sqrt(5.0)), mode="valid")[: t.size]
    ohm = 300e-6 + 12e-6 * z + rise * turned * (t - 0.5 * (main + arcing))
    slew = np.full(t.size, 5.0)
    noise = e["noise"] * np.random.default_rng(round(1e9 * abs(e["main_s"]))).normal(size=t.size)
    ohm = (ohm + noise) * (1.0 + e["gain"]) + e["offset"] + e["inductance"] * slew
    # Conductances add: a loop taken for this much better a conductor than it is.
    ohm = ohm / (1.0 - e["earth_loop"] * ohm)
    closed = 40e-6 * (1.0 + e["gain"]) + e["offset"] + e["main_fit"]
    main_got, arcing_got = main + e["main_s"] + e["timing"], arcing + e["arcing_s"] + e["timing"]
    fit = np.interp(t, *zip(*sorted([(main, e["main_reading"]), (arcing, e["arcing_reading"])]), strict=True))
    shared = e["zero"] + e["linkage"]

    def mm(at: FloatArray | float) -> FloatArray:
        return way(own(np.asarray(at) + e["skew"])) * (1.0 + e["scale"]) + shared

    return Observation(
        time_s=t,
        resistance_ohm=ohm,
        steady=np.ones(t.size, dtype=bool),
        travel_mm=mm(t) + fit,
        speed_m_s=pace(own(t + e["skew"])) * (1.0 + e["scale"]) + e["speed_fit"],
        main_mm=float(mm(main_got)) + e["main_reading"],
        arcing_mm=float(mm(arcing_got)) + e["arcing_reading"],
        travel_u_mm=0.05,
        travel_rel=U["scale"],
        linkage_mm=U["linkage"],
        # The clock of voltage and current is late by the skew: travel and reference are early.
        reference_s=0.01 + e["reference_s"] - e["skew"],
        reference_u_s=U["reference_s"],
        kind=kind,
        main_s=Quantity(main_got, math.hypot(U["main_s"], U["timing"])),
        commutation_s=Quantity(3e-4 + e["commutation_s"], U["commutation_s"]),
        arcing_s=Quantity(arcing_got, math.hypot(U["arcing_s"], U["timing"])),
        main_ohm=Quantity(closed / (1.0 - e["earth_loop"] * closed), U["main_fit"]),
        gain_rel=U["gain"],
        offset_ohm=U["offset"],
        end_s=arcing_got,
        main_u_mm=U["main_reading"],
        arcing_u_mm=U["arcing_reading"],
        speed_u_m_s=U["speed_fit"],
        zero_u_mm=U["zero"],
        skew_s=U["skew"],
        common_s=U["timing"],
        noise_ohm=U["noise"],
        slew_per_s=slew,
        inductance_u_h=U["inductance"],
        loop_u_s=U["earth_loop"],
    )


def drawn(kind: str, count: int, *, seed: int, only: tuple[str, ...] = tuple(U)) -> dict[str, FloatArray]:
    """Values of every feature over draws of the errors named in `only` (JCGM 101: the check of the stated law)."""
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(count):
        # Noise is drawn sample by sample: its size is given, not drawn.
        e = {n: U[n] * (1.0 if n == "noise" else float(rng.standard_normal())) for n in only}
        rows.append({n: q.value for n, q in quantities(observation(e, kind=kind, seed=seed)).items()})
    return {f.name: np.array([row[f.name] for row in rows]) for f in FEATURES}


def stated(q: Quantity, sources: tuple[str, ...] = tuple(U)) -> float:
    return math.hypot(*(part for name, part in q.parts if name in sources))


@pytest.mark.parametrize("kind", ["open", "close"])
def test_stated_uncertainty_is_the_spread_over_draws_of_the_inputs(kind: str) -> None:
    variance: dict[str, list[float]] = {name: [] for name in LINEAR}
    law: dict[str, list[float]] = {name: [] for name in LINEAR}
    for seed in range(6):
        values = drawn(kind, 150, seed=seed)
        one = quantities(observation(kind=kind, seed=seed))
        for name in LINEAR:
            variance[name].append(float(values[name].var(ddof=1)))
            law[name].append(stated(one[name]) ** 2)
    for name in LINEAR:
        # 900 draws know a standard deviation to 2.4 %.
        ratio = math.sqrt(np.mean(variance[name]) / np.mean(law[name]))
        assert ratio == pytest.approx(1.0, abs=ROUGH.get(name, 0.09)), name


@pytest.mark.parametrize("name", EXTREME)
def test_gain_and_offset_move_peak_and_roughness_as_stated(name: str) -> None:
    only = ("gain", "offset")
    values = drawn("open", 400, seed=1, only=only)[name]
    assert float(values.std(ddof=1)) == pytest.approx(stated(quantities(observation(seed=1))[name], only), rel=0.12)


@pytest.mark.parametrize("kind", ["open", "close"])
@pytest.mark.parametrize("source", ["timing", "main_s", "arcing_s", "commutation_s"])
def test_zone_moved_along_a_rising_resistance_moves_its_median_as_stated(kind: str, source: str) -> None:
    """Four samples either way, so that single samples do not count; the resistance rises by 0.1 mOhm in the zone."""
    moved, law = [], []
    for seed in range(6):
        up, here, down = (
            quantities(observation({source: sign * 2e-4}, kind=kind, seed=seed, rise=30e-3))["arcing_resistance_uohm"]
            for sign in (1.0, 0.0, -1.0)
        )
        moved.append((up.value - down.value) / 4e-4 * U[source])
        law.append(dict(here.parts)[source])
    assert np.mean(law) == pytest.approx(np.mean(moved), rel=0.3)


@pytest.mark.parametrize("kind", ["open", "close"])
def test_stated_correlations_are_those_of_the_draws(kind: str) -> None:
    values = drawn(kind, 700, seed=2)
    names, matrix = covariances(observation(kind=kind, seed=2))
    pairs = [
        ("main_contact_mm", "arcing_contact_mm"),
        ("main_contact_mm", "arcing_wipe_mm"),
        ("arcing_contact_mm", "arcing_wipe_mm"),
        ("main_contact_ms", "arcing_contact_ms"),
        ("main_contact_ms", "main_contact_mm"),
        ("main_resistance_uohm", "arcing_resistance_uohm"),
        ("arcing_contact_ms", "arcing_wipe_ms"),
    ]
    u = np.sqrt(np.diag(matrix))
    for a, b in pairs:
        i, j = names.index(a), names.index(b)
        got = float(np.corrcoef(values[a], values[b])[0, 1])
        # The median's sampling is in its uncertainty and in no draw.
        assert matrix[i, j] / (u[i] * u[j]) == pytest.approx(got, abs=0.15), (a, b)


def test_covariance_matrix_is_symmetric_and_has_no_negative_variance() -> None:
    names, matrix = covariances(observation())
    assert names == tuple(f.name for f in FEATURES)
    np.testing.assert_allclose(matrix, matrix.T)
    assert float(np.linalg.eigvalsh(matrix / np.outer(*2 * [np.sqrt(np.diag(matrix))])).min()) > -1e-9


def test_wipe_is_better_known_than_the_positions_it_lies_between() -> None:
    q = quantities(observation())
    wipe = dict(q["arcing_wipe_mm"].parts)
    assert wipe["zero"] == wipe["linkage"] == 0.0
    # Skew and common delay cancel but for the change of speed from one instant to the other.
    main = dict(q["main_contact_mm"].parts)
    assert abs(wipe["skew"]) < 0.25 * abs(main["skew"])
    assert abs(wipe["timing"]) < 0.25 * abs(main["timing"])
    assert wipe["scale"] == pytest.approx(U["scale"] * q["arcing_wipe_mm"].value)
    independent = math.hypot(q["main_contact_mm"].u, q["arcing_contact_mm"].u)
    assert q["arcing_wipe_mm"].u < independent
    assert q["arcing_wipe_mm"].u ** 2 == pytest.approx(
        q["main_contact_mm"].u ** 2
        + q["arcing_contact_mm"].u ** 2
        - 2.0 * covariance(q["main_contact_mm"], q["arcing_contact_mm"])
    )


def test_positions_of_one_interrupter_share_zero_and_linkage() -> None:
    q = quantities(observation())
    assert correlation(q["main_contact_mm"], q["arcing_contact_mm"]) > 0.4


def test_contact_that_fluctuates_is_no_error_of_its_median() -> None:
    """Sampled densely, a fluctuation of 30 uOhm leaves its own median known to a few."""
    rng = np.random.default_rng(3)
    t = np.arange(8000) / 100e3
    keep = math.exp(-1.0 / 20.0)
    z = np.zeros(t.size)
    for k in range(1, t.size):
        z[k] = keep * z[k - 1] + math.sqrt(1.0 - keep**2) * rng.standard_normal()
    o = replace(observation(), noise_ohm=0.0, gain_rel=0.0, offset_ohm=0.0, inductance_u_h=0.0)
    o = replace(o, time_s=t, resistance_ohm=300e-6 + 30e-6 * z, steady=np.ones(t.size, dtype=bool), slew_per_s=None)
    o = replace(o, travel_mm=None, speed_m_s=None)
    q = quantities(o)["arcing_resistance_uohm"]
    n = o.zone().size
    population = 1e6 * 30e-6 * 1.2533 * math.sqrt((1.0 + keep) / (1.0 - keep) / n)
    assert q.u < 0.5 * population


@pytest.mark.parametrize("step", [2, 5, 10, 20])
def test_sampled_median_lies_about_the_continuous_one_as_stated(step: int) -> None:
    """A first-order fluctuation of 20 fine samples' correlation, sampled every `step`: simulated, not derived."""
    from scipy.signal import lfilter

    rng = np.random.default_rng(4)
    keep, fine = math.exp(-1.0 / 20.0), 1500
    error, law = [], []
    base = replace(observation(), noise_ohm=0.0)
    for _ in range(150):
        z = lfilter([math.sqrt(1.0 - keep**2)], [1.0, -keep], rng.normal(size=fine + 200))[200:]
        coarse = z[step // 2 :: step]
        t = 1e-3 + np.arange(coarse.size) / RATE_HZ
        end = float(t[-1]) + 0.5 / RATE_HZ
        o = replace(
            base,
            time_s=t,
            resistance_ohm=300e-6 + 10e-6 * coarse,
            steady=np.ones(t.size, dtype=bool),
            main_s=Quantity(float(t[0]) - 0.5 / RATE_HZ, 1e-6),
            commutation_s=Quantity(),
            arcing_s=Quantity(end, 1e-6),
            end_s=end,
            travel_mm=None,
            speed_m_s=None,
            slew_per_s=None,
        )
        q = quantities(o)["arcing_resistance_uohm"]
        error.append(q.value - 300.0 - 10.0 * float(np.median(z)))
        law.append(dict(q.parts)["sampling"])
    ratio = float(np.std(error)) / float(np.sqrt(np.mean(np.square(law))))
    # The correlation is estimated from each zone's own samples.
    assert 0.8 < ratio < 1.15


@pytest.mark.parametrize("kind", ["open", "close"])
def test_missing_samples_widen_and_do_not_empty_the_uncertainty(kind: str) -> None:
    one = observation(kind=kind)
    index = one.zone()
    gap = index[index.size // 3 : index.size // 2]
    ohm, slew = one.resistance_ohm.copy(), np.full(one.time_s.size, 5.0)
    ohm[gap] = np.nan
    slew[[*(gap - 1), *(gap + 1)]] = np.nan
    got = quantities(replace(one, resistance_ohm=ohm, slew_per_s=slew))
    before = quantities(one)
    for name in ("arcing_resistance_uohm", "arcing_area_uohm_mm", "arcing_roughness_uohm"):
        assert dict(got[name].parts)["missing"] > dict(before[name].parts)["missing"]
        assert math.isfinite(got[name].u)
    assert math.isfinite(got["arcing_resistance_peak_uohm"].u)


MM = ("travel_mm", "speed_m_s", "main_mm", "arcing_mm", "travel_u_mm", "linkage_mm", "main_u_mm", "arcing_u_mm")
OHM = ("resistance_ohm", "offset_ohm", "noise_ohm", "inductance_u_h", "largest_ohm")


def times(o: Observation, factor: float, names: tuple[str, ...]) -> Observation:
    return replace(o, **{name: factor * getattr(o, name) for name in names})


@settings(max_examples=15, deadline=None)
@given(st.floats(0.2, 5.0), st.sampled_from(["open", "close"]))
def test_scale_of_the_travel_scales_what_is_in_mm_with_its_uncertainty(k: float, kind: str) -> None:
    one = observation(kind=kind)
    scaled = times(one, k, (*MM, "zero_u_mm", "speed_u_m_s"))
    for name, q in quantities(scaled).items():
        factor = k if name.endswith(("_mm", "_m_s")) else 1.0
        before = quantities(one)[name]
        assert q.value == pytest.approx(factor * before.value, rel=1e-6), name
        assert q.u == pytest.approx(factor * before.u, rel=1e-6), name


@settings(max_examples=15, deadline=None)
@given(st.floats(0.2, 5.0), st.sampled_from(["open", "close"]))
def test_gain_of_voltage_or_current_scales_resistances_with_their_uncertainty(k: float, kind: str) -> None:
    one = observation(kind=kind)
    ohm = Quantity(k * one.main_ohm.value, k * one.main_ohm.u)
    # A conductance scales the other way.
    for name, q in quantities(replace(times(one, k, OHM), main_ohm=ohm, loop_u_s=one.loop_u_s / k)).items():
        factor = k if "uohm" in name else 1.0
        before = quantities(one)[name]
        assert q.value == pytest.approx(factor * before.value, rel=1e-6), name
        assert q.u == pytest.approx(factor * before.u, rel=1e-6), name


@settings(max_examples=15, deadline=None)
@given(st.floats(-50.0, 50.0), st.sampled_from(["open", "close"]))
def test_shift_of_the_clock_changes_no_uncertainty(shift: float, kind: str) -> None:
    one = observation(kind=kind)
    moved = replace(
        one,
        time_s=one.time_s + shift,
        reference_s=one.reference_s + shift,
        end_s=one.end_s + shift,
        main_s=replace(one.main_s, value=one.main_s.value + shift),
        arcing_s=replace(one.arcing_s, value=one.arcing_s.value + shift),
    )
    for name, q in quantities(moved).items():
        assert q.value == pytest.approx(quantities(one)[name].value, rel=1e-5), name
        assert q.u == pytest.approx(quantities(one)[name].u, rel=1e-4), name


@pytest.mark.parametrize("source", ["skew_s", "zero_u_mm", "inductance_u_h", "noise_ohm", "gain_rel", "travel_rel"])
def test_a_larger_part_never_makes_a_figure_better_known(source: str) -> None:
    one = observation()
    worse = quantities(replace(one, **{source: 3.0 * getattr(one, source)}))
    got = {name: (q.u, worse[name].u) for name, q in quantities(one).items()}
    # Noise taken for the contact's fluctuation is no longer its own: that alone may shrink.
    checked = {n: pair for n, pair in got.items() if source != "noise_ohm" or n == "arcing_resistance_peak_uohm"}
    assert all(after >= before * (1 - 1e-9) for before, after in checked.values())
    assert any(after > before for before, after in checked.values())
