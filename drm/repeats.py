"""Repeatability: how far a figure of one interrupter or mechanism scatters from operation to operation."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["repeatability"]

_ASIDE = ("operation", "position", "sibling_score", "sibling_p", "sample_ms")


def repeatability(features: pd.DataFrame, mechanisms: pd.DataFrame) -> pd.DataFrame:
    """Standard deviation of repeated operations of one kind, figure by figure.

    Returns
    -------
    DataFrame
        ``of`` ('interrupter' or 'mechanism'), ``name, kind, column, n, mean, s_r, s_r_u, stated_u``: mean,
        repeatability standard deviation (a term of ISO 5725), its own standard uncertainty ``s / sqrt(2 (n - 1))``, and
        the median of the stated standard uncertainties beside it. Rows of ``name`` 'all' pool the names of one kind by
        their degrees of freedom. Figures measured once are left out.
    """
    import pandas as pd

    rows: list[dict[str, object]] = []
    for frame, of in ((features, "interrupter"), (mechanisms, "mechanism")):
        if not len(frame) or of not in frame:
            continue
        columns = [
            str(c)
            for c in frame.columns
            if c not in _ASIDE and frame[c].dtype.kind == "f" and not (str(c).endswith("_u") and str(c)[:-2] in frame)
        ]
        for kind, mine in frame.groupby("kind", sort=True):
            for column in columns:
                squares, freedom, us, means = 0.0, 0, [], []
                for name, part in mine.groupby(of, sort=True):
                    x = part[column].to_numpy(dtype=float)
                    good = np.isfinite(x)
                    if "quality" in part:
                        good &= (part["quality"] == "").to_numpy(dtype=bool)
                    n = int(good.sum())
                    if n < 2:
                        continue
                    s, mean = float(np.std(x[good], ddof=1)), float(np.mean(x[good]))
                    # Equal values differ in their last bit once they are averaged.
                    s = 0.0 if s < 1e-12 * abs(mean) else s
                    u = part[f"{column}_u"].to_numpy(dtype=float)[good] if f"{column}_u" in part else np.array([np.nan])
                    stated = float(np.median(u[np.isfinite(u)])) if bool(np.isfinite(u).any()) else math.nan
                    rows.append(_row(of, str(name), str(kind), column, n, mean, s, n - 1, stated))
                    squares, freedom = squares + (n - 1) * s * s, freedom + n - 1
                    us.append(stated)
                    means.append(mean)
                if len(means) > 1:
                    pooled = math.sqrt(squares / freedom)
                    rows.append(
                        _row(
                            of,
                            "all",
                            str(kind),
                            column,
                            freedom + len(means),
                            float(np.mean(means)),
                            pooled,
                            freedom,
                            float(np.median(us)),
                        )
                    )
    return pd.DataFrame(rows, columns=["of", "name", "kind", "column", "n", "mean", "s_r", "s_r_u", "stated_u"])


def _row(
    of: str, name: str, kind: str, column: str, n: int, mean: float, s: float, freedom: int, stated: float
) -> dict[str, object]:
    return {
        "of": of,
        "name": name,
        "kind": kind,
        "column": column,
        "n": n,
        "mean": mean,
        "s_r": s,
        "s_r_u": s / math.sqrt(2.0 * freedom),
        "stated_u": stated,
    }
