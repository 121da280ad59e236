"""Text tables (.csv, .tsv) to cells: encoding, separator, quoting."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator

from trialkit.problems import Place
from trialkit.reading.cells import Cell, Grid, Ledger, Row
from trialkit.reading.headers import all_headers, normal
from trialkit.reading.headings import day_header

MAX_BYTES = 50_000_000
_SEPARATORS = (",", ";", "\t", "|")
_PEEK = 25


#: How files begin that are no text, and what they are.
_OTHER_FILES = {
    b"%PDF": "a PDF",
    b"PK\x03\x04": "a packed file such as a workbook (.xlsx) or a text document (.docx)",
    b"\xd0\xcf\x11\xe0": "an old office file (.xls, .doc)",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"GIF8": "a picture",
    b"{\\rtf": "a text document (.rtf)",
    b"\x1f\x8b": "a packed file",
    b"II*\x00": "a picture",
    b"MM\x00*": "a picture",
    b"SQLite format 3": "a database",
    b"<!doctype html": "a web page",
    b"<html": "a web page",
    b"<?xml": "an XML document",
    b'{"': "a file of a program (.json)",
    b"7z\xbc\xaf": "a packed file",
    b"Rar!": "a packed file",
}


def foreign(data: bytes) -> str | None:
    """What a file is by its first bytes, where that is no table; None where they do not tell.

    Examples
    --------
    >>> foreign(b"%PDF-1.7"), foreign(b"plot,treatment")
    ('a PDF', None)
    """
    start = data.removeprefix(b"\xef\xbb\xbf").lstrip()[:64]
    if start[:4] == b"RIFF" and start[8:12] in {b"WEBP", b"WAVE", b"AVI "}:
        return "a picture or a recording"
    low = start.lower()
    found = (words for mark, words in _OTHER_FILES.items() if low.startswith(mark.lower()))
    return next(found, None)


def decode(data: bytes, name: str, ledger: Ledger) -> str | None:
    """Bytes of a text file to text.

    UTF-8 with or without byte order mark, UTF-16 with one, else Windows-1252. None, with an
    error in the ledger, where the bytes are no text.
    """
    other = foreign(data)
    if other is not None:
        ledger.error(
            "not-text",
            f"This is {other}, whatever its name ends in, and no table that can be read.",
            "Open it in the program that it was made with, and save the table as 'CSV UTF-8' or as "
            ".xlsx.",
            Place(name),
        )
        return None
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            return data.decode("utf-16")
        except UnicodeDecodeError:
            _no_text(name, ledger)
            return None
    if b"\0" in data:
        _no_text(name, ledger)
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = data.count(b"\n", 0, fault.start) + 1
    coding = _old_coding(data)
    if coding is None:
        _no_text(name, ledger)
        return None
    ledger.warn(
        "encoding",
        f"The file is not in UTF-8; it was read as {_CODINGS[coding]}.",
        "Look at the letters with accents in the report; to be sure, save the file as 'CSV UTF-8'.",
        Place(name, row=line),
    )
    return data.decode(coding)


_CODINGS = {"cp1252": "Windows-1252", "mac-roman": "Mac OS Roman"}
_IN_WORDS = re.compile(r"[^\W\d_]([^\x00-\x7f])|([^\x00-\x7f])[^\W\d_]")


def _old_coding(data: bytes) -> str | None:
    """The old coding in which more of the signs inside words are letters; None for no text."""
    found: dict[str, int] = {}
    for coding in _CODINGS:
        try:
            text = data.decode(coding)
        except UnicodeDecodeError:
            continue
        inside = ["".join(pair) for pair in _IN_WORDS.findall(text)]
        found[coding] = sum(1 if sign.isalpha() else -1 for sign in inside)
    if "cp1252" not in found and any(byte < 32 and byte not in b"\t\r\n\f" for byte in data):
        return None
    return max(found, key=lambda coding: found[coding], default=None)


def _no_text(name: str, ledger: Ledger) -> None:
    ledger.error(
        "not-text",
        "This is no text file that can be read.",
        "Open it in a spreadsheet and save it as 'CSV UTF-8' or as .xlsx.",
        Place(name),
    )


def read_text_table(data: bytes, name: str, ledger: Ledger) -> Grid | None:
    """Read a .csv or .tsv file as cells; None, with an error in the ledger, where it fails."""
    text = decode(data, name, ledger)
    if text is None:
        return None
    first_line, skipped = 1, ""
    if text[:4].casefold() == "sep=" and len(text) > 4:
        # Some spreadsheets write the separator into a first line of its own.
        skipped = text[4]
        text = text.split("\n", 1)[1] if "\n" in text else ""
        first_line = 2
    separator = skipped or ("\t" if name.casefold().endswith(".tsv") else _separator(text))
    try:
        rows = tuple(_rows(text, separator, first_line, strict=True))
        loose = False
    except csv.Error:
        rows = tuple(_rows(text, separator, first_line, strict=False))
        loose = True
    for row in rows:
        for cell in row:
            run = "\n" in cell.text and cell.text.count(separator) > 1
            if run or (loose and (cell.text.count("\n") > 1 or len(cell.text) > 2000)):
                ledger.error(
                    "quotes",
                    "A quotation mark opens here and is not closed, so the rows after it "
                    "run together.",
                    "Close the quotation mark, or take it out.",
                    Place(name, row=cell.row),
                )
                return None
    return Grid(file=name, rows=rows, separator=separator)


def _rows(text: str, separator: str, first_line: int, *, strict: bool) -> Iterator[Row]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=strict)
    before = first_line - 1
    for fields in reader:
        line = before + 1
        before = reader.line_num + first_line - 1
        cells = [Cell(field.strip(), line, index) for index, field in enumerate(fields, 1)]
        while cells and not cells[-1].text:
            cells.pop()
        if cells:
            yield tuple(cells)


def _separator(text: str) -> str:
    """Choose the separator under which most known headers stand in one row."""
    head = "\n".join(text[:20_000].splitlines()[:_PEEK])
    known = all_headers()

    def score(separator: str) -> tuple[int, int]:
        best, widest = 0, 0
        try:
            for fields in csv.reader(io.StringIO(head, newline=""), delimiter=separator):
                hits = sum(
                    normal(field) in known or day_header(Cell(field.strip(), 1, 1)) is not None
                    for field in fields
                    if field
                )
                if hits > best:
                    best, widest = hits, len(fields)
        except csv.Error:
            return 0, 0
        return best, widest

    return max(_SEPARATORS, key=score)
