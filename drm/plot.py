"""Plots for users of Python: ``result.plot.resistance("B2")`` and its like give matplotlib Axes to go on with."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from drm.errors import InputError, nearest
from drm.wording import name, number, title_of, unit_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from drm.pipeline import Reading, Result

__all__ = ["Plots"]

FloatArray = NDArray[np.float64]

#: Told apart without colour vision (Okabe and Ito), and by dashes as well.
BLUE, ORANGE, RED, GREY = "#0072b2", "#e69f00", "#a34700", "#5b666d"
COLOURS = (BLUE, "#d55e00", "#009e73", "#8a4a73", "#56b4e9", "#000000")
DASHES = ("-", "--", ":", "-.")


@dataclass(frozen=True, eq=False)
class Plots:
    """The plots of one result; every one takes ``ax`` to draw into and returns it."""

    result: Result

    def resistance(
        self, interrupter: str, *, operation: int | None = None, along: str = "", ax: Axes | None = None
    ) -> Axes:
        """Resistance of one interrupter with its instants, over travel or time.

        Parameters
        ----------
        interrupter : str
        operation : int, optional
            The first in which it could be read, if not given.
        along : {'', 'travel', 'time'}
            Over travel where there is travel, if not given.
        ax : matplotlib Axes, optional

        Returns
        -------
        Axes
            Resistance in uOhm on a logarithmic axis: as measured in grey, after wavelet shrinkage (for the eye) in
            front of it; the instants as lines with a band of the expanded uncertainty (k = 2) where times are shown.

        Raises
        ------
        InputError
            If there is no such reading, or no travel to draw it over.
        """
        reading = self._reading(interrupter, operation)
        over = _along(reading, along)
        x = reading.travel_mm if over == "travel" and reading.travel_mm is not None else reading.time_ms
        ax = _axes(ax)
        ax.plot(x, reading.resistance_uohm, color="#b9c3ca", linewidth=0.8, label="as measured")
        ax.plot(x, reading.shown_uohm, color="#1c2226", linewidth=1.2, label=name(interrupter))
        _mark_instants(ax, reading, over)
        ax.set_yscale("log")
        ax.set_ylabel("resistance, µΩ")
        ax.set_xlabel("travel from the closed position, mm" if over == "travel" else _time_label(reading))
        ax.set_title(_title(reading))
        ax.legend()
        return ax

    def travel(self, *, operation: int | None = None, ax: Axes | None = None) -> Axes:
        """Travel of every mechanism in one operation (the first, if not given) over time.

        Raises
        ------
        InputError
            If no travel was recorded in it, or there is no such operation.
        """
        number_ = self._operation(operation)
        shown: dict[str, Reading] = {}
        for r in self.result.readings:
            if r.operation.number == number_ and r.travel_mm is not None:
                shown.setdefault(r.interrupter.mechanism, r)
        if not shown:
            raise InputError("no travel was recorded", place=f"operation {number_}", mend="name a travel channel")
        ax = _axes(ax)
        for k, (mechanism, r) in enumerate(shown.items()):
            look: dict[str, Any] = {"color": COLOURS[k % len(COLOURS)], "linestyle": DASHES[k % len(DASHES)]}
            ax.plot(r.time_ms, np.asarray(r.travel_mm), label=name(mechanism), **look)
        first = next(iter(shown.values()))
        ax.set_xlabel(_time_label(first))
        ax.set_ylabel("travel from the closed position, mm")
        ax.set_title(f"operation {number_}, {first.operation.kind}")
        ax.legend(title="mechanism")
        return ax

    def instants(self, *, operation: int | None = None, along: str = "", ax: Axes | None = None) -> Axes:
        """Instants of every interrupter in one operation as bars: main contact, then arcing contact alone.

        Parameters
        ----------
        operation : int, optional
            The first, if not given.
        along : {'', 'travel', 'time'}
            Over travel where every interrupter has it, if not given.
        ax : matplotlib Axes, optional

        Returns
        -------
        Axes
            One row an interrupter, whiskers of the expanded uncertainty (k = 2).
        """
        table = self.result.features[self.result.features["operation"] == self._operation(operation)]
        known = np.isfinite(table["main_contact_mm"].to_numpy(dtype=float)).any()
        unit = {"": "mm" if known else "ms", "travel": "mm", "time": "ms"}.get(along)
        if unit is None:
            raise InputError(f"'{along}' is no axis", place="along", mend="allowed: travel, time")
        main, arcing = (table[f"{p}_contact_{unit}"].to_numpy(dtype=float) for p in ("main", "arcing"))
        ax = _axes(ax)
        rows = np.arange(len(table))
        closed = 0.0 if unit == "mm" else float(np.nanmin(np.concatenate([main, arcing, [np.inf]])) - 1.0)
        ax.barh(rows, main - closed, left=closed, height=0.55, color=BLUE, label="main contact")
        ax.barh(rows, arcing - main, left=main, height=0.55, color=ORANGE, label="arcing contact alone")
        for values, part in ((main, "main"), (arcing, "arcing")):
            u = 2.0 * table[f"{part}_contact_{unit}_u"].to_numpy(dtype=float)
            ax.errorbar(values, rows, xerr=np.nan_to_num(u), fmt="none", ecolor="black", capsize=3, linewidth=1)
        ax.set_yticks(rows, [name(n) for n in table["interrupter"]])
        ax.invert_yaxis()
        ax.set_xlabel("travel from the closed position, mm" if unit == "mm" else "time from the reference, ms")
        ax.set_title(f"operation {int(table['operation'].iloc[0])}, {table['kind'].iloc[0]}")
        # Below the axis: anywhere inside it would lie on a bar.
        ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.12), ncols=2, frameon=False)
        return ax

    def siblings(self, feature: str = "arcing_wipe_mm", *, kind: str = "", ax: Axes | None = None) -> Axes:
        """One feature of every interrupter with its expanded uncertainty (k = 2), beside the median of all.

        Parameters
        ----------
        feature : str
            A value column of ``features``.
        kind : {'', 'open', 'close'}
            Operations of this kind; of the record's first operation, if not given.
        ax : matplotlib Axes, optional

        Raises
        ------
        InputError
            If there is no such column or no such operation.
        """
        features = self.result.features
        columns = [c for c in features.columns if f"{c}_u" in features.columns]
        if feature not in columns:
            raise InputError(f"no value column is called '{feature}'", place="feature", mend=nearest(feature, columns))
        kind = kind or str(features["kind"].iloc[0])
        table = features[features["kind"] == kind]
        if not len(table):
            raise InputError(f"the record holds no '{kind}' operation", place="kind", mend="allowed: open, close")
        ax = _axes(ax)
        names = list(dict.fromkeys(table["interrupter"]))
        numbers = sorted(set(table["operation"]))
        for k, which in enumerate(numbers):
            part = table[table["operation"] == which].set_index("interrupter")
            shift = 0.16 * (k - (len(numbers) - 1) / 2)
            value = [number(part[feature].get(n)) for n in names]
            u = [2.0 * number(part[f"{feature}_u"].get(n)) for n in names]
            look: dict[str, Any] = {"color": COLOURS[k % len(COLOURS)], "marker": "os^D"[k % 4]}
            bars = np.nan_to_num(np.asarray(u))
            ax.errorbar(
                np.arange(len(names)) + shift,
                value,
                yerr=bars,
                linestyle="none",
                capsize=3,
                label=f"operation {which}",
                **look,
            )
        middle = float(np.nanmedian(table[feature])) if table[feature].notna().any() else math.nan
        if math.isfinite(middle):
            ax.axhline(middle, color=GREY, linestyle="--", linewidth=1, label="median of all")
        ax.set_xticks(np.arange(len(names)), [name(n) for n in names])
        unit = unit_of(feature)
        ax.set_ylabel(f"{title_of(feature)}{f', {unit}' if unit else ''}")
        ax.set_title({"open": "opening", "close": "closing"}.get(kind, kind))
        ax.legend()
        return ax

    def _operation(self, operation: int | None) -> int:
        numbers = [o.number for o in self.result.operations]
        wanted = numbers[0] if operation is None and numbers else operation
        if wanted not in numbers or wanted is None:
            raise InputError(
                f"there is no operation {wanted}", place="operation", mend=f"allowed: {', '.join(map(str, numbers))}"
            )
        return wanted

    def _reading(self, interrupter: str, operation: int | None) -> Reading:
        names = [i.name for i in self.result.breaker.interrupters]
        if interrupter not in names:
            raise InputError(
                f"no interrupter is called '{interrupter}'", place="interrupter", mend=nearest(interrupter, names)
            )
        if operation is not None:
            self._operation(operation)
        for r in self.result.readings:
            if r.interrupter.name == interrupter and operation in (None, r.operation.number):
                return r
        raise InputError(
            f"the trace of '{interrupter}' could not be used", place="interrupter", mend="its row's quality says why"
        )


def _axes(ax: Axes | None) -> Axes:
    if ax is not None:
        return ax
    import matplotlib.pyplot as plt

    return plt.subplots(layout="constrained")[1]


def _along(reading: Reading, along: str) -> str:
    if along not in ("", "travel", "time"):
        raise InputError(f"'{along}' is no axis", place="along", mend="allowed: travel, time")
    if reading.travel_mm is None:
        if along == "travel":
            raise InputError("no travel was recorded", place="along", mend="draw it along='time'")
        return "time"
    return along or "travel"


def _mark_instants(ax: Axes, reading: Reading, over: str) -> None:
    reference = reading.operation.reference_s[reading.interrupter.mechanism]
    looks: tuple[tuple[str, Any, dict[str, Any]], ...] = (
        ("main contact", reading.zones.main_s, {"color": BLUE}),
        ("arcing contact", reading.zones.arcing_s, {"color": RED, "linestyle": "--"}),
    )
    if over == "time" and all(instant for _, instant, _ in looks):
        # The long rest before and after would leave the move itself a few pixels wide.
        ends = sorted(1e3 * (instant.value - reference) for _, instant, _ in looks)
        room = 1.5 * (ends[1] - ends[0]) + 3.0
        ax.set_xlim(max(ends[0] - room, reading.time_ms[0]), min(ends[1] + room, reading.time_ms[-1]))
    for what, instant, look in looks:
        if not instant:
            continue
        ms = 1e3 * (instant.value - reference)
        if over == "travel":
            good = np.isfinite(np.asarray(reading.travel_mm))
            mm = np.interp(ms, reading.time_ms[good], np.asarray(reading.travel_mm)[good])
            ax.axvline(float(mm), label=what, **look)
            continue
        ax.axvline(ms, label=what, **look)
        if math.isfinite(instant.u):
            ax.axvspan(ms - 2e3 * instant.u, ms + 2e3 * instant.u, color=look["color"], alpha=0.18, linewidth=0)


def _time_label(reading: Reading) -> str:
    how = reading.operation.reference[reading.interrupter.mechanism]
    return f"time from {'the coil current’s onset' if how == 'coil' else 'the start of motion'}, ms"


def _title(reading: Reading) -> str:
    return f"{name(reading.interrupter.name)}, operation {reading.operation.number}, {reading.operation.kind}"
