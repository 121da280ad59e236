"""Columns that hold totals or means of others beside them."""

from __future__ import annotations

import re
from collections.abc import Sequence

from trialkit.problems import listing, quoted
from trialkit.reading.cells import Ledger
from trialkit.reading.headers import normal
from trialkit.reading.leftout import is_summary_word
from trialkit.reading.names import Names
from trialkit.reading.numbers import plain_number
from trialkit.reading.tables import Column, Table


def without_summaries(
    table: Table, columns: list[Column], names: Names, ledger: Ledger
) -> list[Column]:
    """Leave out totals and means of the other columns of the same day."""
    stems = {c.written.casefold() for c in columns if c.written}
    words = [
        c
        for c in columns
        if not names.knows(c.written)
        and (
            is_summary_word(c.written)
            or normal(c.written) in _SUMS
            or (
                (match := _SUM_OF.fullmatch(c.written)) is not None
                and (match["a"] or match["b"] or "").casefold() in stems
            )
        )
    ]
    lost = [c for c in words if _is_of(table, c, [o for o in columns if o not in words])]
    tell_statistics(table, lost, ledger)
    unclear = [c for c in words if c not in lost and len(columns) > len(words)]
    if unclear:
        ledger.error(
            "summary-unclear",
            f"The column {quoted(unclear[0].label)} seems to hold totals or means, and is neither "
            "the sum nor the mean of the columns beside it.",
            "Take it out; if it is the number of units looked at, name it as examined of the "
            "variable that counts those hit; if it is a variable of its own, give it a name.",
            table.header_place(unclear[0]),
        )
    return [column for column in columns if column not in lost and column not in unclear]


def tell_statistics(table: Table, lost: Sequence[Column], ledger: Ledger) -> None:
    """Say which columns hold means or statistics and were left out."""
    if lost:
        ledger.warn(
            "summary-column",
            f"{listing([quoted(column.label) for column in lost])} "
            f"{'holds' if len(lost) == 1 else 'hold'} what is worked out from other columns.",
            "It was left out." if len(lost) == 1 else "They were left out.",
            table.header_place(lost[0]),
        )


def totals_of(table: Table, parts: Sequence[Column], others: Sequence[Column]) -> list[Column]:
    """Columns that hold the sum or the mean of numbered ones: "larvae total" beside samples."""
    found = []
    for column in others:
        match = _SUM_OF.fullmatch(column.written)
        named = match is not None or is_summary_word(column.written)
        same = [part for part in parts if _day(part) == _day(column)]
        if (named or normal(column.written) in _SUMS) and _adds_up(table, column, same):
            found.append(column)
    return found


def _day(column: Column) -> object:
    day = column.day
    return None if day is None else (day.day, day.date_text, day.date)


_SUMS = frozenset({"total", "sum", "all", "n"})

_STATISTIC = ("lsd", "cv", "se", "sd", "p", "f", "st")


def _is_of(table: Table, column: Column, others: Sequence[Column]) -> bool:
    """Whether a column is the sum or the mean of others on its day."""
    if not others:
        return False
    if normal(column.written).startswith(_STATISTIC) and normal(column.written) not in _SUMS:
        return True
    same = [other for other in others if _day(other) == _day(column)]
    groups = [same]
    if column.day is None:
        # Over the days of one variable, or over all there is.
        by_name = {
            other.written: [o for o in others if o.written == other.written]
            for other in same or others
        }
        groups += [list(others), *by_name.values()]
    return any(_adds_up(table, column, group) for group in groups)


_SUM_OF = re.compile(
    r"(?:mean|average|avg|total|sum)\.?(?:[\s_]+(?:of|no\.?(?:[\s_]+of)?))?[\s_]+(?P<a>.+)"
    r"|(?P<b>.+?)[\s_]+(?:mean|average|avg|total|sum)",
    re.IGNORECASE,
)


def _adds_up(table: Table, column: Column, same: Sequence[Column]) -> bool:
    """Whether a column is the sum or the mean of some others in nearly every row."""
    looked = agreed = 0
    for row in table.rows:
        total = plain_number(row[column.index - 1].text)
        parts = [plain_number(row[other.index - 1].text) for other in same]
        known = [part for part in parts if part is not None]
        if total is None or not known:
            continue
        looked += 1
        sums = (sum(known), sum(known) / len(known))
        agreed += any(abs(total - one) <= 0.06 + 0.005 * abs(one) for one in sums)
    return looked > 0 and agreed >= 0.9 * looked and len(same) > 1
