"""Numbers examined that no settings name: told from the headings of a table."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

from trialkit.problems import listing, quoted
from trialkit.reading.cells import Cell, Ledger
from trialkit.reading.heading_units import HIT
from trialkit.reading.names import LOOKED_AT, PERCENT, Names
from trialkit.reading.numbers import is_missing, plain_number
from trialkit.reading.tables import Table

_STEM = re.compile(
    r"(?:(?:no\.?|number|n|#)\s+(?:of\s+)?)?(?P<stem>.+?)[\s_]+(?:examined|inspected|tested|sown)"
    r"|(?:examined|inspected|tested|sown)[\s_]+(?P<other>.+)",
    re.IGNORECASE,
)
_UNITS = (
    r"(?:plants?|fruits?|leaves|leaflets|leaf|heads?|ears?|tubers?|seeds?|seedlings?|shoots?|stems?|"
    r"tillers?|berries|bolls?|pods?|trees?|insects?|larvae|adults|units?|flowers?|roots?|bunches)"
)
#: Headings that say how many there were, where others say how many of them were hit.
_TOTAL = re.compile(
    rf"n|n\.|total|totals|(?:total|no\.?|nr\.?|number|n)[\s_]+(?:number[\s_]+)?(?:of[\s_]+)?{_UNITS}"
    rf"|{_UNITS}|{_UNITS}[\s_]+(?:total|assessed|checked|observed|scored|sampled|counted)"
    r"|total[\s_]+(?:number|no\.?|count)|number|of|out[\s_]+of|sample[\s_]+size|assessed|checked|observed",
    re.IGNORECASE,
)
#: What k of n is called by its letter alone.
_LETTER = re.compile(r"[kxry]", re.IGNORECASE)
_BESIDE = re.compile(r"\b(?:on|per|in|from|by|of|a)\b|/", re.IGNORECASE)


class _Head(NamedTuple):
    """A heading without its day."""

    written: str
    day: object
    cells: tuple[Cell, ...]


def assume_examined(table: Table, names: Names, ledger: Ledger) -> None:
    """Take ``fruits examined`` for the number examined of ``damaged fruits``.

    Only where neither is described, the one names the other as a whole word, and every value is
    a whole number not above the number examined; and it is said.
    """
    if table.column("variable") is not None and table.column("value") is not None:
        return
    heads = [head for head in _heads(table) if not names.knows(head.written)]
    _declare_fixed(table, heads, names, ledger)
    for number in list(dict.fromkeys(h.written for h in heads if _says_number(h.written))):
        match = _STEM.fullmatch(number)
        stem = (match.group("stem") or match.group("other")) if match else None
        shares = [] if stem is None else _shares(_named(stem), number, heads)
        shares = shares or _shares(HIT, number, heads)
        if not shares and number.casefold() == "n":
            shares = _shares(_LETTER, number, heads)
        if not shares:
            continue
        for written in shares:
            names.declare_share(written, table.header_place(), number)
        ledger.warn(
            "examined-assumed",
            f"{quoted(number)} was taken for the number examined of "
            f"{listing(map(quoted, shares))}, which is then a percent of it.",
            "Nothing needs to be done if that is right; else give the column another heading, or "
            "describe it as a variable of its own.",
            table.header_place(),
        )


#: A number examined that stands in the heading: "damaged (of 50)", "dead out of 20".
_FIXED = re.compile(r".*?(?:\bout of|\bof|\bn\s*=|/)\s*(?P<n>\d{2,4})(?!\d)[^\d]*", re.IGNORECASE)


def _declare_fixed(table: Table, heads: list[_Head], names: Names, ledger: Ledger) -> None:
    """Take counts under a heading such as "damaged (of 50)" for shares, where all are possible."""
    cells: dict[str, list[Cell]] = {}
    for head in heads:
        cells.setdefault(head.written, []).extend(head.cells)
    for written, own in cells.items():
        match = None if PERCENT.search(written) else _FIXED.fullmatch(written)
        if match is None or ("=" in written and not HIT.fullmatch(written)):
            continue  # larvae (n = 50) are counted on 50, and not some of 50
        whole = Cell(match["n"], 0, 0)
        if not all(_may_be(cell, whole) for cell in own):
            continue
        names.declare_share(written, table.header_place(), float(match["n"]))
        ledger.warn(
            "examined-assumed",
            f"{quoted(written)} was taken for how many of {match['n']}, and is then a percent of "
            "it.",
            "Nothing needs to be done if that is right; else give the column another heading, or "
            "describe it as a variable of its own.",
            table.header_place(),
        )


def _heads(table: Table) -> Iterator[_Head]:
    for column in table.columns:
        if column.field is None and column.header:
            cells = tuple(table.cells(column))
            day = None if column.day is None else replace(column.day, variable="")
            yield _Head(column.written, day, cells)


def _says_number(written: str) -> bool:
    """Whether a heading may say how many units were looked at."""
    return LOOKED_AT.search(written) is not None or _TOTAL.fullmatch(written) is not None


def _named(stem: str) -> re.Pattern[str]:
    """Words that name units of the sort that was looked at, and say more than that."""
    return re.compile(rf"(?!{re.escape(stem)}$).*\b{re.escape(stem)}\b.*", re.IGNORECASE)


def _shares(word: re.Pattern[str], number: str, heads: list[_Head]) -> list[str]:
    """Headings that name some of the units looked at, and hold no more than these."""
    numbers = {head.day: head.cells for head in heads if head.written == number}
    found: dict[str, bool] = {}
    for head in heads:
        text = head.written
        if text == number or LOOKED_AT.search(text) or PERCENT.search(text):
            continue
        if _BESIDE.search(text):
            continue
        if word.fullmatch(text):
            of = numbers.get(head.day) or numbers.get(None)
            sound = of is not None and all(map(_may_be, head.cells, of))
            found[text] = found.get(text, True) and sound
    return [text for text, sound in found.items() if sound]


def _may_be(hit: Cell, of: Cell) -> bool:
    """Whether one cell can be some of another."""
    if is_missing(hit.text):
        return True
    k, n = (plain_number(cell.text) for cell in (hit, of))
    return k is not None and n is not None and k.is_integer() and n.is_integer() and 0 <= k <= n
