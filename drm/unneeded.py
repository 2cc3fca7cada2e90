"""What the libraries take in for themselves and a diagnosis does not ask for: left for later, or left out."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from drm.lazily import absent, by_itself, lazily
from drm.special import COMPILED

__all__ = ["unneeded_later"]


def unneeded_later() -> None:
    """Load Numba and SciPy's special functions, and no more of either than the kernels and the statistics use.

    For a process of its own, before another thread runs. Whatever else of these libraries is asked for later is there.
    """
    if "numba.np.arraymath" in sys.modules:
        return
    # SciPy takes in whatever NumPy names, its translator of Fortran with it; Numba, what reads a file of settings and
    # lists what is installed.
    for name in ("numpy.f2py", "numpy.testing", "yaml", "importlib.metadata"):
        lazily(name)
    by_itself(COMPILED)
    # Numba asks for SciPy's linear algebra, so that kernels can multiply matrices; none here does. Another release may
    # have the module that asks elsewhere: then it asks.
    with absent("scipy.linalg.cython_blas"), _untimed(), suppress(ImportError):
        import numba.np.arraymath  # noqa: F401
    # It would look through all that is installed for extensions of its own: types that no kernel here knows.
    if (extensions := sys.modules.get("numba.core.entrypoints")) is not None:
        vars(extensions)["_already_initialized"] = True


@contextmanager
def _untimed() -> Iterator[None]:
    """Spare Numba the timing of each of the thousands of calls of LLVM, which nobody reads."""
    import llvmlite.binding

    ffi = vars(llvmlite.binding.ffi)
    if (told := ffi.get("register_lock_callback")) is None:
        yield
        return
    ffi["register_lock_callback"] = lambda *_: None
    try:
        yield
    finally:
        ffi["register_lock_callback"] = told
