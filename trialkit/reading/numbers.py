"""Numbers from cells: missing tokens, decimal marks, percent signs, and what is no number."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

from trialkit.problems import Place, quoted
from trialkit.reading.cells import Cell, Ledger, undash
from trialkit.trial_tables import out_of_bounds

MISSING = frozenset({"", ".", "-", "na", "n/a", "*"})
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+")
_POINT = re.compile(r"[+-]?[0-9]*\.[0-9]+")
_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:,[0-9]{3})+")
_DOT_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:\.[0-9]{3})+(?:,[0-9]+)?")
_COMMA_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:,[0-9]{3})+(?:\.[0-9]+)?")
_SPACED = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:[\s'][0-9]{3})+(?:[.,][0-9]+)?")
_SOME_NUMBER = re.compile(r"[+-]?[0-9]+(?:[.,][0-9]+)?")
_CENSORED = re.compile(r"(?:[<>≤≥~≈]=?|less than|more than|over|under|about|ca\.?)\s*[\d.,]+\s*%?"
                       r"|[\d.,]+\s*(?:\+|-|or (?:more|less))", re.IGNORECASE)  # fmt: skip
_SPAN = re.compile(r"[\d.,]+\s*(?:-|to|/)\s*[\d.,]+\s*%?")
_OF = re.compile(r"\d+\s*(?:/|of|out of|von|sur)\s*\d+", re.IGNORECASE)
_ERROR_TEXT = re.compile(r"#(?:DIV/0|N/A|NAME|NULL|NUM|REF|VALUE)[!?]?", re.IGNORECASE)


class Located(Protocol):
    """What can point at one of its cells."""

    def place(self, cell: Cell) -> Place:
        """Point at a cell."""
        ...


@dataclass(frozen=True, slots=True)
class Marks:
    """Which decimal marks the numbers of a table show beyond doubt.

    Attributes
    ----------
    comma, point : bool
        Whether there is a number that can only be written so: ``12,5``, ``12.5``.
    semicolons : bool
        Whether semicolons separate the columns, as they do where commas are decimal.
    """

    comma: bool = False
    point: bool = False
    semicolons: bool = False


def marks_of(texts: Iterable[str], separator: str = "") -> Marks:
    """Find the decimal marks that numbers show; ``1,234`` and ``1.234`` show none."""
    comma = point = False
    for text in texts:
        if not text or not text[-1:].isdigit():
            continue
        tidy = undash(text)
        comma = comma or (
            "," in tidy and bool(_COMMA.fullmatch(tidy)) and not _THOUSANDS.fullmatch(tidy)
        )
        point = point or (
            "." in tidy and bool(_POINT.fullmatch(tidy)) and not _DOT_THOUSANDS.fullmatch(tidy)
        )
    return Marks(comma, point, separator == ";")


def is_missing(text: str) -> bool:
    """Whether a value cell says that there is no value."""
    return undash(text).casefold() in MISSING


def plain_number(text: str) -> float | None:
    """Read a number written with a point; None where it is none."""
    if text.isascii() and text.isdigit():
        return float(text)
    tidy = undash(text)
    if _NUMBER.fullmatch(tidy) is None:
        return None
    value = float(tidy)
    return value if math.isfinite(value) else None


def looks_numeric(text: str) -> bool:
    """Whether a text is a number, with point or comma."""
    return plain_number(text) is not None or _COMMA.fullmatch(undash(text)) is not None


def cell_is_number(cell: Cell) -> bool:
    """Whether a cell holds a number, as number or as text."""
    return cell.number is not None or looks_numeric(cell.text)


#: A number with a mark, letters of a mean separation, a unit: ``20*``, ``12.5 a``, ``(20)``.
_MARKED = re.compile(r"\s*[\d.,]*\d\s*(?:[)\]*†‡?!]+|\s[^\W\d_]{1,8}\.?|[a-f]{1,3})?")


def is_error_text(text: str) -> bool:
    """Whether a text is what a spreadsheet shows for a formula that failed: ``#REF!``."""
    return _ERROR_TEXT.fullmatch(text) is not None


def begins_as_number(cell: Cell) -> bool:
    """Whether the text of a cell begins with a number, whatever follows: ``20 larvae``, ``3+4``."""
    return undash(cell.text).lstrip("(~[+-<>='\" ")[:1].isdigit()


def nearly_number(cell: Cell) -> bool:
    """Whether a cell stands for a number that it does not give: ``45 %``, ``<1``, ``#DIV/0!``."""
    text = undash(cell.text)
    return (
        cell.fault in {"error", "formula"}
        or looks_numeric(text.rstrip("% "))
        or _CENSORED.fullmatch(text) is not None
        or _SPAN.fullmatch(text) is not None
        or _ERROR_TEXT.fullmatch(text) is not None
        or _COMMA_THOUSANDS.fullmatch(text) is not None
        or _SPACED.fullmatch(text) is not None
        or _MARKED.fullmatch(text) is not None
    )


def read_numbers(
    cells: Sequence[Cell],
    table: Located,
    ledger: Ledger,
    *,
    marks: Marks,
    percent: bool = False,
    alone: bool = True,
) -> tuple[list[float | None], bool]:
    """Read a column of value cells.

    Parameters
    ----------
    cells : sequence of Cell
    table : Located
        Points at the cells.
    ledger : Ledger
        Gets an error for each cell that is no number, a warning for decimal commas.
    marks : Marks
        Which decimal marks the table shows; those of the column go before them.
    percent : bool
        Whether the heading says that these are percentages.
    alone : bool
        Whether there are no other columns of them, so that fractions are asked about here.

    Returns
    -------
    (list of float or None, bool)
        NaN where the cell is missing, None where it was no number; and whether any is shown
        with a percent sign, so that all are percentages.
    """
    return _Column(cells, table, ledger, marks).read(percent=percent, alone=alone)


class _Column:
    """One column of value cells while it is read."""

    def __init__(self, cells: Sequence[Cell], table: Located, ledger: Ledger, marks: Marks) -> None:
        self.cells, self.table, self.ledger = cells, table, ledger
        own = marks_of(cell.text for cell in cells if cell.number is None)
        clear = own.comma or own.point
        self.marks = Marks(own.comma, own.point, marks.semicolons) if clear else marks
        self.with_comma: Cell | None = None
        self.scaled: Cell | None = None

    def read(self, *, percent: bool, alone: bool) -> tuple[list[float | None], bool]:
        """Read all cells and say what was odd in them."""
        values = [self._value(cell) for cell in self.cells]
        if self.with_comma is not None:
            first = self.with_comma.text
            self.ledger.warn_once(
                "decimal-comma",
                f"Numbers in this table have a decimal comma; {quoted(first)} was read as "
                f"{first.replace(',', '.')}.",
                "Nothing needs to be done if that is right.",
                self.table.place(self.with_comma),
            )
        if self.scaled is not None:
            self._tell_scaled(values, percent=percent)
        elif percent and alone:
            self._tell_fractions(values)
        return values, self.scaled is not None

    def _value(self, cell: Cell) -> float | None:
        if cell.fault or cell.day is not None:
            tell_fault(cell, self.table, self.ledger)
            return None
        if cell.number is not None:
            if cell.percent:
                self.scaled = self.scaled or cell
                # 0.07 times 100 is 7.000000000000001; what was typed is 7.
                return self._possible(float(f"{cell.number * 100:.15g}"), cell)
            return self._possible(cell.number, cell)
        if is_missing(cell.text):
            return math.nan
        text = undash(cell.text)
        signed = text.endswith("%") and looks_numeric(text.rstrip("% "))
        value = self._text_number(text.rstrip("% ") if signed else text, cell)
        if value is None:
            _tell_text(cell, self.table, self.ledger)
            return None
        if signed:
            self.scaled = self.scaled or cell
        return self._possible(value, cell)

    def _possible(self, value: float, cell: Cell) -> float | None:
        if not out_of_bounds(value):
            return value
        self.ledger.error(
            "out-of-range",
            f"{quoted(cell.text)} is no number that a plot can have.",
            "Correct the number, or leave the cell empty.",
            self.table.place(cell),
        )
        return None

    def _text_number(self, text: str, cell: Cell) -> float | None:
        """Read a number of a text cell; None where it is none, or may be two."""
        marks = self.marks
        if "," not in text:
            # Beside decimal commas a point before three digits may stand for thousands.
            unclear = (marks.comma or marks.semicolons) and not marks.point
            if unclear and _DOT_THOUSANDS.fullmatch(text) is not None:
                return None
            return plain_number(text)
        if _COMMA.fullmatch(text) is None:
            return None
        # 4,666 is a number with a decimal comma only where others show that commas are decimal.
        if _THOUSANDS.fullmatch(text) is not None and (not marks.comma or marks.point):
            return None
        self.with_comma = self.with_comma or cell
        return plain_number(text.replace(",", "."))

    def _tell_scaled(self, values: Sequence[float | None], *, percent: bool) -> None:
        """Say how percent signs were read; beside them a bare 0.45 may be 45 or 0.45."""
        scaled = self.scaled
        assert scaled is not None  # noqa: S101 - the caller looked
        for cell, value in zip(self.cells, values, strict=True):
            bare = not cell.percent and not cell.text.endswith("%")
            if bare and value is not None and value > 0 and (value <= 1 or not percent):
                self.ledger.error(
                    "percent-mixed",
                    f"{quoted(cell.text)} stands without a percent sign beside cells with one, "
                    f"such as {quoted(scaled.text)}, so it is not clear what it means.",
                    "Give all cells of the column the same form.",
                    self.table.place(cell),
                )
        value = next(v for c, v in zip(self.cells, values, strict=True) if c is scaled)
        if scaled.number is not None and value is not None:
            self.ledger.warn(
                "percent-format",
                f"The cells are shown as percentages; {scaled.text} was read as {value:g} percent.",
                "Nothing needs to be done if that is right.",
                self.table.place(scaled),
            )

    def _tell_fractions(self, values: Sequence[float | None]) -> None:
        """Ask whether percentages are fractions of 1."""
        known = [value for value in values if value is not None and value == value]
        if known and max(known) <= 1 and any(0 < value < 1 for value in known):
            cell = next(
                c for c, v in zip(self.cells, values, strict=True) if v is not None and 0 < v < 1
            )
            self.ledger.warn(
                "percent-fraction",
                f"No percentage in this column is above 1, such as {quoted(cell.text)}; they were "
                "read as percent, not as parts of 1.",
                "If 0.45 should mean 45 percent, multiply the column by 100.",
                self.table.place(cell),
            )


def _tell_text(cell: Cell, table: Located, ledger: Ledger) -> None:
    text = undash(cell.text)
    what = f"{quoted(cell.text)} is no number."
    remedy = "Type a number; leave the cell empty where there is no value."
    if _ERROR_TEXT.fullmatch(text):
        _tell_error_cell(cell, table, ledger)
        return
    if _THOUSANDS.fullmatch(text) or _DOT_THOUSANDS.fullmatch(text):
        what, remedy = _unclear(cell, text)
    elif _COMMA_THOUSANDS.fullmatch(text):
        remedy = f"Type the number without signs for thousands: {text.replace(',', '')}."
    elif _SPACED.fullmatch(text):
        whole = re.sub(r"[\s']", "", text).replace(",", ".")
        remedy = f"Type the number without signs for thousands: {whole}."
    elif text.casefold() in {"o", "nil", "none", "zero", "null"}:
        remedy = "Type 0 if nothing was found, or leave the cell empty if it was not looked at."
    elif _OF.fullmatch(text):
        what = f"{quoted(cell.text)} is no number but one of another."
        remedy = "Give two columns: how many are affected, and how many were looked at."
    elif _CENSORED.fullmatch(text) or _SPAN.fullmatch(text):
        what = f"{quoted(cell.text)} is no number. It says where a value lies and not what it is."
        remedy = "Type what was counted or judged, or leave the cell empty and say so in the notes."
    else:
        inside = _SOME_NUMBER.findall(text)
        if len(inside) == 1 and _MARKED.fullmatch(text):
            remedy = f"Type the number alone: {inside[0].replace(',', '.')}."
    ledger.error("text-in-number", what, remedy, table.place(cell))


def _unclear(cell: Cell, text: str) -> tuple[str, str]:
    """Say that a number may be two, with or without a sign for thousands."""
    comma, point = text.rfind(","), text.rfind(".")
    if comma > 0 and point > 0:
        whole = text.replace(".", "").replace(",", ".")
        return (
            f"{quoted(cell.text)} is no number.",
            f"Type the number without signs for thousands: {whole}.",
        )
    mark = "," if comma > 0 else "."
    ways = [text.replace(mark, "")]
    if text.count(mark) == 1:
        ways.append(text.replace(mark, "."))
    return (
        f"{quoted(cell.text)} may be read in more than one way.",
        f"Type {', or '.join(ways)}, whichever is meant.",
    )


def tell_fault(cell: Cell, table: Located, ledger: Ledger) -> None:
    """Say what is wrong with a workbook cell that cannot be read as a number."""
    place = table.place(cell)
    if cell.fault == "formula":
        ledger.error(
            "formula-without-value",
            "The cell holds a formula whose result is not stored in the file.",
            "Open the workbook in a spreadsheet, let it calculate, and save it; or type the value.",
            place,
        )
    elif cell.fault == "error":
        _tell_error_cell(cell, table, ledger)
    elif cell.fault == "switch":
        ledger.error(
            "text-in-number",
            f"{quoted(cell.text)} is no number.",
            "Type a number; leave the cell empty where there is no value.",
            place,
        )
    else:
        ledger.error(
            "date-in-number",
            f"The cell holds a date or time ({cell.text}), no number.",
            "Type the number again and give the cell the number format 'General'.",
            place,
        )


def _tell_error_cell(cell: Cell, table: Located, ledger: Ledger) -> None:
    ledger.error(
        "error-cell",
        f"The cell shows the error {cell.text}.",
        "Mend the formula, type the value, or leave the cell empty.",
        table.place(cell),
    )
