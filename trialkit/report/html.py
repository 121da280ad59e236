"""The Document as one self-contained HTML page."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING

from trialkit.report.document import Document
from trialkit.report.laid_out import hold_together, map_edges, page_table, parted, shade_words
from trialkit.report.small_pictures import course_svg, span_svg
from trialkit.resources import data_folder

if TYPE_CHECKING:
    from jinja2 import Template

TEMPLATE = "report.html.j2"
STYLE = "report.css"


@cache
def _template() -> Template:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=FileSystemLoader(data_folder("templates")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["kind"] = lambda block: type(block).__name__
    environment.filters["page_table"] = page_table
    environment.filters["shade_words"] = shade_words
    environment.filters["parted"] = parted
    environment.filters["course_svg"] = lambda course: Markup(course_svg(course))  # noqa: S704
    environment.filters["span_svg"] = lambda span: Markup(span_svg(span))  # noqa: S704
    environment.filters["held"] = hold_together
    environment.globals["map_edges"] = map_edges
    return environment.get_template(TEMPLATE)


def _style() -> str:
    text = (data_folder("templates") / STYLE).read_text(encoding="utf-8")
    without_remarks = re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)
    return re.sub(r"\n\s*", "\n", without_remarks).strip()


def render_html(document: Document, figures: Mapping[str, str]) -> str:
    """Write a document as one page that loads nothing from elsewhere.

    Parameters
    ----------
    document : Document
    figures : mapping of str to str
        An ``<svg>`` element by the key of its `FigureBlock`, its ids unique in the page. A figure
        without a drawing is left out.

    Returns
    -------
    str
        All text of the document is escaped.
    """
    from markupsafe import Markup

    # the drawings and the style sheet are ours; every other text is escaped by the template
    drawings = {key: Markup(svg) for key, svg in figures.items()}  # noqa: S704
    return _template().render(
        document=document,
        figures=drawings,
        style=Markup(_style()),  # noqa: S704
    )
