"""Workbooks (.xlsx, .xlsm) to cells, behind limits."""

from __future__ import annotations

import html
import io
import posixpath
import re
import warnings
import zipfile
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from typing import Any

from trialkit.problems import Place, quoted
from trialkit.reading.cells import Cell, Grid, Ledger, Merged, Row, column_letter
from trialkit.reading.textfiles import foreign

MAX_BYTES = 50_000_000
MAX_UNPACKED = 200_000_000
MAX_ENTRIES = 2_000
MAX_ROWS = 50_000
MAX_COLUMNS = 500
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_MERGE = re.compile(rb'<(?:\w+:)?mergeCell\s[^>]*?ref="([A-Z]+)(\d+):([A-Z]+)(\d+)"')
_HIDDEN = re.compile(rb"<(?:\w+:)?row\s(?:[^>]*?\s)?hidden=\"1\"[^>]*?/?>")
_HIDDEN_COLUMN = re.compile(rb"<(?:\w+:)?col\s(?:[^>]*?\s)?hidden=\"1\"[^>]*?/?>")
_COMMENTS = re.compile(r'Target="([^"]*comments?\d*\.xml)"', re.IGNORECASE)
_COMMENT = re.compile(r'(<comment\s[^>]*?ref="([A-Z]+\d+)"[^>]*>)(.*?)</comment>', re.DOTALL)
_AUTHOR = re.compile(r"<author>([^<]*)</author>")
#: Who wrote the comments that explain the headings of a blank.
OWN_AUTHOR = "trialkit"
_RUN = re.compile(r"<t(?:\s[^>]*)?>([^<]*)</t>")
_FORMULA = re.compile(rb"<(?:\w+:)?f[\s>/]")
#: Parts of a number format that only print themselves: "text" and \\x.
_LITERAL = re.compile(r'"[^"]*"|\\.')
_CHUNK = 1 << 20
_SAVE_AS = "Open it in a spreadsheet and save it as an Excel workbook (.xlsx)."


def read_workbook(data: bytes, name: str, ledger: Ledger) -> tuple[Grid, ...] | None:
    """Read all sheets of a workbook as cells.

    Returns
    -------
    tuple of Grid or None
        None, with an error in the ledger, where the file is encrypted, truncated, no workbook
        or too large.
    """
    if not _is_sound(data, name, ledger):
        return None
    try:
        return _load(data, name, ledger)
    except Exception as fault:  # noqa: BLE001 - a damaged file can fail anywhere in the parser
        reason = str(fault).strip().splitlines()
        said = f" ({reason[0][:120]})" if reason else ""
        _tell(ledger, name, "not-a-workbook", f"The workbook could not be read{said}.", _SAVE_AS)
        return None


def _tell(ledger: Ledger, name: str, kind: str, what: str, remedy: str) -> None:
    ledger.error(kind, what, remedy, Place(name))


def _is_sound(data: bytes, name: str, ledger: Ledger) -> bool:
    if not data:
        _tell(ledger, name, "not-a-workbook", "The file is empty.", _SAVE_AS)
    elif data.startswith(_OLE):
        if "EncryptedPackage".encode("utf-16-le") in data:
            _tell(
                ledger,
                name,
                "workbook-encrypted",
                "The workbook is encrypted with a password.",
                "Open it in a spreadsheet, take the password off and save it.",
            )
        else:
            what = "This is a workbook in the old .xls form, whatever its name says."
            _tell(ledger, name, "old-workbook", what, _SAVE_AS)
    elif not data.startswith(b"PK"):
        other = foreign(data)
        plain = other is None and b"\0" not in data[:2000] and bool(data.strip())
        what = f"This is {other or 'a text file' if other or plain else 'no Excel workbook'}"
        said = f"{what}, whatever its name ends in." if other or plain else f"{what}."
        save = "If it holds a table, give it the ending .csv." if plain else _SAVE_AS
        _tell(ledger, name, "not-a-workbook", said, save)
    else:
        return _is_sound_archive(data, name, ledger)
    return False


def _is_sound_archive(data: bytes, name: str, ledger: Ledger) -> bool:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = archive.infolist()
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError):
        _tell(
            ledger,
            name,
            "workbook-truncated",
            "The workbook is damaged or cut off; its end is missing.",
            "Copy or download it again, or take the original file.",
        )
        return False
    if any(entry.flag_bits & 1 for entry in entries):
        _tell(
            ledger,
            name,
            "workbook-encrypted",
            "The workbook is encrypted with a password.",
            "Take the password off and save it again.",
        )
        return False
    unpacked = sum(entry.file_size for entry in entries)
    if unpacked > MAX_UNPACKED or len(entries) > MAX_ENTRIES:
        size = (
            f"unpacks to {unpacked / 1e6:,.0f} MB"
            if unpacked > MAX_UNPACKED
            else f"holds {len(entries):,} parts"
        )
        _tell(
            ledger,
            name,
            "workbook-too-large",
            f"The workbook {size}; more than "
            f"{MAX_UNPACKED // 1_000_000} MB or {MAX_ENTRIES:,} parts are not opened.",
            "Copy the sheets of the trial into a new workbook, without pictures and empty rows.",
        )
        return False
    names = {entry.filename for entry in entries}
    if "mimetype" in names and "content.xml" in names:
        what = "This is an OpenDocument spreadsheet (.ods)."
        _tell(ledger, name, "old-workbook", what, _SAVE_AS)
        return False
    if "[Content_Types].xml" not in names or not any(n.startswith("xl/") for n in names):
        what = "This file is an archive, but no Excel workbook."
        _tell(ledger, name, "not-a-workbook", what, _SAVE_AS)
        return False
    return True


def _load(data: bytes, name: str, ledger: Ledger) -> tuple[Grid, ...]:
    import openpyxl

    grids = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        formulas: Any = None
        for sheet in book.worksheets:
            merged, has_formulas, hidden = _scan(data, _part(sheet))
            state = str(getattr(sheet, "sheet_state", "visible"))
            if state == "visible":
                _warn_hidden(hidden, name, sheet.title, ledger)
                for place, text in comments_of(data, _part(sheet)):
                    _tell_comment(place, text, name, sheet.title, ledger)
            unstored: set[tuple[int, int]] = set()
            if has_formulas:
                if formulas is None:
                    formulas = openpyxl.load_workbook(io.BytesIO(data), read_only=True)
                unstored = _formula_cells(formulas[sheet.title])
            _warn_beyond(sheet, name, ledger)
            struck: list[tuple[int, int, str]] = []
            rows = tuple(_rows(sheet, unstored, struck if _strikes(book) else None))
            _warn_struck(struck, name, sheet.title, ledger)
            grids.append(
                Grid(
                    file=name,
                    sheet=sheet.title,
                    rows=rows,
                    merged=merged,
                    hidden=state != "visible",
                )
            )
        book.close()
        if formulas is not None:
            formulas.close()
    return tuple(grids)


def _part(sheet: Any) -> str:
    return str(sheet._worksheet_path).lstrip("/")


def _scan(data: bytes, part: str) -> tuple[tuple[Merged, ...], bool, tuple[int, int]]:
    """Find what the fast reader leaves out: merged ranges, formulas, hidden rows and columns."""
    merged: set[Merged] = set()
    has_formulas = False
    hidden: set[bytes] = set()
    columns: set[bytes] = set()
    rest = b""
    with zipfile.ZipFile(io.BytesIO(data)) as archive, archive.open(part) as stream:
        while chunk := stream.read(_CHUNK):
            text = rest + chunk
            has_formulas = has_formulas or _FORMULA.search(text) is not None
            hidden.update(_HIDDEN.findall(text))
            columns.update(_HIDDEN_COLUMN.findall(text))
            for left, top, right, bottom in _MERGE.findall(text):
                merged.add(Merged(int(top), _number(left), int(bottom), _number(right)))
            rest = text[-200:]
    return tuple(sorted(merged)), has_formulas, (len(hidden), len(columns))


def _warn_hidden(numbers: tuple[int, int], name: str, sheet: str, ledger: Ledger) -> None:
    for number, word, why in zip(
        numbers, ("row", "column"), (", as a filter leaves them", ""), strict=True
    ):
        if number:
            ledger.warn(
                f"hidden-{word}s",
                f"The sheet has {number} hidden {word}{'' if number == 1 else 's'}{why}; "
                "they were read like all others.",
                "Nothing needs to be done if they belong to the trial; else delete them.",
                Place(name, sheet),
            )


def _strikes(book: Any) -> bool:
    """Whether any cell of a workbook may be struck through."""
    return any(bool(getattr(font, "strike", False)) for font in getattr(book, "_fonts", ()))


def _warn_struck(struck: list[tuple[int, int, str]], name: str, sheet: str, ledger: Ledger) -> None:
    for row, column, text in struck:
        ledger.warn(
            "struck-through",
            f"{quoted(text)} is struck through; it was read like all others.",
            "Clear the cell if it does not count any more.",
            Place(name, sheet, row, column_letter(column)),
        )


def comments_of(data: bytes, part: str) -> list[tuple[str, str]]:
    """Comments on the cells of a sheet, each with its cell.

    Parameters
    ----------
    data : bytes
        The workbook.
    part : str
        Path of the sheet inside it.
    """
    folder, _, file = part.rpartition("/")
    found: list[tuple[str, str]] = []
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        try:
            links = archive.read(f"{folder}/_rels/{file}.rels").decode("utf-8", "replace")
        except KeyError:
            return []
        names = set(archive.namelist())
        for target in _COMMENTS.findall(links):
            path = (
                target.lstrip("/")
                if target.startswith("/")
                else posixpath.normpath(f"{folder}/{target}")
            )
            if path not in names:
                continue
            text = archive.read(path)[:MAX_BYTES].decode("utf-8", "replace")
            authors = _AUTHOR.findall(text)
            for top, cell, inside in _COMMENT.findall(text):
                number = re.search(r'authorId="(\d+)"', top)
                if number and authors[int(number[1]) : int(number[1]) + 1] == [OWN_AUTHOR]:
                    continue  # what a blank says of its headings
                words = html.unescape("".join(_RUN.findall(inside)))
                found.append((cell, " ".join(words.split())))
    return found


def _tell_comment(cell: str, text: str, name: str, sheet: str, ledger: Ledger) -> None:
    match = re.fullmatch(r"([A-Z]+)(\d+)", cell)
    if match and text:
        ledger.warn(
            "comment",
            f"A comment stands beside this cell: {quoted(text, 300)}.",
            "It is kept here and not read as data; nothing needs to be done.",
            Place(name, sheet, int(match[2]), match[1]),
        )


def _number(letters: bytes) -> int:
    value = 0
    for letter in letters:
        value = value * 26 + letter - 64
    return value


def _formula_cells(sheet: Any) -> set[tuple[int, int]]:
    return {
        (cell.row, cell.column)
        for row in _raw_rows(sheet)
        for cell in row[:MAX_COLUMNS]
        if cell.value is not None and cell.data_type == "f"
    }


def _raw_rows(sheet: Any) -> Iterator[tuple[Any, ...]]:
    """Rows that are no wider than their last cell; a stray cell far out costs nothing then."""
    sheet.reset_dimensions()
    rows: Iterator[tuple[Any, ...]] = sheet.iter_rows(max_row=MAX_ROWS)
    return rows


def _rows(
    sheet: Any, formulas: set[tuple[int, int]], struck: list[tuple[int, int, str]] | None = None
) -> list[Row]:
    rows: list[Row] = []
    for number, row in enumerate(_raw_rows(sheet), 1):
        cells: list[Cell] = []
        filled = 0
        for index, source in enumerate(row[:MAX_COLUMNS], 1):
            cell = _cell(source, number, index, formulas)
            cells.append(cell)
            if cell.text:
                filled = index
                if struck is not None and source.font.strike:
                    struck.append((number, index, cell.text))
        if filled:
            rows.append(tuple(cells[:filled]))
    return rows


def _cell(source: Any, row: int, column: int, formulas: set[tuple[int, int]]) -> Cell:
    value = source.value
    if value is None:
        if (row, column) in formulas:
            return Cell("(formula)", row, column, fault="formula")
        return Cell("", row, column)
    if isinstance(value, str) and source.data_type == "e":
        return Cell(value, row, column, fault="error")
    return value_cell(value, row, column, str(source.number_format or ""))


def value_cell(value: object, row: int, column: int, number_format: str = "") -> Cell:
    """Make a cell of what a workbook or a table of a program holds.

    Parameters
    ----------
    value : object
        Text, a number, true or false, a date or a time.
    row, column : int
        Counted from 1.
    number_format : str
        As the workbook shows a number.
    """
    if isinstance(value, str):
        return Cell(value.strip(), row, column)
    if isinstance(value, bool):
        return Cell("TRUE" if value else "FALSE", row, column, fault="switch")
    if isinstance(value, int | float):
        percent = "%" in _LITERAL.sub("", number_format)
        shown = _shown(value, number_format)
        return Cell(shown, row, column, number=float(value), percent=percent)
    if isinstance(value, datetime):
        if value.time() == time():
            return Cell(value.date().isoformat(), row, column, day=value.date())
        return Cell(value.isoformat(" "), row, column, day=value.date(), fault="time")
    if isinstance(value, date):
        return Cell(value.isoformat(), row, column, day=value)
    if isinstance(value, time | timedelta):
        return Cell(str(value), row, column, fault="time")
    return Cell(str(value).strip(), row, column)


def _shown(value: int | float, number_format: str) -> str:
    """Text of a number as an id: 7.0 is 7, and 7 under the format 000 is 007."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        value = int(value)
    if isinstance(value, int):
        pattern = number_format.strip('"')
        if pattern and set(pattern) == {"0"} and value >= 0:
            return str(value).zfill(len(pattern))
        return str(value)
    return repr(value)


def _warn_beyond(sheet: Any, name: str, ledger: Ledger) -> None:
    rows, columns = sheet.max_row or 0, sheet.max_column or 0
    if rows > MAX_ROWS or columns > MAX_COLUMNS:
        ledger.warn(
            "sheet-too-long",
            f"The sheet claims {rows:,} rows and {columns:,} columns; only the first {MAX_ROWS:,} "
            f"rows and {MAX_COLUMNS:,} columns were read.",
            "Delete the empty rows and columns beyond the table and save the workbook.",
            Place(name, sheet.title),
        )
