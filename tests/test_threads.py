"""Work side by side gives what work in turn gives."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from drm.threads import calm, side_by_side


def test_results_stand_in_the_order_of_the_items() -> None:
    assert side_by_side(lambda x: x * x, range(50)) == [x * x for x in range(50)]


def test_nothing_to_do_gives_nothing() -> None:
    assert side_by_side(abs, []) == []


def test_with_one_thread_the_work_is_done_where_it_is_called() -> None:
    here = threading.get_ident()
    assert set(side_by_side(lambda _: threading.get_ident(), range(4), most=1)) == {here}


def test_an_error_comes_out() -> None:
    with pytest.raises(ZeroDivisionError):
        side_by_side(lambda x: 1 / x, [1, 2, 0, 3])


def test_linear_algebra_keeps_to_one_thread_and_is_given_back_what_it_had() -> None:
    from threadpoolctl import threadpool_info

    def blas() -> list[int]:
        return [x["num_threads"] for x in threadpool_info() if x["user_api"] == "blas"]

    np.ones((2, 2)) @ np.ones((2, 2))
    before = blas()
    assert before
    with calm():
        assert set(blas()) == {1}
    assert blas() == before
