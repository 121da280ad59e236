"""The first page of a report as text and in a notebook."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from html import escape
from typing import TYPE_CHECKING

from trialkit.analysis.schema import TABLES
from trialkit.analysis.schema.columns import Table as TableSchema
from trialkit.findings import make_findings
from trialkit.numerals import plural
from trialkit.report.compose import compose
from trialkit.report.document import Aside, Document, Findings
from trialkit.report.glance_block import Glance, GlanceCell, Ink
from trialkit.report.terminal import HARM, SHOWN, front_lines
from trialkit.report_options import ReportOptions
from trialkit.rows import Tables

if TYPE_CHECKING:
    from trialkit.analysis import Analysis

_MARKS = {Ink.SHOWN: SHOWN, Ink.HARM: HARM}


def first_page(analysis: Analysis) -> Document:
    """Compose the first page of the report and nothing after it."""
    tables = Tables(analysis)
    options = ReportOptions(formats=(), form="page")
    return compose(analysis, make_findings(analysis, tables), options=options, tables=tables)


def summary_lines(analysis: Analysis) -> list[str]:
    """Write the first page as lines of at most 80 characters."""
    return front_lines(first_page(analysis))


def summary_html(analysis: Analysis) -> str:
    """Write the first page for a notebook, with the list of tables; all text is escaped."""
    return page_html(first_page(analysis), analysis, TABLES)


def page_html(page: Document, source: object, known: Mapping[str, TableSchema]) -> str:
    """Write a first page for a notebook, with the list of those tables that have rows.

    Parameters
    ----------
    page : Document
    source : object
        With a table for each of the known names.
    known : mapping of str to Table
        Schema by name.
    """
    held = [
        (name, str(len(getattr(source, name))), table.question)
        for name, table in known.items()
        if len(getattr(source, name))
    ]
    return "".join(
        [
            *_front(page),
            f"<details><summary>{plural(len(held), 'table')}</summary>",
            _table(("Table", "Rows", "What it tells"), held),
            "</details>",
        ]
    )


def _front(page: Document) -> Iterator[str]:
    yield f"<h3>{escape(page.title)}</h3>"
    for text in (page.subtitle, page.design):
        yield f"<p>{escape(text)}</p>" if text else ""
    for block in page.front:
        if isinstance(block, Findings):
            yield "<ul>" + "".join(f"<li>{escape(text)}</li>" for text in block.items) + "</ul>"
        elif isinstance(block, Glance):
            heads = ("Treatment", *(" ".join(head).strip() for head in block.heads))
            yield _table(heads, ((row.name, *map(_cell, row.cells)) for row in block.rows))
            yield f"<p>{SHOWN} a difference from the untreated was shown; {HARM} to the worse.</p>"
        elif isinstance(block, Aside):
            yield f"<p>{escape(block.text)}</p>"


def _cell(cell: GlanceCell) -> str:
    under = f" ({cell.under})" if cell.under else ""
    return f"{cell.text} {cell.beside}".strip() + _MARKS.get(cell.ink, "") + under


def _table(heads: Iterable[str], body: Iterable[Iterable[str]]) -> str:
    head = "".join(f"<th>{escape(cell)}</th>" for cell in heads)
    rows = ("".join(f"<td>{escape(cell)}</td>" for cell in row) for row in body)
    lines = "".join(f"<tr>{row}</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table>"
