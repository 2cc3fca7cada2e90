"""What is said, at which level, about whom, and on what basis."""

import json
from pathlib import Path

import pandas as pd
import pytest
from test_siblings import healthy, shorten

import drm
from drm.breaker import Breaker, Interrupter, Limit
from drm.findings import LEVELS, findings
from drm.reading import ALONE
from drm.rules.limits import judge
from drm.siblings import compare

CUT = "the current was cut off by A2, in series with it, before the arcing contact's own instant"
NO_ZONE = "no arcing zone longer than the resolution: reversed order or a missing contact"


def breaker(table, **more):
    first = table.drop_duplicates("interrupter")
    units = tuple(
        Interrupter(i, p, int(k), "M", f"U_{i}", f"I_{i}")
        for i, p, k in zip(first["interrupter"], first["pole"], first["position"], strict=True)
    )
    return Breaker("x", (), units, **more)


def say(table, *, limits=None, hz=50.0, mechanisms=None, **more):
    b = breaker(table, limits=limits or {}, rated_frequency_hz=hz)
    return findings(table, pd.DataFrame() if mechanisms is None else mechanisms, compare(table), b, **more)


def coded(found, code):
    return [f for f in found if f.code.startswith(code)]


def timed(instants, kind="open", *, u=0.0, poles="ABC", mechanism="M"):
    """Interrupters that differ in nothing but their arcing contact's instant."""
    n = len(instants)
    return pd.DataFrame(
        {
            "operation": 1,
            "kind": kind,
            "pole": list(poles),
            "interrupter": [f"{p}{i}" for i, p in enumerate(poles)],
            "position": range(n),
            "mechanism": mechanism,
            "reference": "coil",
            "quality": "",
            "arcing_contact_ms": instants,
            "arcing_contact_ms_u": u,
            # so that siblings do not speak in tests of timing
            "arcing_contact_mm": 45.0,
        }
    )


def test_a_healthy_breaker_gets_notes_only():
    for seed in range(10):
        assert {f.level for f in say(healthy(6, seed=seed))} <= {"note"}


def test_a_short_wipe_names_its_interrupter_alone_with_figures_and_cautions():
    found = [f for f in say(shorten(healthy(6, seed=1, wipe_sd=0.3), "B2")) if f.level != "note"]
    (one,) = found
    assert (one.code, one.level, one.subject, one.interrupters) == (
        "siblings.wipe-short",
        "inspect",
        "contact",
        ("B2",),
    )
    assert one.evidence["sibling_p"] < 0.01
    assert one.basis.startswith("siblings")
    for word in ("isolate", "prove dead", "earth", "induced", "SF6", "springs", "L di/dt", "Local codes"):
        assert word in one.advice


def test_both_contacts_shifted_together_speak_for_the_linkage():
    table = healthy(6, seed=1)
    table.loc[table["interrupter"] == "C1", ["main_contact_mm", "arcing_contact_mm"]] -= 6.0
    (one,) = [f for f in say(table) if f.level != "note"]
    assert (one.code, one.subject, one.interrupters) == ("siblings.linkage", "mechanism", ("C1",))


@pytest.mark.parametrize(
    ("column", "code"),
    [
        ("arcing_resistance_uohm", "siblings.arcing-resistance"),
        ("arcing_roughness_uohm", "siblings.arcing-resistance"),
        ("main_resistance_uohm", "siblings.main-resistance"),
    ],
)
def test_a_high_resistance_is_named_by_what_is_high(column, code):
    table = healthy(6, seed=1)
    table.loc[table["interrupter"] == "A1", column] *= 30.0
    assert [f.interrupters for f in coded(say(table), "siblings.")] == [("A1",)]
    assert coded(say(table), code)


def test_a_low_resistance_is_watched_not_condemned():
    table = healthy(6, seed=1)
    table.loc[table["interrupter"] == "A1", "main_resistance_uohm"] /= 8.0
    assert {f.level for f in coded(say(table), "siblings.")} == {"watch"}


def test_a_pole_that_differs_as_a_whole_blames_no_interrupter():
    table = healthy(12, seed=1)
    table.loc[table["pole"] == "B", ["main_contact_mm", "arcing_contact_mm"]] += 4.0
    (one,) = coded(say(table), "siblings.")
    assert (one.code, one.interrupters, one.evidence["pole"]) == ("siblings.pole", (), "B")


@pytest.mark.parametrize(("values", "flagged"), [((50, 60, 76), ("C1",)), ((130, 180, 150), ()), ((50, 60, 75), ())])
def test_resistance_more_than_half_above_the_lowest(values, flagged):
    # ANSI/NETA MTS, circuit-breaker resistance; equality passes
    table = healthy(3, kinds=("open",)).assign(main_resistance_uohm=[float(v) for v in values])
    assert tuple(n for f in coded(say(table), "resistance.") for n in f.interrupters) == flagged


def test_the_makers_value_comes_before_the_rule_of_thumb():
    table = healthy(3, kinds=("open",)).assign(main_resistance_uohm=[50.0, 60.0, 76.0])
    assert not coded(say(table, limits={"main_resistance_uohm": Limit(max=100.0)}), "resistance.")


@pytest.mark.parametrize(
    ("value", "u", "verdict"),
    [(14, 0, None), (13.9, 0, "outside"), (13.9, 0.1, "straddling"), (14.1, 0.1, "straddling"), (14.3, 0.1, None)],
)
def test_a_limit_is_judged_with_the_expanded_uncertainty(value, u, verdict):
    found = judge(value, u, Limit(min=14.0))
    assert (found and found[0]) == verdict


def test_a_wipe_below_the_files_limit_is_held_and_one_near_it_watched():
    table = healthy(3, kinds=("open",)).assign(arcing_wipe_mm=[12.0, 13.9, 15.0], arcing_wipe_mm_u=0.1)
    found = coded(say(table, limits={"arcing_wipe_mm": Limit(min=14.0)}), "limit.")
    assert [(f.level, f.interrupters) for f in found] == [("hold", ("A1",)), ("watch", ("B1",))]
    assert all("breaker file" in f.basis for f in found)


def test_a_limit_on_a_mechanism_is_judged_too():
    m = pd.DataFrame({"operation": [1, 2], "mechanism": "M", "opening_time_ms": [25.0, 31.0], "opening_time_ms_u": 0.1})
    (one,) = coded(say(healthy(3), limits={"opening_time_ms": Limit(max=30.0)}, mechanisms=m), "limit.")
    assert (one.level, one.subject, one.operations) == ("inspect", "mechanism", (2,))


def test_a_limit_that_nothing_measured_is_not_passed_over_in_silence():
    assert [f.level for f in coded(say(healthy(3), limits={"rebound_mm": Limit(max=1)}), "limit.not-measured")] == [
        "note"
    ]


@pytest.mark.parametrize(
    ("kind", "hz", "limit"), [("close", 50, 5.0), ("close", 60, 25 / 6), ("open", 50, 10 / 3), ("open", 60, 25 / 9)]
)
def test_simultaneity_of_the_poles(kind, hz, limit):
    # IEC 62271-100, simultaneity, from memory; equality passes
    assert not coded(say(timed([20.0, 21.0, 20.0 + limit], kind), hz=hz), "timing.")
    (one,) = coded(say(timed([20.0, 21.0, 20.01 + limit], kind), hz=hz), "timing.")
    assert (one.level, one.code, one.evidence["limit_ms"]) == ("inspect", "timing.poles", pytest.approx(limit))
    (near,) = coded(say(timed([20.0, 21.0, 20.01 + limit], kind, u=0.05), hz=hz), "timing.")
    assert near.level == "watch"


@pytest.mark.parametrize(
    ("kind", "hz", "limit"), [("close", 50, 10 / 3), ("close", 60, 25 / 9), ("open", 50, 2.5), ("open", 60, 25 / 12)]
)
def test_simultaneity_within_a_pole(kind, hz, limit):
    # IEC 62271-100, simultaneity, from memory; equality passes
    assert not coded(say(timed([20.0, 20.0 + limit], kind, poles="AA"), hz=hz), "timing.")
    (one,) = coded(say(timed([20.0, 20.01 + limit], kind, poles="AA"), hz=hz), "timing.")
    assert (one.level, one.code) == ("inspect", "timing.pole-units")


def test_poles_with_mechanisms_of_their_own_are_compared_only_on_one_clock():
    table = timed([20.0, 20.0, 20.0], mechanism=["A", "B", "C"])
    assert [f.code for f in coded(say(table), "timing.")] == ["timing.no-common-reference"]
    late = {"reference_s": {(1, "A"): 0.1, (1, "B"): 0.1, (1, "C"): 0.104}}
    (one,) = coded(say(table, readings_facts=late), "timing.")
    assert (one.code, one.evidence["spread_ms"]) == ("timing.poles", pytest.approx(4.0))
    apart = {"reference_s": {(1, "A"): 0.1, (1, "B"): 0.5, (1, "C"): 0.9}}
    assert [f.code for f in coded(say(table, readings_facts=apart), "timing.")] == ["timing.no-common-reference"]


def test_no_wipe_is_held_and_the_three_causes_are_not_told_apart():
    table = healthy(6, seed=1)
    mine = table["interrupter"] == "B1"
    table.loc[mine, "quality"] = NO_ZONE
    table.loc[mine, "arcing_wipe_mm"] = 0.0
    (one,) = [f for f in say(table) if f.level != "note"]
    assert (one.code, one.level, one.interrupters) == ("wipe.none", "hold", ("B1",))
    for word in ("Reversed", "missing", "burnt-off", "cannot be told apart"):
        assert word in one.message


def test_a_low_level_beside_the_parting_is_one_of_two_things():
    """Contacts in parallel (circuit law): 51 µΩ closed with 165 µΩ on the arcing side leave 73.8 µΩ to the main one."""
    table = doubtful(healthy(6, seed=1).assign(arcing_resistance_uohm=165.0))
    (one,) = coded(say(table), "wipe.")
    assert (one.code, one.level, one.interrupters) == ("wipe.doubtful", "inspect", ("B1",))
    assert "73.8 µΩ" in one.message
    assert "reversed order" in one.message
    # Neither is that wipe compared with its siblings', nor is the test at fault.
    assert not coded(say(table), "siblings.wipe")
    assert not coded(say(table), "setup.quality")


def doubtful(table):
    """B1 with a short zone on a low level."""
    mine = table["interrupter"] == "B1"
    table.loc[mine, "quality"] = ALONE
    table.loc[mine, ["arcing_wipe_mm", "arcing_resistance_uohm", "main_resistance_uohm"]] = 4.6, 80.6, 51.0
    return table


@pytest.mark.parametrize(("least", "level"), [(14.0, "hold"), (3.0, "inspect")])
def test_a_doubtful_wipe_below_its_limit_is_held_whichever_it_is(least, level):
    (one,) = coded(say(doubtful(healthy(6, seed=1)), limits={"arcing_wipe_mm": Limit(min=least)}), "wipe.doubtful")
    assert one.level == level
    assert ("limits.arcing_wipe_mm" in one.basis) == (level == "hold")


def test_a_doubtful_wipe_states_its_resistances_with_their_uncertainty():
    table = doubtful(healthy(6, seed=1).assign(arcing_resistance_uohm_u=1.5, main_resistance_uohm_u=0.2))
    (one,) = coded(say(table), "wipe.doubtful")
    assert "80.6 ± 3 µΩ (k = 2)" in one.message
    assert "51 ± 0.4 µΩ (k = 2)" in one.message


def test_an_unusable_current_makes_no_wipe_doubtful():
    assert not coded(say(doubtful(healthy(6, seed=1)).assign(current_a=15.0)), "wipe.doubtful")


def test_a_zone_that_another_interrupter_cut_short_is_a_matter_of_setup():
    table = healthy(6, seed=1)
    mine = table["interrupter"] == "B1"
    table.loc[mine, "quality"] = f"{CUT};{NO_ZONE}"
    table.loc[mine, ["arcing_wipe_mm", "arcing_contact_mm"]] = float("nan")
    found = say(table)
    assert {f.level for f in found} == {"note"}
    assert {f.subject for f in coded(found, "setup.quality")} == {"setup"}


@pytest.mark.parametrize(("amps", "code"), [(98.0, "setup.current-low"), (19.0, "setup.current-unusable")])
def test_too_little_current_is_told(amps, code):
    # IEEE C37.09: at least 100 A d.c.; 20 A common practice, no source
    assert [f.level for f in coded(say(healthy(3).assign(current_a=amps)), "setup.current")] == ["note"]
    assert coded(say(healthy(3).assign(current_a=amps)), code)
    assert not coded(say(healthy(3).assign(current_a=99.5)), "setup.current")


def test_no_contact_verdict_is_drawn_from_an_unusable_current():
    table = shorten(healthy(6, seed=1), "B2", 10.0).assign(current_a=15.0)
    assert {f.subject for f in say(table)} == {"setup"}


def test_the_readers_decisions_are_passed_on():
    assert coded(say(healthy(3), record_flags=["encoding taken as Latin-1"]), "setup.record")


def test_siblings_alone_say_what_they_cannot():
    (one,) = coded(say(healthy(6)), "basis.siblings-only")
    assert "nothing is concluded" in one.message
    assert not coded(say(healthy(6), limits={"arcing_wipe_mm": Limit(min=5.0)}), "basis.siblings-only")


def test_findings_come_most_urgent_first_and_never_call_a_breaker_safe():
    table = shorten(healthy(6, seed=1, wipe_sd=0.3), "B2").assign(current_a=90.0)
    found = say(table, limits={"arcing_wipe_mm": Limit(min=13.5)}, record_flags=["short data"])
    ranks = [LEVELS.index(f.level) for f in found]
    assert ranks == sorted(ranks)
    assert len(set(ranks)) >= 2
    for f in found:
        assert "safe" not in (f.message + f.advice).lower()
        assert f.basis
        assert f.advice


def test_a_cut_off_interrupter_of_a_real_record_is_still_judged_by_its_main_contact():
    # guards the wording that joins the zones' reasons to what they leave good
    folder = Path(__file__).parent / "data" / "records" / "series-injection"
    result = drm.diagnose(drm.read(folder / "record.cfg"), drm.Breaker.load(folder / "breaker.toml"))
    seen = {c.feature for c in compare(result.features).contributions["A1"]}
    assert "main_resistance_uohm" in seen
    assert "arcing_wipe_mm" not in seen
    assert {n for f in result.findings if f.level != "note" for n in f.interrupters} == {"C1"}


def test_evidence_can_be_written_as_strict_json():
    table = shorten(healthy(6, seed=1, wipe_sd=0.3), "B2")
    mine = table["interrupter"] == "A1"
    table.loc[mine, "quality"] = NO_ZONE
    table.loc[mine, ["arcing_wipe_mm", "arcing_contact_mm"]] = float("nan")
    found = say(table, limits={"arcing_wipe_mm": Limit(min=13.5)})
    assert {"hold", "inspect"} <= {f.level for f in found}
    for f in found:
        json.dumps(f.evidence, allow_nan=False)
