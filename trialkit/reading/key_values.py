"""Values of keys: choices, numbers and dates, each told where it cannot be read."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import date, datetime
from enum import StrEnum
from typing import NamedTuple, TypeVar

from trialkit.problems import Place, quoted
from trialkit.reading.cells import Cell, Ledger
from trialkit.reading.dates import read_dates
from trialkit.reading.headers import normal
from trialkit.reading.numbers import plain_number
from trialkit.reading.settings import Entry, Value, as_text
from trialkit.setting_rules import no_choice
from trialkit.trial_tables import out_of_bounds

E = TypeVar("E", bound=StrEnum)


def plain_value(value: Value) -> object:
    """Value as a rule takes it: a number where it is one, and else text, true, false or a list."""
    if isinstance(value, bool):
        return value
    number = as_number(value)
    if number is not None:
        return number
    return [as_text(item) for item in value] if isinstance(value, list) else as_text(value)


def a_choice(entry: Entry, words: type[E], ledger: Ledger) -> E | None:
    """One of the words of an enum; None, and an error, where it is none of them."""
    word = normal(as_text(entry.value))
    for item in words:
        if normal(item.value) == word:
            return item
    tell_choice(entry, entry.path[-1], [item.value for item in words], ledger)
    return None


def tell_choice(entry: Entry, key: str, allowed: Sequence[str], ledger: Ledger) -> None:
    """Refuse a word that is none of those allowed."""
    fault = no_choice(key, as_text(entry.value), allowed)
    ledger.error(fault.kind, fault.what, fault.remedy, entry.place)


def a_number(
    entry: Entry, ledger: Ledger, fits: Callable[[float], bool], words: str
) -> float | None:
    """A number that fits; None, and an error that says ``words``, where it does not."""
    number = as_number(entry.value)
    if number is None or out_of_bounds(number) or not fits(number):
        ledger.error(
            "settings-value",
            f"{quoted(as_text(entry.value))} does not fit {entry.path[-1]}.",
            f"It must be a number {words}.",
            entry.place,
        )
        return None
    return number


def as_number(value: Value) -> float | None:
    """The number that a value holds; None where it holds none."""
    if isinstance(value, bool | list | date):
        return None
    if isinstance(value, Cell):
        if value.fault or value.day is not None:
            return None
        return (
            value.number
            if value.number is not None
            else plain_number(
                value.text.replace(",", ".") if value.text.count(",") == 1 else value.text
            )
        )
    if isinstance(value, str):
        return plain_number(value.strip())
    return float(value) if math.isfinite(value) else None


def a_date(entry: Entry, ledger: Ledger) -> date | None:
    """The date of a key; None, and an error, where it cannot be read."""
    value = entry.value
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    cell = value if isinstance(value, Cell) else Cell(as_text(value), 1, 1)
    return read_dates([cell], _Spot(entry.place), ledger)[0]


class _Spot(NamedTuple):
    """The one place of a key."""

    at: Place

    def place(self, cell: Cell) -> Place:  # noqa: ARG002 - there is only one
        """Point at the key."""
        return self.at
