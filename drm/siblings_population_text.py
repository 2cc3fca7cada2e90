"""A population as the text of a population file."""

from __future__ import annotations

import json

from drm.siblings_prior import Population

__all__ = ["population_text"]


def population_text(population: Population, *, notes: str = "") -> str:
    """Text that :func:`drm.siblings_population.load_population` reads back as `population`.

    Parameters
    ----------
    population : Population
    notes : str
        Put at the head as a comment, line by line.

    Returns
    -------
    str
        Numbers to six significant digits.
    """
    lines = [f"# {line}".rstrip() for line in notes.splitlines()]
    lines += ["[population]", f"name = {_quoted(population.name)}", f"breakers = {population.breakers}"]
    for feature, prior in population.priors.items():
        lines += ["", f"[scatter.{feature}]", f"sd = {prior.sd:.6g}", f"dof = {prior.dof:.6g}"]
        lines += [f"log = {str(prior.log).lower()}"] if prior.log else []
        lines += [f"pole_share = {prior.pole_share:.4f}", f"position_share = {prior.position_share:.4f}"]
        lines += [f"weight = {prior.weight:.6g}"]
    for (one, other), value in population.correlations.items():
        pair = f"features = [{_quoted(one)}, {_quoted(other)}]"
        lines += ["", "[[correlation]]", pair, f"value = {value:.4f}"]
    lines += ["", "[curve]", f"sd = {population.curve_sd:.6g}", f"dof = {population.curve_dof:.6g}"]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    # JSON's strings are TOML's as well once DEL is escaped.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
