"""Applications, and how treatments and doses name them."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from datetime import date
from types import MappingProxyType

from trialkit.problems import listing, quoted
from trialkit.reading.cells import Cell, Ledger
from trialkit.reading.dates import read_dates
from trialkit.reading.headers import normal
from trialkit.reading.numbers import read_numbers
from trialkit.reading.tables import Table
from trialkit.trial import Application

#: Signs that can stand between ids in one cell, the plainest first.
PART_MARKS = (";", "+", ",", "|")
_BETWEEN = re.compile(r"\s*(?:[;,+|&/\n]|\band\b)\s*", re.IGNORECASE)
_WORD = re.compile(
    r"(?:applications?|app(?:l|ln)?|sprays?|treatments?|timings?|no)\b[\s.:#]*|T(?=\d)",
    re.IGNORECASE,
)
_RANGE = re.compile(r"(.+?)\s*(?:[-‐‑–—:]|\bto\b)\s*(.+)", re.IGNORECASE)
_ALL = frozenset({"all", "every", "each", "allapplications", "everyapplication", "both"})
_NONE = frozenset({"", "none", "no", "nil", "never"})


def read_applications(table: Table, ledger: Ledger, applied: date | None) -> list[Application]:
    """Read the table of applications, in the order in which they are listed."""
    for column in table.columns:
        if column.header:
            meaning = column.field or "further information about the application, kept as text"
            ledger.understand(table.grid.name, column.header, meaning)
    date_column = table.column("date")
    if date_column is None:
        ledger.error(
            "no-column",
            "There is no column date.",
            "Add the column date with the day of each application.",
            table.header_place(),
        )
        return []
    dates = read_dates(table.cells(date_column), table, ledger, applied)
    metric = _volumes(table, "carrier_l_per_ha", ledger)
    american = _volumes(table, "carrier_gal_per_acre", ledger)
    ids = _ids(table, ledger)
    made = []
    for index, (row, day) in enumerate(zip(table.rows, dates, strict=True)):
        if day is None:
            cell = row[date_column.index - 1]
            if not cell.text:
                ledger.error(
                    "day-unreadable",
                    "This application has no date.",
                    "Fill in its date, such as 2025-06-12, or clear the row.",
                    table.place(cell),
                )
            continue
        details = {
            column.header: row[column.index - 1].text
            for column in table.columns
            if column.field is None and column.header and row[column.index - 1].text
        }
        made.append(
            Application(
                id=ids[index],
                date=day,
                carrier_l_per_ha=metric[index],
                carrier_gal_per_acre=None if metric[index] is not None else american[index],
                method=_text(table, row, "method"),
                growth_stage=_text(table, row, "growth_stage"),
                equipment=_text(table, row, "equipment"),
                details=MappingProxyType(details),
            )
        )
    return made


def _ids(table: Table, ledger: Ledger) -> list[str]:
    """Number or letter of each application; its place in the list where none is given."""
    column = table.column("application")
    given = [cell.text for cell in table.cells(column)] if column else [""] * len(table.rows)
    taken = {text for text in given if text}
    ids: list[str] = []
    seen: set[str] = set()
    for index, text in enumerate(given):
        own, number = text, index + 1
        while not own or (not text and own in taken):
            own, number = str(number), number + 1
        if own in seen and column is not None:
            ledger.error(
                "application-twice",
                f"The application {quoted(own)} is listed twice.",
                "Give each a number or letter of its own; two volumes on one day are two "
                "applications.",
                table.place(table.rows[index][column.index - 1]),
            )
        seen.add(own)
        taken.add(own)
        ids.append(own)
    return ids


def _text(table: Table, row: Sequence[Cell], field: str) -> str | None:
    column = table.column(field)
    return (row[column.index - 1].text or None) if column else None


def _volumes(table: Table, field: str, ledger: Ledger) -> list[float | None]:
    found: list[float | None] = [None] * len(table.rows)
    column = table.column(field)
    if column is None:
        return found
    cells = table.cells(column)
    for index, value in enumerate(read_numbers(cells, table, ledger, marks=table.marks)[0]):
        if value is None or math.isnan(value):
            continue
        if value < 0:
            ledger.error(
                "negative-number",
                f"A volume can't be negative: {quoted(cells[index].text)}.",
                "Correct it, or leave the cell empty.",
                table.place(cells[index]),
            )
        else:
            found[index] = value
    return found


def named_applications(
    cell: Cell, table: Table, known: Sequence[Application], ledger: Ledger
) -> tuple[str, ...]:
    """Read which applications a cell names: ``1; 3``, ``A, B``, ``A and C``, ``1-3``, ``all``.

    Parameters
    ----------
    cell : Cell
    table : Table
        Points at the cell.
    known : sequence of Application
        Those that the trial lists. Numbers stand for letters and letters for numbers where the
        list has the other; a date or growth stage stands for the application that has it.
    ledger : Ledger
        Gets a warning where the cell names something that is none of them.

    Returns
    -------
    tuple of str
        Ids of the applications in the order of the list, then what names none of them. Where
        none is listed, what stands in the cell, one by one.
    """
    text = cell.text
    ids = [item.id for item in known]
    whole = _one(text, known)
    if whole is not None:
        return (whole,)
    if normal(text) in _NONE or not text.strip(" -–—."):
        return ()
    if normal(text) in _ALL:
        return tuple(ids) or ("all",)
    named, unknown = _several(text, known)
    if unknown and known:
        ledger.warn(
            "application-unknown",
            f"{listing(map(quoted, unknown))} {'is' if len(unknown) == 1 else 'are'} not in the "
            f"list of applications ({listing(ids)}).",
            "Name applications by their number or letter, such as '1; 3', or 'all'.",
            table.place(cell),
        )
    return (*sorted(named, key=ids.index), *unknown) if known else tuple(unknown)


def _several(text: str, known: Sequence[Application]) -> tuple[list[str], list[str]]:
    for mark in PART_MARKS:
        parts = [part.strip() for part in text.split(mark)]
        found = [_one(part, known) for part in parts]
        if len(parts) > 1 and None not in found:
            return list(dict.fromkeys(item for item in found if item is not None)), []
    named: list[str] = []
    unknown: list[str] = []
    for part in filter(None, (piece.strip() for piece in _BETWEEN.split(text))):
        for one in _spread(part, known):
            meant = _one(one, known)
            (unknown if meant is None else named).append(one if meant is None else meant)
    return list(dict.fromkeys(named)), list(dict.fromkeys(unknown))


def _one(text: str, known: Sequence[Application]) -> str | None:
    """Id of the one application that a text names; None where it names none, or several."""
    bare = _bare(text)
    for word in (text, bare):
        exact = [item.id for item in known if item.id == word]
        folded = [item.id for item in known if item.id.casefold() == word.casefold()]
        if exact or len(folded) == 1:
            return (exact or folded)[0]
    for index, item in enumerate(known, 1):
        other = item.id.isdecimal() != bare.isdecimal()
        if other and _place(bare) == index and (_place(item.id) == index):
            return item.id
    for attribute in ("date", "growth_stage"):
        meant = [i.id for i in known if text and str(getattr(i, attribute) or "") == text]
        if len(meant) == 1:
            return meant[0]
    return None


def _bare(text: str) -> str:
    """Take the word off ``application 1``, ``spray A``, ``T2``."""
    return _WORD.sub("", text, count=1).strip() if _WORD.match(text) else text


def _place(text: str) -> int | None:
    """Place in the list of a number or a single letter: 1 for ``1``, ``A`` and ``a``."""
    if text.isascii() and text.isdecimal():
        return int(text)
    if len(text) == 1 and text.isascii() and text.isalpha():
        return ord(text.casefold()) - ord("a") + 1
    return None


def _spread(text: str, known: Sequence[Application]) -> list[str]:
    """Take ``1-3`` and ``ABC`` apart; anything else stays one."""
    bare = _bare(text)
    match = _RANGE.fullmatch(bare)
    if match:
        first, last = (_bare(part) for part in match.groups())
        low, high = _place(first), _place(last)
        if low is not None and high is not None and low <= high <= low + 99:
            letters = first.isalpha()
            if letters == last.isalpha():
                small = "a" if first.islower() else "A"
                return [
                    chr(ord(small) + place - 1) if letters else str(place)
                    for place in range(low, high + 1)
                ]
    joined = bare.isascii() and bare.isalpha() and bare.isupper() and len(bare) > 1
    if joined and len(set(bare)) == len(bare) and all(_one(mark, known) for mark in bare):
        return list(bare)
    return [text if known else bare]
