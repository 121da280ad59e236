"""The Document: what a report says, before any writer gives it a form.

Numbers stay numbers until a writer formats them, and text stays plain text until a writer
escapes it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

from trialkit.report.glance_block import Glance
from trialkit.report_choices import NumberStyle


class Kind(StrEnum):
    """What a column holds.

    Columns of letters, signs and spans belong to the column of numbers before them, and a writer
    may set all in one cell: letters or signs beside the number, a span (its interval, as text)
    below it.
    """

    TEXT = "text"
    NUMBER = "number"
    P_VALUE = "p"
    LETTERS = "letters"
    SIGN = "sign"
    SPAN = "span"


@dataclass(frozen=True, slots=True)
class Missing:
    """A number that there is not, and why; the reason may be empty."""

    reason: str = ""


Cell = str | float | int | Missing | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    title : str
        Heading in words.
    kind : Kind
    digits : int or None
        Decimals of the numbers; None for 3 significant digits each.
    under : str
        A second line of the heading, such as a date.
    """

    title: str
    kind: Kind = Kind.TEXT
    digits: int | None = None
    under: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One question and its answer; the first column heads the rows.

    Attributes
    ----------
    key : str
        Short name, unique in the document: the anchor of a page.
    question : str
        What the table tells: the statement that heads its caption.
    columns : tuple of Column
    rows : tuple of tuple of Cell
    notes : tuple of str
        Sentences below the table.
    sheet : str
        Name of its sheet in a workbook.
    target : float or None
        Where given, the numbers are percent control and are shaded against this target.
    shades : tuple of tuple of str
        Name of the shade of each cell, in the shape of ``rows``; empty where there are none.
    shade_key : tuple of (str, str)
        What the shades mean: name and words.
    label : str
        Its number in the report, such as "Table 2"; empty where it has none.
    compact : bool
        Whether its rows are set close, as of long tables of data.
    numbers : NumberStyle
        How a page writes its numbers.
    once : bool
        Whether a page leaves out the head of a row that is that of the row above.
    about : str
        What the numbers are: sentences of the caption after its statement.
    """

    key: str
    question: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    notes: tuple[str, ...] = ()
    sheet: str = ""
    target: float | None = None
    shades: tuple[tuple[str, ...], ...] = ()
    shade_key: tuple[tuple[str, str], ...] = ()
    label: str = ""
    compact: bool = False
    numbers: NumberStyle = NumberStyle.PLAIN
    about: str = ""
    once: bool = False

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.columns):
                raise ValueError(f"table {self.key}: {len(row)} cells, {len(self.columns)} columns")
        if self.shades and [len(row) for row in self.shades] != [len(row) for row in self.rows]:
            raise ValueError(f"table {self.key}: its shades do not have the shape of its rows")


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Running text."""

    text: str


@dataclass(frozen=True, slots=True)
class Findings:
    """Sentences, the weightiest first.

    Attributes
    ----------
    items : tuple of str
    start : int
        Number of the first; 0 where they carry none.
    aside : bool
        Whether they are set smaller.
    strong : tuple of str
        Names that stand out in them.
    title : str
        Their own heading; empty where they have none.
    """

    items: tuple[str, ...]
    start: int = 1
    aside: bool = False
    strong: tuple[str, ...] = ()
    title: str = ""


@dataclass(frozen=True, slots=True)
class Notes:
    """A list of remarks."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """Pairs of a word and what it stands for."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Command:
    """A line to type."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureBlock:
    """A place for a figure; the drawing is given to the writer under the same key.

    Attributes
    ----------
    key : str
    kind : str
        Which figure to draw: the name of a function of `trialkit.figures`.
    variable : str
        Of which variable.
    of : tuple of str
        What else that function is told, such as measure and days.
    tall : bool
        Whether it has many lines, and needs the height of a page in print.
    alt : str
        What the figure shows, for those who cannot see it.
    caption : str
        What the lines and dots are.
    title : str
        The statement that heads the caption; empty where it has none.
    """

    key: str
    kind: str
    variable: str
    alt: str
    caption: str
    label: str = ""
    of: tuple[str, ...] = ()
    tall: bool = False
    title: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MapPlot:
    """One plot on a map of the field; ``value`` stands in the place of the block."""

    row: int
    column: int
    plot: str
    treatment: str
    block: str = ""
    colour: str = "#ffffff"
    value: str = ""


@dataclass(frozen=True, kw_only=True)
class FieldMap:
    """Plots where they lie.

    Attributes
    ----------
    key, caption : str
    plots : tuple of MapPlot
    legend : tuple of (str, str, str)
        Treatment id, name and colour.
    rows, columns : tuple of int
        Numbers of the rows and columns that the map shows, in order.
    """

    key: str
    caption: str
    plots: tuple[MapPlot, ...]
    legend: tuple[tuple[str, str, str], ...]
    rows: tuple[int, ...]
    columns: tuple[int, ...]

    def at(self, row: int, column: int) -> tuple[MapPlot, ...]:
        """Plots in one place of the map: none, one, or several where the plan says so."""
        return self._by_place.get((row, column), ())

    @cached_property
    def _by_place(self) -> dict[tuple[int, int], tuple[MapPlot, ...]]:
        found: dict[tuple[int, int], tuple[MapPlot, ...]] = {}
        for plot in self.plots:
            place = plot.row, plot.column
            found[place] = (*found.get(place, ()), plot)
        return found


@dataclass(frozen=True, slots=True)
class Aside:
    """A remark that stands apart: a doubt, or a caution."""

    text: str
    doubt: bool = False


Words = Aside | Paragraph | Findings | Notes | Facts | Command
Block = Words | Glance | FigureBlock | FieldMap | Table


class Where(StrEnum):
    """Where a section is printed: in the report, in its annex, or in the workbook alone."""

    MAIN = "main"
    ANNEX = "annex"
    BOOK = "book"


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A heading, what stands below it, and where it is printed."""

    key: str
    title: str
    blocks: tuple[Block, ...]
    where: Where = Where.MAIN


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A whole report.

    Attributes
    ----------
    title : str
    subtitle : str
        Site and season, where known.
    design : str
        Design, treatments and dates in a line.
    facts : tuple of (str, str)
        The trial in a few words.
    front : tuple of Block
        The first page: the answer.
    sections : tuple of Section
        None is empty.
    made : str
        When the report was made.
    foot : str
        What stands at the foot of each printed page.
    """

    title: str
    subtitle: str
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    design: str = ""
    front: tuple[Block, ...] = ()
    made: str = ""
    foot: str = ""

    def blocks(self) -> Iterator[Block]:
        """Every block in reading order."""
        yield from self.front
        for section in self.sections:
            yield from section.blocks

    @property
    def printed(self) -> tuple[Section, ...]:
        """Sections of a page; a workbook has them all."""
        return tuple(section for section in self.sections if section.where is not Where.BOOK)

    def tables(self) -> tuple[Table, ...]:
        """Every table of the sections, in reading order."""
        return tuple(block for block in self.blocks() if isinstance(block, Table))

    def figures(self) -> tuple[FigureBlock, ...]:
        """Every place for a figure, in reading order."""
        printed = (block for section in self.printed for block in section.blocks)
        return tuple(block for block in printed if isinstance(block, FigureBlock))


def number_or_missing(value: object, reason: object = None) -> float | Missing:
    """Make a cell of a number; undefined becomes `Missing` with its reason."""
    if type(value) is float and math.isfinite(value):  # as most are
        return value
    number = float(value) if isinstance(value, int | float) else math.nan
    if math.isfinite(number):
        return number
    return Missing(reason if isinstance(reason, str) else "")
