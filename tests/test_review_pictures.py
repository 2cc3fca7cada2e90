"""The README's pictures come from the command that the developers' guide names, and it still works."""

from __future__ import annotations

import re
import struct
from pathlib import Path

import pytest
from browser import needs_chromium
from make_pictures import PICTURES, make

ROOT = Path(__file__).resolve().parents[1]


def size_of(path: Path) -> tuple[int, int]:
    """Width and height of a PNG file."""
    head = path.read_bytes()[:24]
    assert head.startswith(b"\x89PNG\r\n\x1a\n")
    return struct.unpack(">II", head[16:24])  # type: ignore[return-value]


def test_the_readme_shows_every_picture_with_words_for_those_who_do_not_see_it() -> None:
    shown = re.findall(r"!\[([^\]]+)\]\(tests/pictures/([^)]+)\)", (ROOT / "README.md").read_text(encoding="utf-8"))
    assert {file for _, file in shown} == set(PICTURES)
    assert all(len(words) > 30 for words, _ in shown)
    assert {p.name for p in (ROOT / "tests" / "pictures").glob("*.png")} == set(PICTURES)


@needs_chromium
@pytest.mark.filterwarnings("ignore")
def test_the_command_makes_them(tmp_path: Path) -> None:
    make(tmp_path)
    for name in PICTURES:
        made, kept = size_of(tmp_path / name), size_of(ROOT / "tests" / "pictures" / name)
        assert made[0] == pytest.approx(kept[0], rel=0.02)
        assert made[1] == pytest.approx(kept[1], rel=0.1)
        # Not an empty page.
        assert (tmp_path / name).stat().st_size > 0.5 * (ROOT / "tests" / "pictures" / name).stat().st_size


def test_the_developers_guide_names_the_command() -> None:
    assert "python tests/make_pictures.py tests/pictures" in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
