"""Drafted breaker files against the truth of simulated records: lines right, marked doubtful, wrong and not marked.

Run: ``python benchmarks/describe.py [TRIALS [SCENARIO...]]``; prints a table. Every shipped scenario is drafted with
its own names, with the same in another language's words, with channel numbers for names and the old name in the field
for the component, with channel numbers and the pole in the phase field, and with nothing but channel numbers. A line
counts as right where it says what the simulator did and is not marked, as marked where a person is asked to look at
it, whatever it says; a channel that should be named and is not, nor marked, counts as left out: those are listed in
the draft as showing nothing. Where only signals speak, exchanged leads are what the signals say they are.
"""

from __future__ import annotations

import sys
import tomllib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from drm.describe import draft
from drm.describe_draft import Draft
from drm.errors import RecordError
from drm.record import Channel, Record
from drm.synthetic import Scenario, Simulation, named, shipped, simulate

WAYS = ("names", "words", "component", "phase", "numbers")
#: Simulated prefixes in the words of another language and other letters of the poles.
WORDS = {
    "U": "Spannung",
    "I": "Strom",
    "TRV": "Weg",
    "TC": "Auslösespule",
    "CC": "Einschaltspule",
    "M": "Motorstrom",
    "UM": "Motorspannung",
    "UTC": "Auslösespule Spannung",
    "UCC": "Einschaltspule Spannung",
    "AUX": "Hilfskontakt",
    "STATE": "Kontakt",
    "RES": "Widerstand",
}
KEYS = ("trip_coil", "close_coil", "motor", "trip_coil_voltage", "close_coil_voltage", "motor_voltage")


@dataclass(frozen=True)
class Truth:
    """What the lines should say: channel names as they are in the record at hand."""

    mechanisms: dict[str, dict[str, Any]]  # name -> key -> channel
    contacts: dict[str, dict[str, Any]]  # voltage -> key -> value


def pole_of(channel: str) -> str:
    """Pole in a simulated channel's name."""
    return next((w[0] for w in channel.split("_")[1:] if w[:1] in "ABC"), "")


def in_words(name: str) -> str:
    """A simulated channel's name in other words: ``U_A1`` -> ``Spannung L1 1``."""
    prefix, place, *kind = name.split("_")
    pole = f"L{'ABC'.index(place[0]) + 1}"
    return " ".join(
        [WORDS[prefix], pole, *([place[1:]] if place[1:] else []), *({"a": "NO", "b": "NC"}[k] for k in kind)]
    )


def renamed(record: Record, way: str) -> tuple[Record, dict[str, str]]:
    """The record with the names taken away as `way` says, and old name -> new."""
    if way == "names":
        return record, {n: n for n in record.names}

    def one(k: int, c: Channel) -> Channel:
        if way == "words":
            return replace(c, name=in_words(c.name))
        component = c.name if way == "component" else ""
        return replace(c, name=f"CH{k}", phase=pole_of(c.name) if way == "phase" else "", component=component)

    channels = tuple(one(k, c) for k, c in enumerate(record.channels, 1))
    return replace(record, channels=channels), dict(zip(record.names, (c.name for c in channels), strict=True))


def truth_of(s: Simulation, scenario: Scenario, to: dict[str, str], way: str) -> Truth:
    """Truth of the lines; where no name tells the pole or place, exchanged leads are where the signals put them."""
    setup = scenario.setup
    swap: dict[str, str] = {}
    if way in ("phase", "numbers"):
        for pair in (setup.leads_exchanged, setup.currents_exchanged):
            if pair:
                a, b = (next(i.current for i in s.breaker.interrupters if i.name == n) for n in pair)
                swap |= {a: b, b: a}
    sensors: dict[str, str] = {}
    if way == "numbers" and setup.sensors_exchanged:
        a, b = (f"TRV_{p}" for p in setup.sensors_exchanged)
        sensors = {a: b, b: a}
    mechanisms: dict[str, dict[str, Any]] = {}
    for m in s.breaker.mechanisms:
        keys = {k: to[getattr(m, k)] for k in KEYS if getattr(m, k)}
        if m.travel:
            keys["travel"] = to[sensors.get(m.travel.channel, m.travel.channel)]
        keys["auxiliary"] = {k: to[v] for k, v in m.auxiliary.items()}
        mechanisms[m.name] = keys
    contacts = {}
    for i in s.breaker.interrupters:
        keys = {"current": to[swap.get(i.current, i.current)], "pole": i.pole, "position": i.position}
        keys |= {"mechanism": i.mechanism}
        keys |= {k: to[v] for k, v in (("state", i.state), ("resistor_state", i.resistor_state)) if v}
        contacts[to[i.voltage]] = keys
    return Truth(mechanisms, contacts)


def sections(d: Draft) -> Iterator[tuple[str, dict[str, tuple[Any, bool]]]]:
    """Tables of a draft in order: kind, and key -> (value, marked)."""
    kind, keys = "", {}
    for line in d.lines:
        if line.text.startswith("["):
            yield kind, keys
            kind, keys = line.text.strip("[]"), {}
        elif " = " in line.text and not line.text.startswith("#"):
            for key, value in tomllib.loads(line.text).items():
                keys[key] = (value, bool(line.doubt))
    yield kind, keys


def scored(d: Draft, truth: Truth) -> Counter[str]:
    """Count of lines: right, marked, wrong, left out."""
    out: Counter[str] = Counter()
    comments = " ".join(line.doubt for line in d.lines if line.doubt and not line.text)

    def judge(got: tuple[Any, bool] | None, wanted: Any) -> None:
        if got is None:
            names = wanted.values() if isinstance(wanted, dict) else [wanted]
            out["marked" if any(f"'{n}'" in comments for n in names) else "left"] += 1
        elif got[1]:
            out["marked"] += 1
            out["marked and right"] += got[0] == wanted
        else:
            out["right" if got[0] == wanted else "wrong"] += 1

    tables = list(sections(d))
    of: dict[str, str] = {}
    for kind, keys in tables:
        if kind != "mechanism":
            continue
        channel = keys["travel"][0]["channel"] if "travel" in keys else None
        by_travel = [n for n, t in truth.mechanisms.items() if channel and t.get("travel") == channel]
        # A mechanism without a name that says a pole is the one whose sensor it has.
        unnamed = keys["name"][1] or len(truth.mechanisms) == 1
        name = by_travel[0] if unnamed and by_travel else keys["name"][0]
        if len(truth.mechanisms) == 1:
            name = next(iter(truth.mechanisms))
        of[keys["name"][0]] = name
        if keys["name"][1]:
            out["marked"] += 1
        mine = truth.mechanisms.get(name, {})
        for key, wanted in mine.items():
            got = keys.get(key)
            if key == "travel" and got is not None:
                got = (got[0]["channel"], got[1])
            judge(got, wanted)
        for key in set(keys) - set(mine) - {"name"}:
            out["marked" if keys[key][1] else "wrong"] += 1
    seen = set()
    for kind, keys in tables:
        if kind != "interrupter":
            continue
        voltage, marked = keys["voltage"]
        seen.add(voltage)
        if voltage not in truth.contacts:
            out["marked" if marked else "wrong"] += 1
            continue
        out["marked" if marked else "right"] += 1
        for key, wanted in truth.contacts[voltage].items():
            got = keys.get(key)
            if key == "mechanism" and got is not None:
                got = (of.get(got[0], got[0]), got[1])
            judge(got, wanted)
    for voltage in set(truth.contacts) - seen:
        out["marked" if f"'{voltage}'" in comments else "left"] += 1
    return out


def trial(name: str, way: str, seed: int) -> tuple[Counter[str], Draft | None]:
    """One scenario drafted one way."""
    scenario = named(name)
    s = simulate(scenario, rng=np.random.default_rng(seed))
    record, to = renamed(s.record, way)
    truth = truth_of(s, scenario, to, way)
    try:
        d = draft([record])
    except RecordError:
        return Counter(refused=1), None
    return scored(d, truth), d


def main(trials: int, names: list[str]) -> None:
    """Print the table."""
    print("| told by | lines | right | marked | of these right | wrong and not marked | left out | refused |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    bad = []
    for way in WAYS:
        total: Counter[str] = Counter()
        for name in names:
            for seed in range(trials):
                got, _ = trial(name, way, seed)
                total += got
                if got["wrong"] or got["left"] or got["refused"]:
                    bad.append(f"{way} {name} {seed}: {dict(got)}")
        lines = sum(total[k] for k in ("right", "marked", "wrong", "left"))
        share = {k: f"{100 * total[k] / lines:.1f} %" for k in ("right", "marked", "wrong", "left")}
        right = f"{100 * total['marked and right'] / max(total['marked'], 1):.0f} %"
        print(
            f"| {way} | {lines} | {share['right']} | {share['marked']} | {right} | {total['wrong']} | "
            f"{total['left']} | {total['refused']} |"
        )
    print("\n".join(bad), file=sys.stderr)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3, sys.argv[2:] or list(shipped()))
