"""A module that is left for later is there when it is asked for."""

from __future__ import annotations

import subprocess
import sys

CODE = """
import sys
import numpy
from drm.lazily import lazily
lazily("numpy.f2py")
lazily("numpy.no_such_part")
assert "numpy.f2py.crackfortran" not in sys.modules
from numpy import *
import scipy.special
assert "numpy.f2py.crackfortran" not in sys.modules
import numpy.f2py
assert numpy.f2py.get_include() and f2py is numpy.f2py
assert "numpy.f2py.crackfortran" in sys.modules
lazily("numpy.f2py")
assert numpy.f2py.get_include()
"""


def test_what_is_left_for_later_is_loaded_at_its_first_use():
    done = subprocess.run([sys.executable, "-P", "-c", CODE], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
