"""A module that is left for later is there when it is asked for."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

LATER = """
import sys
import numpy
from drm.lazily import lazily
lazily("numpy.f2py")
lazily("numpy.no_such_part")
lazily("no_such_library")
assert "numpy.f2py.crackfortran" not in sys.modules
from numpy import *
import numpy.f2py
assert f2py is numpy.f2py and f2py.__name__ == "numpy.f2py"
assert "numpy.f2py.crackfortran" not in sys.modules
assert numpy.f2py.get_include()
assert "numpy.f2py.crackfortran" in sys.modules
try:
    numpy.f2py.no_such_thing
except AttributeError as error:
    assert "no_such_thing" in str(error)
else:
    raise AssertionError
lazily("numpy.f2py")
assert numpy.f2py.get_include()
"""

IN_A_PACKAGE_LEFT_FOR_LATER = """
import sys
import numpy
from drm.lazily import lazily
lazily("numpy.f2py")
from numpy.f2py import crackfortran
import numpy.f2py.rules
assert crackfortran is numpy.f2py.crackfortran and numpy.f2py.get_include()
lazily("numpy.testing")
from numpy.testing import assert_allclose
assert_allclose(1.0, 1.0)
"""

BY_MANY_THREADS = """
from concurrent.futures import ThreadPoolExecutor
import numpy
from drm.lazily import lazily
lazily("numpy.f2py")
with ThreadPoolExecutor(8) as pool:
    assert len(set(pool.map(lambda _: numpy.f2py.get_include(), range(64)))) == 1
"""

BY_ITSELF = """
import sys
import numpy
from drm.lazily import by_itself
by_itself("scipy.special.no_such_part")
by_itself("scipy.special._ufuncs")
from drm.special import chdtri, fdtri, fdtrc, gammaln, log_ndtr, ndtri, ndtri_exp, stdtr, stdtrit
assert "scipy.special" not in sys.modules
told = [chdtri, fdtri, fdtrc, gammaln, log_ndtr, ndtri, ndtri_exp, stdtr, stdtrit]
import scipy.special
import drm.special
for f in told:
    assert f is getattr(scipy.special, f.__name__) is getattr(drm.special, f.__name__)
assert scipy.special._ufuncs.stdtr is scipy.special.stdtr
assert scipy.special.logsumexp([0.0, 0.0]) > 0.69
by_itself("scipy.special._ufuncs")
assert sys.modules["scipy.special"] is scipy.special
"""

ABSENT = """
import sys
from drm.lazily import absent
with absent("scipy.linalg.cython_blas"):
    try:
        import scipy.linalg.cython_blas
    except ImportError:
        pass
    else:
        raise AssertionError
import scipy.linalg.cython_blas
with absent("scipy.linalg.cython_blas"):
    import scipy.linalg.cython_blas
assert scipy.linalg.det([[2.0, 1.0], [1.0, 2.0]]) == 3.0
"""

AS_THE_COMMAND_DOES = """
import sys
from drm.unneeded import unneeded_later
unneeded_later()
assert not {"scipy.special", "scipy.linalg", "yaml.reader", "numpy.f2py.crackfortran"} & set(sys.modules)
import numpy as np
import importlib.metadata
assert importlib.metadata.version("numpy") == np.__version__
from drm.uncertainty import coverage_factor
# Student's t for ten degrees of freedom, JCGM 100 table G.2, from memory.
assert abs(coverage_factor(0.95, 10) - 2.23) < 5e-3
from scipy.optimize import linear_sum_assignment
rows, columns = linear_sum_assignment(np.array([[4.0, 1.0], [2.0, 4.0]]))
assert list(columns) == [1, 0]
from scipy.interpolate import PchipInterpolator
assert PchipInterpolator([0.0, 1.0, 2.0], [0.0, 1.0, 4.0])(1.0) == 1.0
from scipy.stats import t, theilslopes
assert abs(theilslopes([1.0, 2.0, 3.0])[0] - 1.0) < 1e-12 and abs(t.ppf(0.975, 10) - 2.228) < 1e-3
from scipy.linalg import cho_factor, cython_blas
from scipy.signal import butter, sosfilt
assert np.isfinite(sosfilt(butter(2, 0.1, output="sos"), np.ones(9))).all()
from sklearn.isotonic import IsotonicRegression
import llvmlite.binding
assert llvmlite.binding.ffi.register_lock_callback.__name__ == "register_lock_callback"
import numba
@numba.njit
def twice(x):
    return 2.0 * np.sort(x)
assert twice(np.array([2.0, 1.0]))[0] == 2.0
"""

SETTINGS_OF_NUMBA = """
from drm.unneeded import unneeded_later
unneeded_later()
import numba
assert int(numba.config.OPT) == 1
"""


def run(code: str, cwd: Path | None = None) -> None:
    done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, cwd=cwd)
    assert done.returncode == 0, done.stderr


def test_what_is_left_for_later_is_loaded_at_its_first_use():
    run(LATER)


def test_a_part_of_a_package_left_for_later_loads_the_package_first():
    run(IN_A_PACKAGE_LEFT_FOR_LATER)


def test_threads_that_ask_at_once_all_find_it_whole():
    run(BY_MANY_THREADS)


def test_a_compiled_part_loaded_by_itself_is_the_one_that_its_package_has():
    run(BY_ITSELF)


def test_what_was_absent_for_a_while_is_there_again():
    run(ABSENT)


def test_whatever_the_command_leaves_for_later_works_in_the_same_process():
    run(AS_THE_COMMAND_DOES)


def test_settings_of_numba_in_a_file_are_still_read(tmp_path):
    (tmp_path / ".numba_config.yaml").write_text('opt: "1"\n', encoding="utf-8")
    run(SETTINGS_OF_NUMBA, cwd=tmp_path)
