"""Coil currents, motor currents, speed, and travel beside its reference: each over time on axes of its own."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from drm.breaker import ReferenceTravel
from drm.coils import bridged
from drm.errors import DrmError
from drm.frames import rows_of
from drm.report import svg
from drm.report.decimate import keep
from drm.wording import name, number

if TYPE_CHECKING:
    import pandas as pd

    from drm.envelope import Curve
    from drm.operations import Operation
    from drm.pipeline import Result
    from drm.record import Record

__all__ = ["coil_pictures", "envelope_pictures", "motor_pictures", "speed_pictures"]

FloatArray = NDArray[np.float64]
WIDTH, LEFT, RIGHT, TOP, HEIGHT, BOTTOM = 350.0, 40.0, 62.0, 22.0, 130.0, 32.0
STROKES = ("m1", "m2", "m3", "m4")
Line = tuple[str, FloatArray, FloatArray]
Marks = Sequence[tuple[float, str]]


def coil_pictures(result: Result) -> list[Markup]:
    """Coil current of every mechanism from the release on, one picture per operation; marks: armature's stop."""
    out: list[Markup] = []
    mechanisms = rows_of(result.mechanisms)
    for o in result.operations:
        record = _record_of(result, o)
        lines: list[Line] = []
        marks: list[tuple[float, str]] = []
        for row in mechanisms:
            if row.get("operation") != o.number or not math.isfinite(number(row.get("coil_onset_s"))):
                continue
            m = next((m for m in result.breaker.mechanisms if m.name == row["mechanism"]), None)
            channel = None if m is None else m.trip_coil if o.kind == "open" else m.close_coil
            if channel is None or record is None or channel not in record.names:
                continue
            t, x = _current(record, channel, float(row["coil_onset_s"]))
            end = 1.25 * number(row.get("coil_duration_ms")) + 2.0
            part = (t > -3.0) & (t < end)
            lines.append((str(row["mechanism"]), t[part], _upright(x[part])))
            stop = number(row.get("armature_stop_ms"))
            if math.isfinite(stop):
                marks.append((stop, "armature"))
        if lines:
            out.append(_picture(lines, f"Operation {o.number}, {o.kind}: coil current", "ms", "A", marks))
    return out


def motor_pictures(result: Result) -> list[Markup]:
    """Motor currents of each record that shows one, over the whole record."""
    out: list[Markup] = []
    for record in result.records or (result.record,):
        lines: list[Line] = []
        for m in result.breaker.mechanisms:
            if m.motor is not None and m.motor in record.names:
                t, x = _current(record, m.motor, 0.0)
                many = max(1, round(record.sample_rate_hz / 100.0))
                if float(np.max(np.abs(x), initial=0.0)) > 0.5 and x.size > 2 * many:
                    lines.append((m.name, 1e-3 * t, np.abs(x)))
        if lines:
            out.append(_picture(lines, f"{name(record.name)[:30]}: motor current", "s", "A", ()))
    return out


def speed_pictures(result: Result) -> list[Markup]:
    """Speed over time from the release, one picture per operation."""
    from drm.travel import speed

    c = result.curves
    if c is None or not len(c):
        return []
    out: list[Markup] = []
    for o in result.operations:
        lines: list[Line] = []
        for who, mine in c[c["operation"] == o.number].groupby("mechanism", sort=True):
            t, mm = mine["time_ms"].to_numpy(dtype=float), mine["travel_mm"].to_numpy(dtype=float)
            if t.size >= 12:
                lines.append((str(who), t, np.abs(speed(mm, 1e-3 * t, window_s=2e-3))))
        if lines:
            out.append(_picture(lines, f"Operation {o.number}, {o.kind}: speed", "ms", "m/s", ()))
    return out


def envelope_pictures(result: Result) -> list[Markup]:
    """Travel of each mechanism over its reference curve, else the earlier test's, and the band about that."""
    from drm.envelope import load_reference
    from drm.reference_rows import placed
    from drm.reference_whole import earlier_curves

    c = result.curves
    out: list[Markup] = []
    if c is None or not len(c):
        return out
    about_earlier = earlier_curves(result.reference, result.breaker)
    order = result.features if "operation" in result.features else result.mechanisms
    after = dict(zip((int(n) for n in order["operation"]), placed(order), strict=True)) if about_earlier else {}
    for m in result.breaker.mechanisms:
        curves: dict[str, Curve] = {}
        if m.reference_travel is not None:
            try:
                curves = load_reference(m.reference_travel, m.name)
            except DrmError:
                # It was there when the figures were made; a page can do without the picture.
                continue
        for o in result.operations:
            mine = c[(c["operation"] == o.number) & (c["mechanism"] == m.name)]
            reference = curves.get(o.kind) or about_earlier.get((m.name, o.kind, after.get(o.number, "")))
            if reference is None or len(mine) < 12:
                continue
            what = "its envelope" if curves else "the envelope about the earlier test"
            out.append(_enveloped(mine, reference, m.reference_travel or ReferenceTravel(""), m.name, o.number, what))
    return out


def _enveloped(
    mine: pd.DataFrame, reference: Curve, allowed: ReferenceTravel, who: str, number_: int, what: str
) -> Markup:
    t, mm = mine["time_ms"].to_numpy(dtype=float), mine["travel_mm"].to_numpy(dtype=float)
    contact = number(mine["contact_ms"].iloc[0])
    known = math.isfinite(contact) and math.isfinite(reference.contact_ms)
    shift = contact - reference.contact_ms if known else 0.0
    part = (reference.time_ms + shift >= t[0]) & (reference.time_ms + shift <= t[-1])
    rt, rx = reference.time_ms[part] + shift, reference.travel_mm[part]
    wide = 0.01 * reference.total_mm
    band = (rt, rx - allowed.below_percent * wide, rx + allowed.above_percent * wide)
    return _picture(
        [(who, t, mm)], f"{name(who)[:10]}, operation {number_}: travel in {what}", "ms", "mm", (), band=band
    )


def _record_of(result: Result, o: Operation) -> Record | None:
    if not result.records:
        return result.record
    rows = result.mechanisms[result.mechanisms["operation"] == o.number]
    wanted = str(rows["record"].iloc[0]) if len(rows) else ""
    return next((r for r in result.records if r.name == wanted), None)


def _current(record: Record, channel: str, origin_s: float) -> tuple[FloatArray, FloatArray]:
    """Time in ms from `origin_s` and samples in A, or as they are where the channel's unit is no current's."""
    c = record.channel(channel)
    try:
        x = c.values("A")
    except DrmError:
        x = c.samples
    return 1e3 * (record.time_s + c.skew_s - origin_s), bridged(x)


def _upright(x: FloatArray) -> FloatArray:
    """Current positive and from its own baseline."""
    if not x.size:
        return x
    level = float(np.median(x[: max(1, x.size // 20)]))
    y = x - level
    return y if float(np.sum(y)) >= 0.0 else -y


def _picture(
    lines: Sequence[Line],
    title: str,
    time_unit: str,
    unit: str,
    marks: Marks,
    *,
    band: tuple[FloatArray, FloatArray, FloatArray] | None = None,
) -> Markup:
    t0, t1 = min(float(t[0]) for _, t, _ in lines), max(float(t[-1]) for _, t, _ in lines)
    every = np.concatenate([y[np.isfinite(y)] for _, _, y in lines] + ([band[1], band[2]] if band is not None else []))
    low, high = min(0.0, float(every.min())), float(every.max())
    room = 0.06 * (high - low) or 1.0
    x = svg.linear(t0, t1, LEFT, WIDTH - RIGHT)
    y = svg.linear(low, high + room, TOP + HEIGHT, TOP)
    parts = [_frame((t0, t1), (low, high + room), x, y, time_unit, unit)]
    if band is not None:
        parts.append(svg.area(x(band[0]), y(band[1]), y(band[2]), class_="band"))
    for at, _ in marks:
        place = float(x(np.asarray(at)))
        parts.append(svg.line(place, TOP, place, TOP + HEIGHT, class_="mark arcing"))
    for i, (who, t, v) in enumerate(lines):
        px, py = x(t), y(v)
        chosen = keep(px, py)
        parts.append(svg.path(px[chosen], py[chosen], class_=f"motion {STROKES[i % 4]}"))
        row = TOP + 10 + i * 14
        parts.append(
            svg.line(WIDTH - RIGHT + 6, row - 3, WIDTH - RIGHT + 22, row - 3, class_=f"motion {STROKES[i % 4]}")
        )
        parts.append(svg.text(WIDTH - RIGHT + 26, row, name(who)[:6], class_="row"))
    parts.append(svg.text(LEFT, TOP - 8, title, class_="panel-name"))
    words = f"Over time in {time_unit}, one line per mechanism" + ("; dotted: the armature stops." if marks else ".")
    return svg.picture(WIDTH, TOP + HEIGHT + BOTTOM, *parts, title=title, description=words)


def _frame(
    time: tuple[float, float], values: tuple[float, float], x: svg.Scale, y: svg.Scale, time_unit: str, unit: str
) -> Markup:
    base = TOP + HEIGHT
    parts = [svg.rect(LEFT, TOP, WIDTH - LEFT - RIGHT, HEIGHT, class_="frame")]
    for value in svg.ticks(*time, about=5):
        px = float(x(np.asarray(value)))
        parts += [
            svg.line(px, base, px, base + 3, class_="axis"),
            svg.text(px, base + 13, f"{value:g}", class_="tick", text_anchor="middle"),
        ]
    for value in svg.ticks(*values, about=5):
        py = float(y(np.asarray(value)))
        parts += [
            svg.line(LEFT, py, WIDTH - RIGHT, py, class_="grid"),
            svg.text(LEFT - 5, py + 3, f"{value:g}", class_="tick", text_anchor="end"),
        ]
    middle = TOP + HEIGHT / 2
    turned = f"rotate(-90 9 {middle:.0f})"
    words = f"time, {time_unit}"
    parts += [
        svg.text((LEFT + WIDTH - RIGHT) / 2, base + 26, words, class_="tick", text_anchor="middle"),
        svg.text(9, middle, unit, class_="tick", text_anchor="middle", transform=turned),
    ]
    return svg.el("g", *parts)
