"""Writing a workbook whose bytes do not depend on the clock."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from datetime import datetime

from openpyxl import Workbook
from openpyxl.styles import Alignment, Font
from openpyxl.worksheet.worksheet import Worksheet

Cell = str | int | float | None

_STAMP = datetime(2025, 9, 15, 8, 0, 0)  # noqa: DTZ001 - workbooks keep no time zone
_ZIP_DATE = (1980, 1, 1, 0, 0, 0)


def merged_title(sheet: Worksheet, row: int, columns: int, text: str) -> None:
    """Write a title across so many columns, merged and centred."""
    cell = sheet.cell(row, 1, text)
    cell.font = Font(bold=True, size=14)
    cell.alignment = Alignment(horizontal="center")
    sheet.merge_cells(start_row=row, start_column=1, end_row=row, end_column=columns)


def put_table(
    sheet: Worksheet, row: int, header: Sequence[str], rows: Sequence[Sequence[Cell]]
) -> int:
    """Write a table whose header stands in ``row``; give back its last row."""
    for column, text in enumerate(header, 1):
        sheet.cell(row, column, text).font = Font(bold=True)
    for offset, cells in enumerate(rows, 1):
        for column, value in enumerate(cells, 1):
            if value is not None:
                sheet.cell(row + offset, column, value)
    return row + len(rows)


def workbook_bytes(book: Workbook) -> bytes:
    """Save with fixed dates and without compression, so that the bytes come out the same."""
    book.properties.creator = "example"
    book.properties.created = _STAMP
    first = io.BytesIO()
    book.save(first)
    out = io.BytesIO()
    stamp = _STAMP.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    with zipfile.ZipFile(first) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + stamp, content)
            new.writestr(zipfile.ZipInfo(name, _ZIP_DATE), content)
    return out.getvalue()
