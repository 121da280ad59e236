"""Blocks or treatments that stand on a line of their own above their plots."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise

from trialkit.problems import listing, quoted
from trialkit.reading.cells import Cell, Grid, Ledger, Row
from trialkit.reading.headers import COMPARED, TIMES, field_of, normal
from trialkit.reading.headings import day_header, long_replicate
from trialkit.reading.leftout import is_summary_word
from trialkit.reading.numbers import looks_numeric


def with_lines(
    grid: Grid, kind: str, header: Row, body: tuple[Row, ...], ledger: Ledger
) -> tuple[Row, tuple[Row, ...], str]:
    """Give a table a column for what stands on lines between its rows, and say so.

    Parameters
    ----------
    grid : Grid
    kind : str
    header : Row
    body : tuple of Row
        The rows below the headings.
    ledger : Ledger

    Returns
    -------
    (Row, tuple of Row, str)
        Headings with one more, ``block`` or ``treatment``, and the rows without the lines; as
        they were where the first row is no line, or the table has such a column. The variable
        that lines of days name beside their day, all the same; else empty.
    """
    body = tuple(map(_as_line, body))
    above = [_as_line(row) for row in grid.rows if row[0].row == header[0].row - 1]
    named = bool(above) and (_is_day(above[0]) or long_replicate(above[0][0].text))
    if body and above and _is_line(above[0]) and named and not _is_line(body[0]):
        body = (*above, *body)  # the first table has its day or block over its headings
    lines = [row for row in body if _is_line(row)]
    if len(lines) < 2 or not _is_line(body[0]) or _follow(body):
        _tell_blocks(grid, kind, header, [row for row in lines if row not in above], ledger)
        return header, tuple(row for row in body if row not in above), ""
    fields = {field_of(kind, cell.text) for cell in header if cell.text}
    compared = any(normal(cell.text) in COMPARED for cell in header)
    variable = ""
    if all(map(_is_day, lines)) and len(set(map(_variable_of, lines))) == 1:
        dates = any(_dated(row) for row in lines)
        field = None if fields.intersection(TIMES) else "date" if dates else "days_after"
        variable = _variable_of(lines[0])
    elif all(long_replicate(row[0].text) for row in lines):
        field = None if fields & {"block", "replicate"} else "block"
    else:
        listed = bool(fields & {"treatment", "name", "main_factor"}) or compared
        field = "treatment" if kind == "flat" and not listed else None
    if field is None:
        return header, tuple(row for row in body if row not in above), ""
    width = max(len(header), *(len(row) for row in body))
    rows: list[Row] = []
    name = _without(lines[0][0], variable)
    for row in body:
        if _is_line(row):
            name = _without(row[0], variable)
            continue
        number = row[0].row
        blank = (Cell("", number, index) for index in range(len(row) + 1, width + 1))
        rows.append((*row, *blank, name._replace(row=number, column=width + 1)))
    shown = listing([quoted(row[0].text) for row in lines], 4)
    ledger.warn(
        "lines",
        f"{shown} stand on lines of their own; each was taken for the {field} of the rows below.",
        "Nothing needs to be done if that is right.",
        grid.place(lines[0][0].row),
    )
    top = header[0].row
    empty = (Cell("", top, index) for index in range(len(header) + 1, width + 1))
    return (*header, *empty, Cell(field, top, width + 1)), tuple(rows), variable


def _tell_blocks(grid: Grid, kind: str, header: Row, lines: Sequence[Row], ledger: Ledger) -> None:
    """Ask for the block of the first rows where others have theirs on a line above them."""
    blocks = [row for row in lines if long_replicate(row[0].text)]
    fields = {field_of(kind, cell.text) for cell in header if cell.text}
    if blocks and not fields & {"block", "replicate"}:
        ledger.error(
            "block-lines",
            f"{quoted(blocks[0][0].text)} stands on a line of its own, and the rows above it have "
            "no such line.",
            "Write the block above each group of rows, or into a column block.",
            grid.place(blocks[0][0].row),
        )


#: Words beside a day that say no more than that it is one before treatment.
_BEFORE = re.compile(
    r"[\s,;:(-]*\b(?:pre-?\s?(?:count|treatment|spray|application)|"
    r"before (?:the )?(?:first )?(?:treatment|application|spray(?:ing)?))\W*$",
    re.IGNORECASE,
)


def _is_day(row: Row) -> bool:
    return day_header(row[0]) is not None


def _variable_of(row: Row) -> str:
    """What a line names beside its day."""
    header = day_header(row[0])
    return "" if header is None else _BEFORE.sub("", header.variable)


def _without(cell: Cell, variable: str) -> Cell:
    """The day of a line without its variable."""
    header = day_header(cell) if variable else None
    if header is None:
        return cell
    if header.day is None:
        return cell._replace(text=header.date_text)
    return cell._replace(text=f"{header.day:g}")


def _dated(row: Row) -> bool:
    header = day_header(row[0])
    return header is not None and header.day is None


def _is_line(row: Row) -> bool:
    """Whether a row holds one name in its first cell, and nothing else."""
    first = row[0].text
    alone = bool(first) and not any(cell.text for cell in row[1:])
    return alone and not looks_numeric(first) and not is_summary_word(first) and len(first) <= 60


def _as_line(row: Row) -> Row:
    """A row of a label and its value, such as "Rep | 2" or "Date: | 22 June 2024", as one cell."""
    filled = [cell for cell in row if cell.text]
    if len(filled) != _PAIR or filled[0].column != 1 or filled[1].column != _PAIR:
        return row
    label, value = filled
    field = field_of("counts", label.text.rstrip(" :"))
    if field in {"block", "replicate"}:
        return (label._replace(text=f"rep {value.text}"),)
    if field == "days_after" and looks_numeric(value.text):
        return (label._replace(text=f"{value.text} DAT"),)
    plain = field in TIMES or label.text.rstrip().endswith(":") or _NUMBERED.search(label.text)
    if plain and day_header(value) is not None and not looks_numeric(value.text):
        return (value._replace(column=1),)
    return row


_PAIR = 2
_NUMBERED = re.compile(r"[^\W\d]\W*\d{1,2}$")


def _follow(body: tuple[Row, ...]) -> bool:
    """Whether two lines stand one below the other, or one has no rows: notes then."""
    flags = [_is_line(row) for row in body]
    return flags[-1] or any(a and b for a, b in pairwise(flags))
