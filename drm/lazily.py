"""Parts of other libraries that are imported along and seldom asked for: loaded when they are."""

from __future__ import annotations

import sys
from importlib.util import LazyLoader, find_spec, module_from_spec

__all__ = ["lazily"]


def lazily(name: str) -> None:
    """Let the module called `name`, in a package, run at its first use and not at its import.

    Nobody sees a difference but in time; a process of its own decides it for all that run in it, a library does not.
    """
    if name in sys.modules:
        return
    package, _, short = name.rpartition(".")
    spec = find_spec(name)
    if spec is None or spec.loader is None:
        return
    spec.loader = LazyLoader(spec.loader)
    module = module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    setattr(sys.modules[package], short, module)
