"""Every code that a rule can give is in the README's tables, with a level that the rule can give."""

import re
from pathlib import Path

import drm

ROOT = Path(__file__).parents[1]
RULES = Path(drm.__file__).parent


def codes() -> set[str]:
    """Codes as the source has them, a part that is filled in at run time cut off."""
    found: set[str] = set()
    for path in sorted(RULES.glob("rules/*.py")):
        text = path.read_text(encoding="utf-8")
        found |= {m.split("{")[0] for m in re.findall(r"code=f?\"([^\"]+)\"", text)}
    for path in sorted(RULES.glob("setup_*.py")):
        text = path.read_text(encoding="utf-8")
        found |= {f"setup.{m}" for m in re.findall(r"code=\"([^\"]+)\"", text)}
    return found


def test_the_source_is_searched_and_not_an_empty_folder():
    assert {"wipe.none", "setup.skew", "siblings."} <= codes()
    assert len(codes()) > 30


def test_every_code_is_explained_in_the_readme():
    listed = set(re.findall(r"`([a-z]+\.[a-z-]+[.A-Z_a-z-]*)`", (ROOT / "README.md").read_text(encoding="utf-8")))
    missing = {c for c in codes() if not any(x == c or (c.endswith((".", "-")) and x.startswith(c)) for x in listed)}
    assert not missing
