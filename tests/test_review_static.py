"""The page's files: the library is the one that was published, nothing is inline, nothing becomes markup."""

from __future__ import annotations

import re
from hashlib import sha256
from pathlib import Path

import pytest

import drm

STATIC = Path(drm.__file__).parent / "review" / "static"
#: uPlot 1.6.32 as the npm registry has it (MIT), taken from the package's dist/ folder and its LICENSE.
PUBLISHED = {
    "uPlot.iife.min.js": "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f",
    "uPlot.min.css": "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04",
    "uPlot.LICENSE.txt": "8f989229699b4fe2f1a0432d0e9edc338a8a911e250e2d1b01ecd770a5f5b1bd",
}
OWN = sorted(p for p in STATIC.iterdir() if p.suffix in (".js", ".html", ".css") and p.name not in PUBLISHED)


@pytest.mark.parametrize("name", sorted(PUBLISHED))
def test_the_library_is_the_published_one(name: str) -> None:
    assert sha256((STATIC / name).read_bytes()).hexdigest() == PUBLISHED[name]


def test_the_library_comes_with_its_licence() -> None:
    assert "MIT License" in (STATIC / "uPlot.LICENSE.txt").read_text("utf-8")


def test_every_file_that_the_page_names_is_served_and_nothing_else() -> None:
    from drm.review.app import FILES

    named = set(re.findall(r'(?:href|src)="/static/([^"]+)"', (STATIC / "page.html").read_text("utf-8")))
    for script in STATIC.glob("*.js"):
        named |= set(re.findall(r'from "\./([^"]+)"', script.read_text("utf-8")))
    assert named == set(FILES)
    assert all((STATIC / name).is_file() for name in FILES)


def test_the_page_has_no_script_style_or_handler_of_its_own() -> None:
    page = (STATIC / "page.html").read_text("utf-8")
    assert not re.findall(r"<script(?![^>]*\bsrc=)", page)
    assert "<style" not in page
    assert not re.findall(r"\s(?:on\w+|style)=", page)


@pytest.mark.parametrize("path", [p for p in OWN if p.suffix == ".js"], ids=lambda p: p.name)
def test_no_script_makes_markup_or_code_of_text(path: Path) -> None:
    banned = ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval(", "new Function", "DOMParser")
    assert not [word for word in (*banned, "createContextualFragment") if word in path.read_text("utf-8")]


@pytest.mark.parametrize("path", OWN, ids=lambda p: p.name)
def test_nothing_is_fetched_from_anywhere_else(path: Path) -> None:
    addresses = re.findall(r"(?:https?:)?//[\w.-]+\.\w+[^\s\"']*", path.read_text("utf-8"))
    assert set(addresses) <= {"http://www.w3.org/2000/svg"}
