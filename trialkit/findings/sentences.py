"""A finding: one sentence for a person, and the numbers in it with their places."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Literal

import numpy as np

from trialkit import numerals
from trialkit.rows import Tables


class Style(StrEnum):
    """How a number is written in a sentence."""

    NUMBER = "number"
    PERCENT = "percent"
    SIZE = "size"
    AMOUNT = "amount"
    DAY = "day"
    P = "p"


@dataclass(frozen=True, slots=True)
class Number:
    """A number in a sentence, and the cell of the table from which it comes.

    Attributes
    ----------
    shown : str
        As written in the sentence.
    table : str
        Name of the table of the Analysis.
    row : int
        Its row there.
    column : str
    style : Style
    decimals : int or None
        Decimals of a limit that is written like the number before it; None where the style says.
    """

    shown: str
    table: str
    row: int
    column: str
    style: Style
    decimals: int | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """One sentence about data or result.

    Attributes
    ----------
    topic : str
        What it speaks of: ``control``, ``persistence``, ``yield`` and so on.
    text : str
    numbers : tuple of Number
        Every number in the text that was computed.
    claim : bool
        Whether it says that something was shown; a test stands behind it then. An estimate and a
        description claim nothing.
    front : bool
        Whether it stands on page 1, where all claims hold together at the level of the settings.
    question : str or None
        Of the table ``claims`` where one of its tests stands behind the sentence, else the topic.
    variable : str or None
    subjects : tuple of str
        Ids of the treatments of which it says something.
    against : tuple of str
        Ids of the treatments with which a claim compares them.
    direction : "lower", "higher" or None
        How the subjects of a claim stand to ``against``.
    p : float or None
        The largest p-value behind a claim, as adjusted.
    level : float or None
        The level at which that p-value was read.
    """

    topic: str
    text: str
    numbers: tuple[Number, ...] = ()
    claim: bool = False
    front: bool = False
    question: str | None = None
    variable: str | None = None
    subjects: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    direction: Literal["lower", "higher"] | None = None
    p: float | None = None
    level: float | None = None

    def __repr__(self) -> str:
        return f"<Finding: {self.text}>"


def write(value: float, style: Style, decimals: int | None = None) -> str:
    """Write a number in one of the styles of a sentence.

    A percentage is written without its sign, so that "80 % (60 to 90)" reads well. ``size`` (whole)
    and ``amount`` leave the minus to the words around them.
    """
    if decimals is not None:
        return numerals.fixed(abs(value) if style is Style.AMOUNT else value, decimals)
    if style is Style.PERCENT:
        return numerals.whole(value)
    if style is Style.SIZE:
        return numerals.whole(abs(value))
    if style is Style.AMOUNT:
        return numerals.number(abs(value))
    if style is Style.DAY:
        return numerals.day(float(np.round(value)))
    if style is Style.P:
        return numerals.p_value(value)
    return numerals.number(value)


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table of the Analysis, and where it stands."""

    table: str
    index: int
    values: dict[str, Any]

    def __getitem__(self, column: str) -> Any:
        return self.values[column]

    def known(self, column: str) -> bool:
        """Whether the number of a column is defined."""
        return math.isfinite(self.values[column])


def rows(tables: Tables, table: str, **wanted: object) -> list[Row]:
    """Rows of a table where columns equal the values given, in their order."""
    found = tables[table]
    return [
        Row(table, place, {name: cells[place] for name, cells in found.columns.items()})
        for place in found.places(**wanted)
    ]


@dataclass
class Teller:
    """Collects the numbers of one sentence while it is written."""

    tables: Tables
    numbers: list[Number] = field(default_factory=list)

    def cite(
        self, row: Row, column: str, style: Style = Style.NUMBER, decimals: int | None = None
    ) -> str:
        """Write a number of a row, and keep where it stands."""
        shown = write(float(row[column]), style, decimals)
        self.numbers.append(Number(shown, row.table, row.index, column, style, decimals))
        return shown

    def limits(self, row: Row, ends: tuple[str, str], style: Style = Style.NUMBER) -> str:
        """Write "3 to 5", with the decimals of the estimate where that was cited just before."""
        low, high = (
            self.cite(row, end, style, decimals)
            for end, decimals in zip(ends, self._decimals(row, ends, style), strict=True)
        )
        return f"{low} to {high}"

    def _decimals(self, row: Row, ends: tuple[str, str], style: Style) -> tuple[int | None, ...]:
        last = self.numbers[-1] if self.numbers else None
        if last is None or style not in (Style.NUMBER, Style.AMOUNT):
            return None, None
        if (last.table, last.row, last.style) != (row.table, row.index, style):
            return None, None
        if float(row[last.column]) == 0.0:
            # Nothing seen says nothing of how exact its limit is.
            return None, None
        own = len(last.shown.partition(".")[2])
        values = [abs(float(row[end])) for end in ends]
        # An estimate near zero has more decimals than its limits need.
        if own > numerals.decimals_for(max(values)) + 1:
            return None, None
        return tuple(own if round(value, own) > 0 or value == 0 else None for value in values)

    def interval(self, row: Row, style: Style = Style.NUMBER) -> str:
        """Write " (3 to 5)", or nothing where there is no interval; one-sided limits in words."""
        low, high = row.known("lower"), row.known("upper")
        if low and high:
            return f" ({self.limits(row, ('lower', 'upper'), style)})"
        if low:
            return f" (at least {self.cite(row, 'lower', style)})"
        if high:
            return f" (at most {self.cite(row, 'upper', style)})"
        return ""

    def finding(self, topic: str, text: str) -> Finding:
        """Close the sentence."""
        return Finding(topic, text, tuple(self.numbers))

    def name(self, treatment_id: str) -> str:
        """Name of a treatment, with its id where another has the same name."""
        trial = self.tables.trial
        treatment = trial.treatment(treatment_id)
        same = sum(item.name == treatment.name for item in trial.treatments)
        return treatment.name if same == 1 else f"{treatment.name} ({treatment.id})"

    def named(self, treatment_ids: Sequence[str], most: int) -> str:
        """Names of treatments as a phrase; beyond ``most`` only how many more."""
        names = [self.name(item) for item in treatment_ids[:most]]
        if len(treatment_ids) > most:
            names.append(f"{len(treatment_ids) - most} more")
        return series(names)


def series(parts: Sequence[str], word: str = "and") -> str:
    """Join parts into one phrase: "a", "a and b", "a, b and c"; semicolons between long parts."""
    if len(parts) <= 1:
        return "".join(parts)
    if any("," in part for part in parts):
        return f"{'; '.join(parts[:-1])}; {word} {parts[-1]}"
    return f"{', '.join(parts[:-1])} {word} {parts[-1]}"


def day_list(days: Sequence[float]) -> str:
    """Write days: "day 7", "days 3 and 7", "days 3, 7 and 14"."""
    shown = [numerals.day(value) for value in days]
    return f"{'day' if len(shown) == 1 else 'days'} {series(shown)}"
