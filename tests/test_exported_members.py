"""What is public is what ``__all__`` says."""

from __future__ import annotations

import importlib
import pkgutil

import pytest

import drm

MODULES = sorted(
    m.name
    for m in pkgutil.walk_packages(drm.__path__, "drm.")
    if not m.name.endswith("__main__") and "._" not in m.name
)


@pytest.mark.parametrize("name", MODULES)
def test_each_module_has_what_it_says_it_has(name: str) -> None:
    module = importlib.import_module(name)
    for member in getattr(module, "__all__", ()):
        assert hasattr(module, member)


@pytest.mark.parametrize("name", sorted(set(drm.__all__) - {"__version__"}))
def test_each_public_name_is_public_where_it_comes_from(name: str) -> None:
    member = getattr(drm, name)
    home = importlib.import_module(member.__module__)
    assert name in home.__all__
