"""The report: one self-contained HTML file, readable on screen and on A4 paper, without network or scripts."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import jinja2

    from drm.pipeline import Result

__all__ = ["render"]


def render(result: Result) -> str:
    """The report of a result.

    Parameters
    ----------
    result : Result
        Any value in it may be missing; names in it may hold anything.

    Returns
    -------
    str
        A complete HTML document, to be written as UTF-8.
    """
    from drm.report.view import view

    return _environment().get_template("report.html.j2").render(view(result)) + "\n"


@cache
def _environment() -> jinja2.Environment:
    import jinja2

    from drm.report.compiled import compiled_templates

    return jinja2.Environment(
        loader=jinja2.PackageLoader("drm.report", "."),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_finalize,
        bytecode_cache=compiled_templates(),
    )


def _finalize(value: Any) -> Any:
    """Plain text loses its control and direction characters on its way out; markup was cleaned where it was made."""
    from drm.wording import clean

    return value if hasattr(value, "__html__") else clean(value)
