"""Parts of other libraries that are imported along and seldom asked for: loaded when they are.

A process of its own decides it for all that run in it; a library does not. Nobody sees a difference but in time.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib import import_module
from importlib.machinery import ModuleSpec
from importlib.util import find_spec, module_from_spec
from threading import RLock
from types import ModuleType
from typing import Any

__all__ = ["absent", "by_itself", "lazily"]

#: A module is loaded by one thread; the others wait until it is whole.
_LOADING = RLock()


def lazily(name: str) -> None:
    """Let the module called `name` run when something of it is asked for, and not at its import."""
    if (spec := _not_yet(name)) is None:
        return
    module = module_from_spec(spec)
    # Not even its folder is known: a module in it may count on the package's having run.
    vars(module).pop("__path__", None)
    module.__class__ = _Later
    package, _, short = name.rpartition(".")
    sys.modules[name] = module
    if package:
        setattr(sys.modules[package], short, module)


class _Later(ModuleType):
    """A module that has not run yet; Python asks here for what is missing."""

    def __getattr__(self, name: str) -> Any:
        with _LOADING:
            # Otherwise it runs, and asks for something of its own; or another thread has had it run.
            if type(self) is _Later and not vars(self).get("_drm_runs"):
                self._run()
            if name in vars(self):
                return vars(self)[name]
        raise AttributeError(f"module '{self.__name__}' has no attribute '{name}'")

    def _run(self) -> None:
        if (spec := self.__spec__) is None or spec.loader is None:
            return
        if spec.submodule_search_locations is not None:
            self.__path__ = spec.submodule_search_locations
        self._drm_runs = True
        try:
            spec.loader.exec_module(self)
        finally:
            del self._drm_runs
        # Whole: an ordinary module from now on.
        object.__setattr__(self, "__class__", ModuleType)


def by_itself(name: str) -> None:
    """Import the compiled module called `name`, which needs nothing of its package, and leave the package for later.

    SciPy's special functions are the case in point: the package spends ten times as long on itself as on them, and
    most of that on its documentation. To be called where no other thread imports.
    """
    package = name.rpartition(".")[0]
    if (spec := _not_yet(package)) is None:
        return
    sys.modules[package] = module_from_spec(spec)
    try:
        # Where a later release has no such module, the package is asked, as ever.
        with suppress(ImportError):
            import_module(name)
    finally:
        del sys.modules[package]


@contextmanager
def absent(name: str) -> Iterator[None]:
    """While this lasts, whoever tries to import the module called `name` is told that there is none."""
    if name in sys.modules:
        yield
        return
    sys.modules[name] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        del sys.modules[name]


def _not_yet(name: str) -> ModuleSpec | None:
    """The plan of a module that is there and not imported."""
    if name in sys.modules:
        return None
    spec = find_spec(name)
    return None if spec is None or spec.loader is None else spec
