"""SciPy's special functions, from the compiled module alone where the command has imported that by itself.

``from drm.special import ndtri`` gives what ``from scipy.special import ndtri`` does; see :func:`drm.lazily.by_itself`.
"""

from __future__ import annotations

import sys
from importlib import import_module
from typing import Any

COMPILED = "scipy.special._ufuncs"


def __getattr__(name: str) -> Any:
    if name.startswith("_"):
        raise AttributeError(f"module '{__name__}' has no attribute '{name}'")
    alone = "scipy.special" not in sys.modules and COMPILED in sys.modules
    return getattr(sys.modules[COMPILED] if alone else import_module("scipy.special"), name)
