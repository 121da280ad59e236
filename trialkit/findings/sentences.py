"""A finding: one sentence for a person, and the numbers in it with their places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import pandas as pd

from trialkit import numerals
from trialkit.analysis import Analysis


class Style(StrEnum):
    """How a number is written in a sentence."""

    NUMBER = "number"
    PERCENT = "percent"
    SIZE = "size"
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
    """

    shown: str
    table: str
    row: int
    column: str
    style: Style


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
    """

    topic: str
    text: str
    numbers: tuple[Number, ...] = ()


def write(value: float, style: Style) -> str:
    """Write a number in one of the styles of a sentence.

    A percentage is written without its sign, so that "80 % (60 to 90)" reads well.
    """
    if style is Style.PERCENT:
        return numerals.whole(value)
    if style is Style.SIZE:
        return numerals.whole(abs(value))
    if style is Style.DAY:
        return numerals.day(float(np.round(value)))
    if style is Style.P:
        return numerals.p_value(value)
    return numerals.number(value)


@dataclass
class Teller:
    """Collects the numbers of one sentence while it is written."""

    analysis: Analysis
    numbers: list[Number] = field(default_factory=list)

    def table(self, name: str, **wanted: object) -> pd.DataFrame:
        """Rows of a table of the analysis where columns equal the values given."""
        frame: pd.DataFrame = getattr(self.analysis, name)
        keep = np.ones(len(frame), dtype=bool)
        for column, value in wanted.items():
            keep &= (frame[column] == value).to_numpy(dtype=bool)
        return frame[keep]

    def cite(self, table: str, row: object, column: str, style: Style = Style.NUMBER) -> str:
        """Write the number of a cell, and keep where it stands."""
        frame: pd.DataFrame = getattr(self.analysis, table)
        place = int(row)  # type: ignore[call-overload]
        shown = write(float(frame[column].iloc[place]), style)
        self.numbers.append(Number(shown, table, place, column, style))
        return shown

    def interval(self, table: str, row: object, style: Style = Style.NUMBER) -> str:
        """Write " (3 to 5)", or nothing where there is no interval; one-sided limits in words."""
        frame: pd.DataFrame = getattr(self.analysis, table)
        place = int(row)  # type: ignore[call-overload]
        low = bool(np.isfinite(frame["lower"].iloc[place]))
        high = bool(np.isfinite(frame["upper"].iloc[place]))
        if low and high:
            left = self.cite(table, place, "lower", style)
            return f" ({left} to {self.cite(table, place, 'upper', style)})"
        if low:
            return f" (at least {self.cite(table, place, 'lower', style)})"
        if high:
            return f" (at most {self.cite(table, place, 'upper', style)})"
        return ""

    def finding(self, topic: str, text: str) -> Finding:
        """Close the sentence."""
        return Finding(topic, text, tuple(self.numbers))

    def name(self, treatment_id: object) -> str:
        """Name of a treatment, with its id where another has the same name."""
        trial = self.analysis.trial
        treatment = trial.treatment(str(treatment_id))
        same = sum(item.name == treatment.name for item in trial.treatments)
        return treatment.name if same == 1 else f"{treatment.name} ({treatment.id})"


def series(parts: Sequence[str], word: str = "and") -> str:
    """Join parts into one phrase: "a", "a and b", "a, b and c"."""
    if len(parts) <= 1:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {word} {parts[-1]}"


def day_list(days: Sequence[float]) -> str:
    """Write days: "day 7", "days 3 and 7", "days 3, 7 and 14"."""
    shown = [numerals.day(value) for value in days]
    return f"{'day' if len(shown) == 1 else 'days'} {series(shown)}"
