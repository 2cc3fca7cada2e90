"""Tables by columns against pandas' own rows, a clock's interval against NumPy's."""

from __future__ import annotations

import gc
import math

import numpy as np
import pandas as pd

from drm import clock
from drm.clock import interval
from drm.frames import rows_of


def test_rows_are_those_of_pandas():
    table = pd.DataFrame(
        {
            "n": [1, 2],
            "x": [0.5, 2.0],
            "who": ["a", "b"],
            "odd": [None, 3.5],
            "any": [(1, 2), "c"],
            "yes": [True, False],
        }
    )
    assert [str(r) for r in rows_of(table)] == [str(r) for r in table.to_dict("records")]
    assert [type(v) for v in rows_of(table)[0].values()] == [type(v) for v in table.to_dict("records")[0].values()]
    assert rows_of(table.iloc[:0]) == []
    assert rows_of(pd.DataFrame()) == []


def test_an_interval_is_the_clocks_own_and_is_forgotten_with_it():
    for step in (1e-4, 2e-5):
        time = np.arange(1000) * step
        assert interval(time) == interval(time) == np.median(np.diff(time))
    # What other tests left behind goes first.
    gc.collect()
    before = len(clock._KNOWN)
    del time
    gc.collect()
    assert len(clock._KNOWN) == before - 1
    assert math.isnan(interval(np.zeros(1)))
