"""Tables as a page shows them: letters beside their means, intervals below, notes numbered.

One form for every writer of pages: HTML, Word and PDF differ in how they set it, not in what.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from trialkit.plain_text import alternatives
from trialkit.report.directions import isolated_line
from trialkit.report.document import Cell, Column, FieldMap, Kind, MapPlot, Missing, Table
from trialkit.report.numbers import write_cell
from trialkit.report_choices import NumberStyle

#: Tables with more columns than this are set smaller on paper.
WIDE_TABLE = 9
#: Headings up to this length stay on one line.
SHORT_HEAD = 8
#: Words up to this length stay on one line.
SHORT_WORD = 14
#: Tables up to this many rows are not split between pages.
SHORT_TABLE = 14
#: First columns with texts longer than this get more room.
LONG_NAME = 14
#: Spaces between a sign or word and its number: "p = 0.003", "5 %", "day 7".
_BETWEEN = re.compile(
    r" (?:(?<=\d )(?=%)|(?<=\b[pnF] )(?=[=<>\u2264\u2265] \d)|(?<=\b[pnF] [=<>\u2264\u2265] )(?=\d)"
    r"|(?<=\bday )(?=\N{MINUS SIGN}?\d))"
)
#: Colour of each shade, as ``RRGGBB``.
FILLS = {
    "held": "7FB3D9",
    "near": "B5D3EA",
    "half": "D6E6F3",
    "some": "EDF4FA",
    "below": "F6D9C2",
    "harm-2": "FBE9D7",
    "harm-3": "F3C79E",
    "harm-4": "E79F63",
}
_RAISED = str.maketrans(
    "0123456789", "\u2070\u00b9\u00b2\u00b3\u2074\u2075\u2076\u2077\u2078\u2079"
)


@dataclass(frozen=True, slots=True)
class HeadCell:
    """One heading of a table as the page shows it."""

    title: str
    under: str
    style: str


@dataclass(frozen=True, slots=True)
class BodyCell:
    """One cell of a table as the page shows it.

    Attributes
    ----------
    text : str
    style : str
        Class of the cell: how it is set, and how it is shaded; ``again`` where it repeats the cell
        above, and is not printed.
    letters : str or None
        Letters beside a mean; None in a column that has none.
    note : str
        Number of a note below the table, raised.
    span : str
        Interval of the number, below it.
    """

    text: str
    style: str
    letters: str | None = None
    note: str = ""
    span: str = ""


@dataclass(frozen=True, slots=True)
class PageTable:
    """A table ready for the page: letters set into the cells of their means, notes numbered."""

    heads: tuple[HeadCell, ...]
    rows: tuple[tuple[BodyCell, ...], ...]
    notes: tuple[str, ...]
    reasons: tuple[tuple[str, str], ...]
    style: str
    short: bool
    target: float | None
    shade_key: tuple[tuple[str, str], ...]
    numbers: NumberStyle = NumberStyle.PLAIN


#: Columns that are set into the cell of the number before them.
_BESIDE = (Kind.LETTERS, Kind.SIGN, Kind.SPAN)


def shade(value: Cell, target: float) -> str:
    """Name the shade of a percent control: the nearer to the target, the darker.

    Parameters
    ----------
    value : number, or what stands for a missing one
    target : float
        Percent control that counts as holding.
    """
    if value is None or isinstance(value, str | Missing):
        return ""
    if value < 0:
        return "below"
    for name, share in (("held", 1.0), ("near", 0.75), ("half", 0.5), ("some", 0.25)):
        if value >= share * target:
            return name
    return "little"


def page_table(table: Table) -> PageTable:
    """Bring a table to the form of the page."""
    heads: list[HeadCell] = []
    for column in table.columns:
        if column.kind not in _BESIDE:
            classes = ["number"] if column.kind is not Kind.TEXT else []
            if len(column.title) <= SHORT_HEAD:
                classes.append("line")
            heads.append(HeadCell(hold_together(column.title), column.under, " ".join(classes)))
    reasons: dict[str, str] = {}
    shades = table.shades or tuple(("",) * len(row) for row in table.rows)
    rows = tuple(
        tuple(_cells(table, row, line, reasons, again=again))
        for row, line, again in zip(table.rows, shades, _again(table), strict=True)
    )
    return PageTable(
        heads=tuple(heads),
        rows=rows,
        notes=table.notes,
        reasons=tuple((raised, reason) for reason, raised in reasons.items()),
        style=_table_style(table, len(heads)),
        short=len(rows) <= SHORT_TABLE,
        target=table.target,
        shade_key=table.shade_key,
        numbers=table.numbers,
    )


def _again(table: Table) -> Iterator[bool]:
    """Whether the head of each row is that of the row above, in a table that says it once."""
    above: Cell = None
    for row in table.rows:
        yield table.once and row[0] == above
        above = row[0]


def in_pieces(table: Table, most: int) -> list[Table]:
    """Part a table with very many columns of numbers into several, one below the other.

    Parameters
    ----------
    table : Table
    most : int
        Most columns of numbers of a piece; what stands beside or below a number goes with it.

    Returns
    -------
    list of Table
        Each with the columns before the first number; notes stand below the last.
    """
    starts = [
        place
        for place, column in enumerate(table.columns)
        if column.kind in (Kind.NUMBER, Kind.P_VALUE)
    ]
    if len(starts) <= most:
        return [table]
    pieces = math.ceil(len(starts) / most)
    each = math.ceil(len(starts) / pieces)
    edges = [*starts[::each], len(table.columns)]
    made = []
    for number, (start, end) in enumerate(itertools.pairwise(edges), start=1):
        last = end == len(table.columns)
        made.append(
            replace(
                table,
                key=table.key if number == 1 else f"{table.key}-{number}",
                label=table.label if number == 1 else "",
                question=table.question
                if number == 1
                else f"{table.label or table.question}, continued",
                about=table.about if number == 1 else "",
                columns=(*table.columns[: starts[0]], *table.columns[start:end]),
                rows=tuple((*row[: starts[0]], *row[start:end]) for row in table.rows),
                shades=tuple((*row[: starts[0]], *row[start:end]) for row in table.shades),
                notes=table.notes if last else (),
                target=table.target,
                shade_key=table.shade_key if last else (),
            )
        )
    return made


def _table_style(table: Table, width: int) -> str:
    """Classes of a table: how wide, how long its row headings, how many letters beside a mean."""
    classes = [f"letters-{letters_width(table)}"]
    if table.compact:
        classes.append("compact")
    if width > WIDE_TABLE:
        classes.append("wide")
    if max((len(str(row[0])) for row in table.rows), default=0) > LONG_NAME:
        classes.append("names")
    return " ".join(classes)


def _beside(table: Table, row: tuple[Cell, ...], index: int) -> dict[Kind, str]:
    """Letters and span that belong to the cell before them."""
    found: dict[Kind, str] = {}
    for column, value in zip(table.columns[index + 1 :], row[index + 1 :], strict=True):
        if column.kind not in _BESIDE:
            break
        found[column.kind] = (
            isolated_line(value) if isinstance(value, str) else _below(value, column)
        )
    return found


def _below(value: Cell, column: Column) -> str:
    """A number below another stands in brackets."""
    return f"({write_cell(value, column)})" if isinstance(value, float) else ""


def _cells(
    table: Table,
    row: tuple[Cell, ...],
    shades: tuple[str, ...],
    reasons: dict[str, str],
    *,
    again: bool = False,
) -> Iterator[BodyCell]:
    for index, (column, value) in enumerate(zip(table.columns, row, strict=True)):
        if column.kind in _BESIDE:
            continue
        beside = _beside(table, row, index)
        note = ""
        if isinstance(value, Missing) and value.reason:
            note = reasons.setdefault(value.reason, str(len(reasons) + 1).translate(_RAISED))
        style = "word" if column.kind is Kind.TEXT else "number"
        if column.kind is Kind.TEXT and len(str(value or "")) <= SHORT_WORD:
            style += " line"
        if table.target is not None and column.kind is Kind.NUMBER:
            style += f" {shade(value, table.target)}".rstrip()
        style += f" {shades[index]}".rstrip()
        if again and index == 0:
            style += " again"
        yield BodyCell(
            text=hold_together(isolated_line(write_cell(value, column)))
            if isinstance(value, str)
            else table.numbers.styled(write_cell(value, column)),
            style=style,
            letters=beside.get(Kind.LETTERS, beside.get(Kind.SIGN)),
            note=note,
            span=beside.get(Kind.SPAN, ""),
        )


#: Least places beside each other in a strip of a map.
_LEAST_ACROSS = 14
#: Widths of a number set small and of a bold name, against usual characters.
_SMALL_WIDTH, _NAME_WIDTH = 0.78, 1.1


def map_strips(field: FieldMap, room: float, edge: float) -> list[FieldMap]:
    """Part a map that is wider than a sheet of paper into strips, to be read one below the other.

    Parameters
    ----------
    field : FieldMap
    room, edge : float
        Usual characters for which a line has room, and as many as the margins of a place take.

    Returns
    -------
    list of FieldMap
        The first has the caption, the last the legend; the map itself where it has room.
    """
    widest = max(
        max(
            _SMALL_WIDTH * max(len(plot.plot), len(plot.value or plot.block)),
            _NAME_WIDTH * len(plot.treatment),
        )
        for plot in field.plots
    )
    most = max(_LEAST_ACROSS, int(room / (widest + edge)))
    number = math.ceil(len(field.columns) / most)
    if number == 1:
        return [field]
    ends = [place * len(field.columns) // number for place in range(number + 1)]
    strips = [field.columns[start:end] for start, end in itertools.pairwise(ends)]
    last = len(strips) - 1
    return [
        replace(
            field,
            caption="" if place else field.caption,
            legend=field.legend if place == last else (),
            columns=columns,
        )
        for place, columns in enumerate(strips)
    ]


def map_edges(field: FieldMap, row: int, column: int) -> str:
    """Name the edges of a place where a neighbour lies in another block."""
    here = _block(field.at(row, column))
    edges = []
    for name, step in (("above", (-1, 0)), ("left", (0, -1))):
        there = _block(field.at(row + step[0], column + step[1]))
        if here is not None and there is not None and here != there:
            edges.append(name)
    return " ".join(edges)


def _block(plots: tuple[MapPlot, ...]) -> str | None:
    return plots[0].block if plots else None


def letters_width(table: Table) -> int:
    """How many letters the longest group of letters of a table has."""
    places = [
        i for i, column in enumerate(table.columns) if column.kind in {Kind.LETTERS, Kind.SIGN}
    ]
    lengths = (len(str(row[place] or "")) for row in table.rows for place in places)
    return min(max(lengths, default=0), 8)


def hold_together(text: str) -> str:
    """Let no line end between a sign, or the word day, and its number."""
    return _BETWEEN.sub("\N{NO-BREAK SPACE}", text)


def shade_words(page: PageTable) -> list[tuple[str, str]]:
    """What the shades of a table mean: the name of each and its words."""
    if page.target is None:
        return list(page.shade_key)
    target = page.target
    steps = (("near", 0.75), ("half", 0.5), ("some", 0.25))
    return [
        ("held", page.numbers.styled(f"{target:g}% or more")),
        *((name, f"{share * target:.0f}") for name, share in steps),
        ("little", "0 or more"),
        ("below", "below 0"),
        *page.shade_key,
    ]


#: What is left of a column of words where a narrow table is set beside another: of one that has a
#: cell for each row, and of one whose cells stand beside several rows.
_SQUEEZED, _SHARED = 22, 16


def narrow_widths(page: PageTable) -> list[int]:
    """Widths of the columns of a printed table that stands beside another: words are broken."""
    shared = any("again" in row[0].style.split() for row in page.rows)
    widths = column_widths(page)
    return [
        width if "number" in head.style.split() else min(width, most)
        for head, width, most in zip(
            page.heads,
            widths,
            [_SHARED if shared else _SQUEEZED, *[_SQUEEZED] * (len(widths) - 1)],
            strict=True,
        )
    ]


#: How much wider headings run than what stands below them, being bold.
_BOLD = 1.15


def column_widths(page: PageTable) -> list[int]:
    """How wide each column of a printed table wants to be, in characters.

    Long headings are broken between words, numbers never, long texts after some thirty characters.
    """
    widths = []
    # a page gives the letters of all columns the room of the longest
    most = max((len(cell.letters or "") for row in page.rows for cell in row), default=0)
    for place, head in enumerate(page.heads):
        cells = [row[place] for row in page.rows]
        widest = _widest_word(head)
        if "number" in head.style.split():
            letters = most if any(cell.letters is not None for cell in cells) else 0
            texts = [max(len(cell.text) + 0.9 * letters, 0.8 * len(cell.span)) for cell in cells]
        else:
            texts = [float(len(cell.text)) for cell in cells]
            widest = max(widest, _BOLD * min(len(head.title), 14))
        longest = max(texts, default=0.0)
        widths.append(round(max(4, widest, min(longest, 34))) + 2)
    return widths


def parted(text: str, names: Sequence[str]) -> list[tuple[str, bool]]:
    """Part a sentence into pieces, those that are names marked; the longest name goes first."""
    if not names:
        return [(text, False)]
    pieces = re.split(f"({alternatives(names)})", text)
    return [(piece, piece in names) for piece in pieces if piece]


def least_widths(page: PageTable) -> list[int]:
    """How wide each column must be so that no word is broken, in characters."""
    least = []
    for place, head in enumerate(page.heads):
        texts = [f"{row[place].text} {row[place].span}" for row in page.rows]
        if "number" in head.style.split():
            texts += [f"{row[place].text}{row[place].letters or ''}" for row in page.rows]
        longest = max((len(word) for text in texts for word in text.split()), default=2)
        least.append(round(max(longest, _widest_word(head))) + 2)
    return least


def _widest_word(head: HeadCell) -> float:
    """Characters of the longest word of a heading, as wide as they run there."""
    bold = _BOLD * max(map(len, head.title.split()), default=0)
    return max(bold, max(map(len, head.under.split()), default=0))
