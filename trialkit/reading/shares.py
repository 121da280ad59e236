"""Shares k of n: the numbers examined of a variable, and the percentages that they make."""

from __future__ import annotations

import math
from collections.abc import Sequence

from trialkit.problems import meant, quoted, sentences
from trialkit.reading.cells import Ledger
from trialkit.reading.frames import without_doubles
from trialkit.reading.headers import normal
from trialkit.reading.keys import MOST_EXAMINED, Declared, TrialKeys
from trialkit.reading.names import Names, number_key
from trialkit.reading.observations import Number, Record, Values
from trialkit.trial import Kind, VariableRole

_Lookup = dict[tuple[str, str, float, str | None], Record]


def settle_examined(head: TrialKeys, ledger: Ledger) -> None:
    """Check what the settings name as examined, and take such variables as percentages."""
    for item in head.variables.values():
        if item.examined is None:
            continue
        other = _described(item.examined, head) if isinstance(item.examined, str) else None
        fault = _fault(item, other)
        if fault:
            item.examined = None
            ledger.error(
                "settings-value",
                fault,
                "Name the column of the numbers examined, or give one whole number.",
                item.examined_place,
            )
            continue
        if other is not None:
            item.examined = other.name
        if item.kind not in {None, Kind.PERCENT}:
            ledger.warn(
                "share-kind",
                f"The variable '{item.name}' counts some of a number examined; it was taken as a "
                f"percent, not as a {item.kind}.",
                f'Nothing needs to be done if that is right; write kind = "{Kind.PERCENT}".',
                item.place,
            )
        item.kind = Kind.PERCENT


def _described(written: str, head: TrialKeys) -> Declared | None:
    """Find the described variable that a name of numbers examined means."""
    if written in head.variables:
        return head.variables[written]
    word = normal(written)
    words = (
        (item, normal(text or ""))
        for item in head.variables.values()
        for text in (item.name, item.label)
    )
    return next((item for item, found in words if word and found == word), None)


def _fault(item: Declared, other: Declared | None) -> str:
    if item.role is VariableRole.YIELD:
        return f"The variable '{item.name}' is a yield, which is no share of a number examined."
    if other is item:
        return f"The variable '{item.name}' names itself as the number examined."
    counted = other is None or (other.examined is None and other.kind in {None, Kind.COUNT})
    if other is not None and not (counted and other.role is not VariableRole.YIELD):
        return f"The variable '{other.name}' is no count, so '{item.name}' can be no share of it."
    return ""


def join_numbers(
    counts: Sequence[Record], values: Values, names: Names, ledger: Ledger, *, quiet: bool
) -> list[Record]:
    """Turn counts of those hit into percentages of those examined.

    Parameters
    ----------
    counts : sequence of Record
        Without doubles.
    values : Values
        Holds the numbers examined.
    names : Names
    ledger : Ledger
        Gets an error for each value that can be no share, and one for each table in which
        numbers examined are missing.
    quiet : bool
        Whether the same number may stand on several rows of a plot (flat tables).

    Returns
    -------
    list of Record
        Shares with ``value`` in percent and their ``number``; where that is 0 the value is NaN.
    """
    shares = names.shares()
    if not shares:
        return list(counts)
    dated = _by_place(without_doubles(values.numbers, ledger, quiet=quiet))
    dated |= {
        (number_key(record.variable), *record[0:1], *record[2:4]): record
        for record in counts
        if any(item.examined == record.variable for item in shares.values())
    }
    lasting = _by_place(without_doubles(values.lasting, ledger, once=True, quiet=True))
    joined = _Join(ledger)
    unknown = _tell_unknown(shares, names, ledger)
    for record in counts:
        item = shares.get(record.variable)
        if item is None or math.isnan(record.value):
            joined.records.append(record._replace(number=None))
        elif record.variable not in unknown:
            joined.add(record, _number(record, item, dated, lasting))
    joined.tell(shares)
    return joined.records


def _by_place(records: Sequence[Record]) -> _Lookup:
    return {(r.variable, r.plot, r.day, r.sample): r for r in records}


def _number(record: Record, item: Declared, dated: _Lookup, lasting: _Lookup) -> Number | None:
    if isinstance(item.examined, int | float):
        return Number(float(item.examined), record.cell, record.table)
    if record.number is not None:
        return record.number
    key, plot, day, sample = number_key(item.examined or ""), *record[0:1], *record[2:4]
    found = (
        dated.get((key, plot, day, sample))
        or lasting.get((key, plot, 0.0, sample))
        or lasting.get((key, plot, 0.0, None))
    )
    if found is None or math.isnan(found.value):
        return None
    return Number(found.value, found.cell, found.table)


def _tell_unknown(shares: dict[str, Declared], names: Names, ledger: Ledger) -> set[str]:
    """Say which numbers examined no table has; the variables that they belong to."""
    unknown: set[str] = set()
    for name, item in shares.items():
        found = names.found.get(name)
        if not isinstance(item.examined, str) or found is None or not found.values:
            continue
        met = number_key(item.examined) in names.met_numbers or item.examined in names.found
        if met:
            continue
        unknown.add(name)
        headers = [other.header for key, other in names.found.items() if key not in names.declared]
        ledger.error(
            "examined-unknown",
            f"No table of counts has {quoted(item.examined)}, the number examined of '{name}'.",
            sentences(
                meant(item.examined, headers),
                "Name the column as it is headed; where the number is the same in every plot, give "
                "the number itself: examined = 50.",
            ),
            item.examined_place,
        )
    return unknown


def _whole(value: float) -> bool:
    return value.is_integer() and value <= MOST_EXAMINED


class _Join:
    """Records as they are joined, and what is found wrong with them."""

    def __init__(self, ledger: Ledger) -> None:
        self.ledger = ledger
        self.records: list[Record] = []
        self._without: dict[tuple[str, int], list[Record]] = {}
        self._told: set[tuple[int, int, int]] = set()

    def add(self, record: Record, number: Number | None) -> None:
        """Join one value that is not missing with its number."""
        if number is None:
            self._without.setdefault((record.variable, id(record.table)), []).append(record)
        elif not math.isinf(number.value) and self._sound(record, number):
            share = 100.0 * record.value / number.value if number.value > 0 else math.nan
            self.records.append(record._replace(value=share, number=number))

    def _sound(self, record: Record, number: Number) -> bool:
        place = record.table.place(record.cell)
        if not _whole(number.value) or number.value < 0:
            spot = (id(number.table), number.cell.row, number.cell.column)
            if spot not in self._told:
                self._told.add(spot)
                self.ledger.error(
                    "examined-not-whole",
                    f"The number examined is no whole number: {quoted(number.cell.text)}.",
                    "Give how many units were looked at in this plot.",
                    number.table.place(number.cell),
                )
            return False
        if record.value < 0 or not _whole(record.value):
            self.ledger.error(
                "share-not-whole",
                f"'{record.variable}' counts units out of those examined, and "
                f"{quoted(record.cell.text)} is no whole number of them.",
                "Give how many were hit. If the column holds percentages, take the key examined "
                "out.",
                place,
            )
            return False
        if record.value > number.value:
            self.ledger.error(
                "more-than-examined",
                f"'{record.variable}' is {record.value:g} of {number.value:g} examined, which is "
                "more than all.",
                "Correct one of the two. If the column holds percentages, take the key examined "
                "out.",
                place,
            )
            return False
        return True

    def tell(self, shares: dict[str, Declared]) -> None:
        """Say where numbers examined are missing, once a variable and table."""
        for (name, _), lost in self._without.items():
            first, more = lost[0], len(lost) - 1
            self.ledger.error(
                "examined-missing",
                f"Plot {quoted(first.plot)} has {first.value:g} of '{name}' on day {first.day:g} "
                f"and no number examined ({quoted(str(shares[name].examined))})" + _more(more),
                "Fill in how many were looked at, or clear the value where the plot was not "
                "assessed.",
                first.table.place(first.cell),
            )


def _more(more: int) -> str:
    if not more:
        return "."
    return (
        f"; so {'has' if more == 1 else 'have'} {more} more {'value' if more == 1 else 'values'}."
    )
