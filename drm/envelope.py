"""A travel curve against a reference no-load curve with an envelope about it."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drm.breaker import ReferenceTravel
from drm.errors import BreakerError, nearest
from drm.kept import kept
from drm.median import median
from drm.quantity import NOTHING, Quantity

__all__ = ["Curve", "Departure", "departure", "load_reference"]

FloatArray = NDArray[np.float64]
#: Columns of a reference file; a result's own ``travel.csv`` has them.
COLUMNS = ("kind", "time_ms", "travel_mm")
#: Over how long a departure is read, ms.
SMOOTH_MS = 2.0


@dataclass(frozen=True, eq=False)
class Curve:
    """One travel curve: mm from the closed position over ms from the release, and where its contacts part or touch.

    `contact_ms` is NaN where it is not known.
    """

    kind: str
    time_ms: FloatArray
    travel_mm: FloatArray
    contact_ms: float = math.nan

    @property
    def total_mm(self) -> float:
        """Total travel: between its two ends."""
        few = max(1, self.travel_mm.size // 20)
        return abs(median(self.travel_mm[-few:]) - median(self.travel_mm[:few]))


@dataclass(frozen=True)
class Departure:
    """How far a curve leaves its reference, percent of the reference's total travel, and how the two were laid over.

    `aligned` is 'contact' (at the separation or touch of the contacts) or 'command' (at the release).
    """

    above_percent: Quantity = NOTHING
    below_percent: Quantity = NOTHING
    aligned: str = ""


@kept
def load_reference(reference: ReferenceTravel, mechanism: str) -> dict[str, Curve]:
    """Reference curves by kind from a CSV file with the columns ``kind, time_ms, travel_mm``.

    A column ``mechanism`` keeps the curves of several mechanisms apart, ``contact_ms`` tells the contacts' instant,
    and of several operations of one kind the first counts: an earlier result's ``travel.csv`` serves as it is.

    Raises
    ------
    BreakerError
        If the file cannot be read or lacks a column or a number.
    """
    path = Path(reference.file)
    mend = "give a CSV file with the columns kind, time_ms, travel_mm"
    try:
        with path.open(encoding="utf-8-sig", newline="") as f:
            reader = csv.DictReader(f)
            names = reader.fieldnames or ()
            for column in COLUMNS:
                if column not in names:
                    raise BreakerError(f"no column '{column}'", path=path, place="line 1", mend=nearest(column, names))
            rows = list(reader)
    except OSError as error:
        raise BreakerError(f"cannot be read ({error.strerror})", path=path, mend=mend) from None
    except (UnicodeDecodeError, csv.Error):
        raise BreakerError("is not CSV in UTF-8", path=path, mend=mend) from None
    kept: dict[str, list[tuple[float, float, float]]] = {}
    chosen: dict[str, str] = {}
    for n, row in enumerate(rows, 2):
        kind = row["kind"]
        if kind not in ("open", "close"):
            raise BreakerError(f"'{kind}' is neither open nor close", path=path, place=f"line {n}", mend=mend)
        if row.get("mechanism") not in (None, "", mechanism):
            continue
        if chosen.setdefault(kind, row.get("operation") or "") != (row.get("operation") or ""):
            continue
        try:
            contact = float(row.get("contact_ms") or "nan")
            point = (float(row["time_ms"]), float(row["travel_mm"]), contact)
        except (TypeError, ValueError):
            raise BreakerError("not a number", path=path, place=f"line {n}", mend=mend) from None
        if math.isfinite(point[0]) and math.isfinite(point[1]):
            kept.setdefault(kind, []).append(point)
    out: dict[str, Curve] = {}
    for kind, points in kept.items():
        table = np.array(sorted(points))
        if table.shape[0] < 8 or not float(np.ptp(table[:, 1])) > 1.0:
            raise BreakerError(f"the curve for '{kind}' has no stroke", path=path, mend=mend)
        out[kind] = Curve(kind, table[:, 0], table[:, 1], float(table[0, 2]))
    return out


def _smoothed(percent: FloatArray, u_mm: float, step_ms: float) -> FloatArray:
    """Departures read by a parabola over 2 ms about each; as they are where the curve is too coarse or exact."""
    many = 2 * round(0.5 * SMOOTH_MS / step_ms) + 1 if step_ms > 0.0 else 1
    if u_mm <= 0.0 or many < 5 or percent.size < many:
        return percent
    half = many // 2
    design = np.vander(np.arange(many) - float(half), 3, increasing=True)
    fit = design @ np.linalg.pinv(design)
    inner = np.convolve(percent, fit[half][::-1], mode="valid")
    return np.concatenate([(fit @ percent[:many])[:half], inner, (fit @ percent[-many:])[many - half :]])


def departure(curve: Curve, reference: Curve, *, rel: float, u_mm: float, contact_u_ms: float = 0.0) -> Departure:
    """Greatest departure of `curve` above and below `reference`.

    Parameters
    ----------
    rel : float
        Standard relative uncertainty of the travel's scale.
    u_mm : float
        Standard uncertainty of one reading.
    contact_u_ms : float
        Standard uncertainty of the instant at which both are aligned: the contacts', else the release's.

    Notes
    -----
    IEC 62271-100, annex on mechanical travel (from memory): later records lie within an envelope 10 % of the total
    travel wide about the reference curve, laid over at the separation or touch of the contacts; on opening from there
    to the end, on closing up to there. Where one of the two instants is not known both are laid over at the release
    and the whole motion is compared.
    """
    total = reference.total_mm
    known = math.isfinite(curve.contact_ms) and math.isfinite(reference.contact_ms)
    shift = curve.contact_ms - reference.contact_ms if known else 0.0
    t = reference.time_ms + shift
    inside = (t >= curve.time_ms[0]) & (t <= curve.time_ms[-1])
    if known:
        inside &= (t >= curve.contact_ms) if curve.kind == "open" else (t <= curve.contact_ms)
    if int(inside.sum()) < 4 or not total > 0.0:
        return Departure()
    mine = np.interp(t[inside], curve.time_ms, curve.travel_mm)
    percent = 100.0 * (mine - reference.travel_mm[inside]) / total
    pace = np.abs(np.gradient(reference.travel_mm[inside], t[inside]))
    # The greatest of many readings is greater than the truth by what they scatter: a parabola about it reads past that.
    # Beside a sudden change it overshoots: no reading is taken for more than the readings themselves.
    smooth = _smoothed(percent, u_mm, median(np.diff(t)))
    smooth = np.clip(smooth, float(np.min(percent)), float(np.max(percent)))
    # An error that grows along the curve may bring another place to the top, so each is tried both ways.
    scale, laid = 100.0 / total * rel * mine, 100.0 / total * contact_u_ms * pace
    out: list[Quantity] = []
    for sign in (1.0, -1.0):
        top = max(0.0, float(np.max(sign * smooth)))
        moved = [
            max(abs(max(0.0, float(np.max(sign * smooth + d))) - top) for d in (error, -error))
            for error in (scale, laid)
        ]
        out.append(Quantity(top, math.hypot(100.0 / total * math.sqrt(2.0) * u_mm, *moved)))
    return Departure(out[0], out[1], "contact" if known else "command")
