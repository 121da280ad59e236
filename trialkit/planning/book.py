"""Workbooks that people fill in: headings, limits while typing, and the look on paper."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any, Literal

from openpyxl import Workbook
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from trialkit.figures.identity import shorten

#: Size of what is read on a clipboard at arm's length.
LARGE = 14
_STAMP = datetime(2025, 9, 15, 8)  # noqa: DTZ001 - workbooks keep no time zone
_LINE = Side(style="thin", color="8A8A8A")
BOX = Border(left=_LINE, right=_LINE, top=_LINE, bottom=_LINE)
HEAD = PatternFill("solid", fgColor="DDE6E0")
ASK = PatternFill("solid", fgColor="FFFBE8")
#: Width of the widest column, in characters.
_WIDEST = 60
#: What a cell of a workbook may hold at most.
_LONGEST_LIST = 255


def new_book() -> Workbook:
    """Make a workbook without sheets."""
    book = Workbook()
    book.remove(book.worksheets[0])
    return book


def font(size: float = 11, *, bold: bool = False) -> Font:
    """Make the font of a sheet; one that is not installed is replaced by one of its widths."""
    return Font(name="Calibri", size=size, bold=bold)


def book_bytes(book: Workbook) -> bytes:
    """Save a workbook; what it holds, not the clock, decides its properties."""
    book.properties.creator = "trialkit"
    book.properties.created = _STAMP
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def put(sheet: Worksheet, row: int, column: int, value: object, **look: Any) -> None:
    """Write a value; text stays text, whatever it looks like.

    Parameters
    ----------
    sheet : Worksheet
    row, column : int
        From 1.
    value : str, number, date or None
    look
        ``font``, ``fill``, ``border``, ``alignment`` as openpyxl has them.
    """
    cell = sheet.cell(row, column)
    cell.font = font()
    if value is not None:
        cell.value = value  # type: ignore[assignment]
        if isinstance(value, str):
            cell.data_type = "s"
            cell.number_format = "@"
        elif isinstance(value, date):
            cell.number_format = "yyyy-mm-dd"
    for name, item in look.items():
        setattr(cell, name, item)


def put_headings(
    sheet: Worksheet,
    row: int,
    headings: Sequence[str],
    *,
    size: int = 11,
    height: int | None = None,
) -> None:
    """Write a row of headings."""
    for column, text in enumerate(headings, 1):
        put(
            sheet,
            row,
            column,
            text,
            font=font(size, bold=True),
            fill=HEAD,
            border=BOX,
            alignment=Alignment(wrap_text=True, vertical="center"),
        )
    if height is not None:
        sheet.row_dimensions[row].height = height


def high_enough(sheet: Worksheet, row: int, *texts: tuple[str, float], size: float = 11) -> None:
    """Make a row high enough for texts that wrap, each in a column of so many characters."""
    lines = max(
        sum(-(-max(len(part), 1) // max(int(width * 11 / size), 1)) for part in text.split("\n"))
        for text, width in texts
    )
    if lines > 1:
        sheet.row_dimensions[row].height = lines * size * 1.4


def width_for(values: Iterable[object], least: float = 12) -> float:
    """Width of a column that shows its values whole, within limits."""
    longest = max((len(str(value)) for value in values if value is not None), default=0)
    return min(max(longest * 1.05 + 2, least), _WIDEST)


def widths(sheet: Worksheet, sizes: Sequence[float]) -> None:
    """Set the widths of the first columns."""
    for column, size in enumerate(sizes, 1):
        sheet.column_dimensions[get_column_letter(column)].width = size


def choose_from(sheet: Worksheet, where: str, words: Sequence[str], *, only: bool = True) -> None:
    """Let cells be chosen from a list; with ``only`` nothing else can be typed."""
    formula = '"' + ",".join(words) + '"'
    if len(formula) > _LONGEST_LIST:
        return
    rule = DataValidation(type="list", formula1=formula, allow_blank=True, showErrorMessage=only)
    rule.errorTitle, rule.error = "Not in the list", "Choose one of the list, or leave it empty."
    _lay(sheet, rule, where)


def ask_number(
    sheet: Worksheet,
    where: str,
    *,
    low: float | None = 0,
    high: float | None = None,
    whole: bool = False,
    hint: str = "",
) -> None:
    """Let cells take only numbers within limits."""
    kind: Literal["whole", "decimal"] = "whole" if whole else "decimal"
    word = "a whole number" if whole else "a number"
    if low is not None and high is not None:
        rule = DataValidation(
            type=kind, operator="between", formula1=f"{low:g}", formula2=f"{high:g}"
        )
        limits = f"{word} from {low:g} to {high:g}"
    elif low is not None:
        rule = DataValidation(type=kind, operator="greaterThanOrEqual", formula1=f"{low:g}")
        limits = f"{word} of {low:g} or more"
    else:
        rule = DataValidation(
            type="decimal", operator="between", formula1="-1E+12", formula2="1E+12"
        )
        limits = word
    rule.allow_blank = True
    rule.errorTitle = "No such number"
    rule.error = f"Type {limits}. Leave the cell empty where nothing was counted."
    _hint(rule, hint)
    _lay(sheet, rule, where)


def ask_share(sheet: Worksheet, where: str, hit: str, of: str, *, hint: str = "") -> None:
    """Let cells take whole numbers that are not above the number examined beside them.

    ``hit`` and ``of`` name the first of the cells and the one that holds how many were examined.
    """
    formula = f'AND(ISNUMBER({hit}),{hit}>=0,{hit}=INT({hit}),OR({of}="",{hit}<={of}))'
    rule = DataValidation(type="custom", formula1=formula, allow_blank=True)
    rule.errorTitle = "More than were examined"
    rule.error = "Type a whole number that is not above the number examined."
    _hint(rule, hint)
    _lay(sheet, rule, where)


def ask_date(sheet: Worksheet, where: str) -> None:
    """Let cells take only dates."""
    rule = DataValidation(type="date", operator="greaterThan", formula1="32874", allow_blank=True)
    rule.errorTitle, rule.error = "No date", "Type a date, such as 2025-06-12."
    _lay(sheet, rule, where)
    for row in sheet[where] if ":" in where else ((sheet[where],),):
        for cell in row:
            cell.number_format = "yyyy-mm-dd"


def _hint(rule: DataValidation, hint: str) -> None:
    if hint:
        rule.promptTitle, rule.prompt = hint[:32], hint[:255]
        rule.showInputMessage = True


def _lay(sheet: Worksheet, rule: DataValidation, where: str) -> None:
    rule.showErrorMessage = True if rule.showErrorMessage is None else rule.showErrorMessage
    sheet.add_data_validation(rule)
    rule.add(where)


def for_paper(
    sheet: Worksheet,
    *,
    last_row: int,
    last_column: int,
    title: str,
    repeat: str = "",
    wide: bool = False,
    above: str = "",
) -> None:
    """Set what is printed: one page wide, headings repeated, title and page number below.

    ``above`` is printed at the head of every page.
    """
    sheet.print_area = f"A1:{get_column_letter(last_column)}{last_row}"
    sheet.page_setup.orientation = "landscape" if wide else "portrait"
    sheet.page_setup.fitToWidth = 1
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True  # type: ignore[union-attr]
    if repeat:
        sheet.print_title_rows = repeat
    sheet.page_margins.left = sheet.page_margins.right = 0.5
    sheet.oddHeader.left.text = above.replace("&", "&&") or None  # type: ignore[union-attr]
    sheet.oddHeader.left.size = 9  # type: ignore[union-attr]
    footer = sheet.oddFooter
    text = shorten(title, 110 if wide else 70)
    footer.left.text = text.replace("&", "&&")  # type: ignore[union-attr]
    footer.right.text = "Page &P of &N"  # type: ignore[union-attr]


def line_cell(sheet: Worksheet, row: int, column: int, value: object = None, **look: Any) -> None:
    """Write a boxed cell of a counting sheet, in large type."""
    put(sheet, row, column, value, **{"font": font(LARGE), "border": BOX, **look})
