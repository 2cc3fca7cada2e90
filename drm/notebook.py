"""A result as a notebook shows it: the verdict, a table of the telling figures, the findings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drm.edit_words import edit_summary
from drm.grounds import CAUTIONS, grounds, levels_of, setup_words, telling_rows
from drm.wording import LEVELS, MARKS, VERDICTS, clean, measured, name, worst

if TYPE_CHECKING:
    from drm.pipeline import Result

__all__ = ["as_html"]

COLUMNS = ("arcing_wipe_mm", "main_resistance_uohm", "arcing_resistance_uohm")
HEADS = ("interrupter", "operation", "wipe, mm", "main, µΩ", "arcing, µΩ", "level")


def as_html(result: Result) -> str:
    """The result as one HTML fragment without script, style sheet or picture.

    Parameters
    ----------
    result : Result
        Names in it may hold anything: they are shown as text.
    """
    from markupsafe import Markup, escape

    level = worst(f.level for f in result.findings if f.subject != "setup")
    levels = levels_of(result)
    cell = Markup("<td>{}</td>").format
    rows = Markup("").join(
        Markup("<tr><th scope='row'>{}</th>{}</tr>").format(
            name(who),
            Markup("").join(
                [
                    cell(clean(f"{row.get('operation', '')} {row.get('kind', '')}", limit=20)),
                    *(cell(measured(row.get(c), row.get(f"{c}_u"))) for c in COLUMNS),
                    cell(f"{MARKS[levels.get(who, '')]} {levels.get(who, '')}".strip()),
                ]
            ),
        )
        for who, row in telling_rows(result).items()
    )
    heads = Markup("").join(Markup("<th scope='col'>{}</th>").format(h) for h in HEADS)
    found = Markup("").join(
        Markup("<li>{} {}: {}</li>").format(MARKS[f.level], f.level, clean(f.message, limit=600))
        for f in sorted(result.findings, key=lambda f: LEVELS.index(f.level))
    )
    words = [setup_words(result), edit_summary(result), *grounds(result).cannot]
    told = Markup("").join(Markup("<p>{}</p>").format(w) for w in words if w)
    page = Markup(
        "<div><p><strong>{} {}</strong></p><p>{}, record {}</p><table><thead><tr>{}</tr></thead>"
        "<tbody>{}</tbody></table>"
        "<p>Value ± expanded uncertainty (k = 2).</p><ul>{}</ul>{}<p>{}</p></div>"
    ).format(
        MARKS[level],
        VERDICTS[level],
        name(result.breaker.name),
        name(result.record.name),
        heads,
        rows,
        found,
        told,
        escape(f"{CAUTIONS[-1][0]} {CAUTIONS[-1][1]}"),
    )
    return str(page)
