"""A spreadsheet file (Office Open XML) from rows of numbers and text.

Written by hand because it is the smaller part of the format and several times faster than a
library that keeps every cell as an object; the tests read the files back with such a library.
Numbers keep every digit, text can never become a formula, and the same rows give the same bytes.
Every cell says where it stands: the format lets this out, but not all that reads it can do without.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import repeat
from types import NoneType
from typing import NamedTuple, cast
from xml.sax.saxutils import quoteattr

from trialkit.numerals import UNDEFINED, Digits
from trialkit.report.sheet_package import FIXED_TIME, HEAD, MAIN, OFFICE, packed, xml_text

_FORMULA_STARTS = ("=", "+", "-", "@")


class Style(NamedTuple):
    """How a cell looks.

    Attributes
    ----------
    shown : str
        Number format.
    fill : str
        Colour as ``RRGGBB``, or empty.
    font : {'', 'bold', 'link'}
    quoted : bool
        The cell holds text that a person typing it anew would turn into a formula.
    """

    shown: str = "General"
    fill: str = ""
    font: str = ""
    quoted: bool = False


#: How cells look for which nothing else is said.
PLAIN = Style()


class SheetCell(NamedTuple):
    """A value with a style of its own."""

    value: float | str
    style: Style = PLAIN


#: What a sheet takes for a cell.
Shown = SheetCell | float | str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One sheet.

    Attributes
    ----------
    name : str
        Allowed by the format, and different from the others.
    head, foot : sequence of rows
        Rows above and below the body, each a sequence of cells: a number in the style of its
        column, plain text, a SheetCell, or None for an empty cell. Numbers are finite.
    body : sequence of columns
        The rows between, given as columns of cells, all equally long; a column of numbers also
        as their `Digits`.
    widths : sequence of float
        Of the columns, in characters.
    styles : sequence of Style
        Of the numbers in each column; plain where there are none.
    frozen : (int, int)
        Columns and rows that stay in sight.
    links : mapping of row number (from 1) to sheet name
        First cells that lead to another sheet.
    head_lines : int
        Lines of text for which the first row is high enough.
    """

    name: str
    head: Sequence[Sequence[Shown]]
    body: Sequence[Sequence[Shown]] = ()
    foot: Sequence[Sequence[Shown]] = ()
    widths: Sequence[float]
    styles: Sequence[Style] = ()
    frozen: tuple[int, int] = (1, 1)
    links: Sequence[tuple[int, str]] = ()
    head_lines: int = 1


def column_letters(place: int) -> str:
    """Name a column, counted from 0: A, B, ..., Z, AA, ..."""
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def text_style(value: str, style: Style) -> Style:
    """Mark text that begins like a formula."""
    if value.startswith(_FORMULA_STARTS):
        return Style(style.shown, style.fill, style.font, quoted=True)
    return style


class _Cells:
    """Makes cells, all but where they stand; lists each style once."""

    def __init__(self) -> None:
        self._numbers: dict[Style, int] = {PLAIN: 0}
        self._texts: dict[Style, _Texts] = {}

    def mark(self, style: Style) -> str:
        """What a cell says of its style; nothing where it is plain."""
        number = self._numbers.setdefault(style, len(self._numbers))
        return f' s="{number}"' if number else ""

    def texts(self, style: Style = PLAIN) -> _Texts:
        """Ends of cells that hold text."""
        if style not in self._texts:
            self._texts[style] = _Texts(style, self)
        return self._texts[style]

    def number(self, value: float, style: Style) -> str:
        """End of a cell that holds a number."""
        return f'"{self.mark(style)}><v>{value!r}</v></c>'

    def styles(self) -> str:
        """List the styles of all cells that were made."""
        styles = list(self._numbers)
        formats = [shown for shown in dict.fromkeys(s.shown for s in styles) if shown != "General"]
        fills = [fill for fill in dict.fromkeys(s.fill for s in styles) if fill]
        parts = [HEAD, f'<styleSheet xmlns="{MAIN}">']
        if formats:
            listed = "".join(
                f'<numFmt numFmtId="{164 + i}" formatCode={quoteattr(shown)}/>'
                for i, shown in enumerate(formats)
            )
            parts.append(f'<numFmts count="{len(formats)}">{listed}</numFmts>')
        base = '<sz val="11"/><name val="Calibri"/><family val="2"/>'
        parts.append(
            f'<fonts count="3"><font>{base}</font><font><b/>{base}</font>'
            f'<font><u/><sz val="11"/><color rgb="FF1F4F7A"/><name val="Calibri"/>'
            '<family val="2"/></font></fonts>'
        )
        solid = "".join(
            f'<fill><patternFill patternType="solid"><fgColor rgb="FF{fill}"/>'
            f'<bgColor rgb="FF{fill}"/></patternFill></fill>'
            for fill in fills
        )
        parts.append(
            f'<fills count="{2 + len(fills)}"><fill><patternFill patternType="none"/></fill>'
            f'<fill><patternFill patternType="gray125"/></fill>{solid}</fills>'
            '<borders count="1"><border><left/><right/><top/><bottom/><diagonal/></border>'
            "</borders>"
            '<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/>'
            "</cellStyleXfs>"
        )
        listed = "".join(_style_xml(style, formats, fills) for style in styles)
        parts.append(f'<cellXfs count="{len(styles)}">{listed}</cellXfs>')
        parts.append(
            '<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles>'
            "</styleSheet>"
        )
        return "".join(parts)


class _Texts(dict[Shown, str]):
    """Ends of cells by the text that they hold; each is made once, for all its cells."""

    def __init__(self, style: Style, make: _Cells) -> None:
        super().__init__({None: ""})
        self._style, self._make = style, make

    def __missing__(self, text: str) -> str:
        """Make the end of a cell for a text that is new."""
        mark = self._make.mark(text_style(text, self._style))
        # No text begins or ends with a space, so that none has to be preserved.
        end = self[text] = f'"{mark} t="inlineStr"><is><t>{xml_text(text)}</t></is></c>'
        return end


def _style_xml(style: Style, formats: list[str], fills: list[str]) -> str:
    number = 0 if style.shown == "General" else 164 + formats.index(style.shown)
    font = {"": 0, "bold": 1, "link": 2}[style.font]
    fill = 2 + fills.index(style.fill) if style.fill else 0
    quoted = ' quotePrefix="1"' if style.quoted else ""
    head = (
        f'<xf numFmtId="{number}" fontId="{font}" fillId="{fill}" borderId="0" xfId="0" '
        f'applyNumberFormat="1" applyFont="1" applyFill="1"{quoted}'
    )
    if style.font == "bold":
        return f'{head} applyAlignment="1"><alignment vertical="bottom" wrapText="1"/></xf>'
    return f"{head}/>"


def _sheet_xml(sheet: Sheet, make: _Cells) -> str:
    columns, rows = sheet.frozen
    corner = f"{column_letters(columns)}{rows + 1}"
    panes = "bottomRight" if columns and rows else "bottomLeft" if rows else "topRight"
    split = (f' xSplit="{columns}"' if columns else "") + (f' ySplit="{rows}"' if rows else "")
    widths = "".join(
        f'<col min="{i}" max="{i}" width="{width:g}" customWidth="1"/>'
        for i, width in enumerate(sheet.widths, start=1)
    )
    parts = [
        f'{HEAD}<worksheet xmlns="{MAIN}" xmlns:r="{OFFICE}"><sheetViews>'
        f'<sheetView workbookViewId="0"><pane{split} topLeftCell="{corner}" '
        f'activePane="{panes}" state="frozen"/></sheetView></sheetViews>'
        f'<sheetFormatPr defaultRowHeight="15"/><cols>{widths}</cols><sheetData>'
    ]
    height = f' ht="{15 * sheet.head_lines}" customHeight="1"' if sheet.head_lines > 1 else ""
    own = sheet.styles or [PLAIN] * len(sheet.widths)
    below = len(sheet.head) + (len(sheet.body[0]) if sheet.body else 0)
    parts += _rows_xml(sheet.head, 1, own, make, height)
    parts += _body_xml(sheet.body, len(sheet.head) + 1, own, make)
    parts += _rows_xml(sheet.foot, below + 1, own, make)
    parts.append("</sheetData>")
    if sheet.links:
        parts.append("<hyperlinks>")
        for number, name in sheet.links:
            target = quoteattr(f"'{name}'!A1")
            parts.append(f'<hyperlink ref="A{number}" location={target}/>')
        parts.append("</hyperlinks>")
    parts.append("</worksheet>")
    return "".join(parts)


def _rows_xml(
    rows: Sequence[Sequence[Shown]],
    first: int,
    own: Sequence[Style],
    make: _Cells,
    height: str = "",
) -> Iterator[str]:
    """Rows from row number ``first`` on; the first of them with a height of its own."""
    for number, row in enumerate(rows, start=first):
        yield f'<row r="{number}"{height if number == first else ""}>'
        for place, (cell, style) in enumerate(zip(row, own, strict=False)):
            if cell is not None:
                yield f'<c r="{column_letters(place)}{number}{_cell_end(cell, style, make)}'
        yield "</row>"


def _body_xml(
    columns: Sequence[Sequence[Shown]],
    first: int,
    own: Sequence[Style],
    make: _Cells,
) -> Iterable[str]:
    """Rows from row number ``first`` on, from columns: far faster than cell by cell."""
    if not columns:
        return ()
    numbers = [str(number) for number in range(first, first + len(columns[0]))]
    parts = [repeat('<row r="'), numbers, repeat('">')]
    for place, (cells, style) in enumerate(zip(columns, own, strict=True)):
        parts += _column_xml(f'<c r="{column_letters(place)}', numbers, cells, style, make)
    parts.append(repeat("</row>"))
    return map("".join, zip(*parts, strict=False))


def _column_xml(
    begun: str, numbers: Sequence[str], cells: Sequence[Shown], style: Style, make: _Cells
) -> list[Iterable[str]]:
    """Make the cells of a column, each in parts; one part, or none, where some are empty."""
    if isinstance(cells, Digits):
        mark, end = f'"{make.mark(style)}><v>', "</v></c>"
        if UNDEFINED not in cells:
            return [repeat(begun), numbers, repeat(mark), cells, repeat(end)]
        return [
            [
                "" if text == UNDEFINED else begun + number + mark + text + end
                for number, text in zip(numbers, cells, strict=True)
            ]
        ]
    kinds = set(map(type, cells))
    if kinds == {float}:
        digits = Digits.of(cast("Sequence[float]", cells))
        return _column_xml(begun, numbers, digits, style, make)
    ends: Iterable[str]
    if kinds <= {str, NoneType}:
        ends = map(make.texts().__getitem__, cells)
    else:
        ends = [_cell_end(cell, style, make) for cell in cells]
    if NoneType not in kinds:
        return [repeat(begun), numbers, ends]
    return [[end and begun + number + end for number, end in zip(numbers, ends, strict=True)]]


def _cell_end(cell: Shown, style: Style, make: _Cells) -> str:
    if cell is None:
        return ""
    value, style = cell if isinstance(cell, SheetCell) else (cell, style)
    if isinstance(value, str):
        return make.texts(style if isinstance(cell, SheetCell) else PLAIN)[value]
    return make.number(float(value), style)


def spreadsheet(sheets: Sequence[Sheet], title: str, made: datetime | None = None) -> bytes:
    """Make a spreadsheet file.

    Parameters
    ----------
    sheets : sequence of Sheet
        One or more.
    title : str
    made : datetime, optional
        The time that the file carries; a fixed one without it.

    Returns
    -------
    bytes
    """
    make = _Cells()
    bodies = [_sheet_xml(sheet, make) for sheet in sheets]
    when = (made or datetime(*FIXED_TIME, tzinfo=UTC)).astimezone(UTC)
    return packed([sheet.name for sheet in sheets], bodies, make.styles(), title, when)
