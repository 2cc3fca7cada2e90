"""What a study was told, in a form that goes to every worker."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from drm.siblings_population import load_population
from drm.siblings_prior import ORIENTATION, Population

__all__ = ["WORK", "Settings", "population_of"]

#: Folder, inside that of the study, for what is not finished.
WORK = ".work"


@dataclass(frozen=True)
class Settings:
    """Where the records are, where the tables go, and what the rows depend on.

    Attributes
    ----------
    root, out : str
        Absolute; on a cluster every worker must see both under these names.
    version : str
        Of the program.
    population : str
        Text of the population file; empty: the shipped orientation.
    """

    root: str
    out: str
    version: str
    population: str = ""

    @property
    def sha256(self) -> str:
        """Of what rows depend on, places left out."""
        return hashlib.sha256(json.dumps({"population": self.population}).encode()).hexdigest()

    @property
    def work(self) -> Path:
        """Folder of what is not finished."""
        return Path(self.out) / WORK

    @property
    def parts(self) -> Path:
        """Folder of the parts."""
        return self.work / "parts"


@cache
def population_of(text: str) -> Population:
    """The population that a population file's text describes; the shipped orientation for an empty one.

    Raises
    ------
    BreakerError
        If the text is not a population file's.
    """
    if not text:
        return ORIENTATION
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "population.toml"
        path.write_text(text, encoding="utf-8")
        return load_population(path)
