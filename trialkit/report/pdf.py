"""The Document as a PDF, set by typst from data: no text of a trial is ever read as markup."""

from __future__ import annotations

import json
import warnings
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from trialkit.report.document import (
    Aside,
    Block,
    Command,
    Document,
    Facts,
    FieldMap,
    FigureBlock,
    Findings,
    Notes,
    Paragraph,
    Table,
    Where,
)
from trialkit.report.glance_block import Glance, GlanceRow
from trialkit.report.laid_out import (
    BodyCell,
    column_widths,
    hold_together,
    in_pieces,
    letters_width,
    map_edges,
    map_strips,
    narrow_widths,
    page_table,
    shade_words,
)
from trialkit.report.small_pictures import course_svg, span_svg
from trialkit.resources import data_folder

TEMPLATE = "report.typ"
#: Sizes of paper by name.
PAPERS = {"a4": "a4", "letter": "us-letter"}
#: What a document without a time of its own carries, so that the same input gives the same bytes.
_NO_TIME = datetime(2000, 1, 1, tzinfo=UTC)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SHADES = ("held", "near", "half", "some", "below", "harm-2", "harm-3", "harm-4")
#: Most columns of numbers that a table has beside each other, and one of data of the plots.
MOST_ACROSS, MOST_COMPACT = 12, 20
#: Characters for which a map has room across, and how many the margins of a place take.
MAP_ROOM = 128, 1.3
#: Sections that are set smaller: sources and remarks, not results.
_SMALL = frozenset({"references", "notes", "cautions", "again", "findings"})
#: A glyph that none of the fonts has is left to the reader's eye, as on the page; all else is ours.
_NO_GLYPH = "font"


def pdf_bytes(
    document: Document,
    figures: Mapping[str, str],
    made: datetime | None = None,
    paper: str = "a4",
) -> bytes:
    """Set a document as a tagged PDF.

    Parameters
    ----------
    document : Document
    figures : mapping of str to str
        An ``<svg>`` element by the key of its `FigureBlock`.
    made : datetime, optional
        Time that the file carries as its own; without it a fixed one.
    paper : {'a4', 'letter'}

    Returns
    -------
    bytes
        The same document gives the same bytes.
    """
    data = json.dumps(page_data(document, figures, PAPERS[paper]), ensure_ascii=False)
    time = (made or _NO_TIME).astimezone(UTC)
    seconds = int((time - _EPOCH).total_seconds())
    pages: bytes = set_type(TEMPLATE, data, timestamp=seconds)
    # Some readers complain of the entry, which says no more than what holds without it.
    return pages.replace(b"/Marked true/Suspects false>>", b"/Marked true               >>")


def set_type(template: str, data: str, *, timestamp: int, **options: Any) -> Any:
    """Run typst over one of our templates with data as its only input.

    Raises
    ------
    RuntimeError
        When typst has a remark: a template of ours gives none.
    """
    import typst

    source = (data_folder("templates") / template).read_bytes()
    made, remarks = typst.compile_with_warnings(
        source,
        font_paths=[str(_font_folder())],
        ignore_system_fonts=True,
        sys_inputs={"document": data},
        timestamp=timestamp,
        **options,
    )
    for remark in remarks:
        if _NO_GLYPH not in remark.message:
            raise RuntimeError(f"{template}: {remark.message}")
        warnings.warn(remark.message, stacklevel=2)
    return made


def _font_folder() -> Path:
    """Where the sans-serif letters lie that figures and rare scripts are set in."""
    import matplotlib as mpl

    return Path(mpl.get_data_path()) / "fonts" / "ttf"


def page_data(document: Document, figures: Mapping[str, str], paper: str) -> dict[str, Any]:
    """Bring a document to plain data for the template."""
    return {
        "title": document.title,
        "subtitle": document.subtitle,
        "design": document.design,
        "foot": document.foot,
        "paper": paper,
        "language": "en",
        "front": list(_blocks(document.front, figures)),
        "sections": [
            {
                "title": section.title,
                "small": section.key in _SMALL,
                "sources": section.key == "references",
                "annex": section.where is Where.ANNEX,
                "blocks": list(_blocks(section.blocks, figures)),
            }
            for section in document.printed
        ],
    }


def _blocks(blocks: tuple[Block, ...], figures: Mapping[str, str]) -> Iterator[dict[str, Any]]:
    for block in blocks:
        if isinstance(block, FigureBlock):
            if block.key in figures:
                yield {
                    "kind": "figure",
                    "svg": figures[block.key],
                    "alt": block.alt,
                    "title": block.title,
                    "caption": block.caption,
                    "label": block.label,
                }
        elif isinstance(block, Table):
            most = MOST_COMPACT if block.compact else MOST_ACROSS
            yield from map(_table, in_pieces(block, most))
        elif isinstance(block, FieldMap):
            yield from map(_map, map_strips(block, *MAP_ROOM))
        elif isinstance(block, Glance):
            yield _glance(block)
        else:
            yield _text(block)


def _text(block: Block) -> dict[str, Any]:
    match block:
        case Paragraph(text=text):
            return {"kind": "paragraph", "text": hold_together(text)}
        case Findings(items=items, start=start, aside=aside, strong=strong, title=title):
            return {
                "kind": "findings",
                "items": [hold_together(item) for item in items],
                "start": start,
                "aside": aside,
                "strong": [hold_together(name) for name in strong],
                "title": title,
            }
        case Notes(items=items):
            return {"kind": "notes", "items": [hold_together(item) for item in items]}
        case Facts(pairs=pairs):
            return {"kind": "facts", "pairs": pairs}
        case Command(text=text):
            return {"kind": "command", "text": text}
        case Aside(text=text, doubt=doubt):
            return {"kind": "aside", "text": text, "doubt": doubt}
    raise TypeError(f"no page shows a {type(block).__name__}")


def _table(table: Table) -> dict[str, Any]:
    page = page_table(table)
    width = letters_width(table)
    return {
        "kind": "table",
        "label": table.label,
        "question": table.question,
        "about": table.about,
        "heads": [
            {"title": head.title, "under": head.under, "number": "number" in head.style}
            for head in page.heads
        ],
        "rows": [[_cell(cell, width) for cell in row] for row in page.rows],
        "notes": page.notes,
        "reasons": [(mark, reason) for mark, reason in page.reasons],
        "key": shade_words(page),
        "wide": "wide" in page.style.split(),
        "compact": table.compact,
        "widths": column_widths(page),
        "narrow": narrow_widths(page),
        "short": page.short,
    }


def _cell(cell: BodyCell, width: int) -> dict[str, Any]:
    names = cell.style.split()
    return {
        "text": cell.text,
        "again": "again" in names,
        "number": "number" in names,
        "shade": next((name for name in names if name in _SHADES), ""),
        "letters": cell.letters,
        "width": max(width, 1),
        "note": cell.note,
        "span": cell.span,
    }


def _map(field: FieldMap) -> dict[str, Any]:
    rows = [
        {
            "row": row,
            "places": [
                {
                    "plots": [
                        {
                            "plot": plot.plot,
                            "treatment": plot.treatment,
                            "block": plot.value or plot.block,
                        }
                        for plot in field.at(row, column)
                    ],
                    "colour": next((p.colour for p in field.at(row, column)), "#ffffff"),
                    "edges": map_edges(field, row, column),
                }
                for column in field.columns
            ],
        }
        for row in field.rows
    ]
    return {
        "kind": "map",
        "caption": field.caption,
        "columns": field.columns,
        "rows": rows,
        "legend": field.legend,
    }


def _glance(block: Glance) -> dict[str, Any]:
    return {
        "kind": "glance",
        "title": block.title,
        "course-head": block.course_head,
        "heads": block.heads,
        "rows": [_glance_row(row) for row in block.rows],
        "span-at": block.span_at,
        "notes": block.notes,
    }


def _glance_row(row: GlanceRow) -> dict[str, Any]:
    return {
        "name": row.name,
        "under": row.under,
        "course": course_svg(row.course) if row.course else None,
        "course-alt": row.course.alt if row.course else "",
        "words": row.words,
        "span": span_svg(row.span) if row.span else None,
        "span-alt": row.span.alt if row.span else "",
        "base": row.base,
        "cells": [
            {"text": cell.text, "under": cell.under, "ink": cell.ink.value, "beside": cell.beside}
            for cell in row.cells
        ],
    }
