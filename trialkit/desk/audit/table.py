"""A printed table as summary statistics: means by treatment and column, and what stands below."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from trialkit.desk.audit.rounding import Printed, Range


class Verdict(StrEnum):
    """What the arithmetic says of printed numbers."""

    CONSISTENT = "consistent"
    INCONSISTENT = "inconsistent"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One question put to a printed table.

    Attributes
    ----------
    verdict : Verdict
    kind : str
        Which question: ``granularity``, ``letters``, ``precision``, ``f and p``, ``control``,
        ``sums``, ``repeated``, ``spread``.
    where : str
        Column, and treatment where one is meant.
    arithmetic : str
        What was computed from what.
    question : str
        What to ask the author; empty where nothing needs to be asked.
    """

    verdict: Verdict
    kind: str
    where: str
    arithmetic: str
    question: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of means with what stands below it.

    Attributes
    ----------
    name : str
        As it is printed: ``day 7``, ``yield``.
    day : float or None
    means : mapping of str to Printed
        By treatment.
    letters : mapping of str to str
    control : mapping of str to Printed
        Percent control beside the means.
    numbers : mapping of str to Printed
        Of the names in ``printed_layout.NUMBERS``.
    words : mapping of str to str
        Of the names in ``printed_layout.WORDS``.
    spreads : mapping of str to Printed
        What is printed after a plus-minus sign, a standard error or deviation.
    plots : mapping of str to Printed
        Plots behind each mean, where they differ.
    """

    name: str
    day: float | None
    means: Mapping[str, Printed]
    letters: Mapping[str, str] = field(default_factory=dict)
    control: Mapping[str, Printed] = field(default_factory=dict)
    numbers: Mapping[str, Printed] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)
    spreads: Mapping[str, Printed] = field(default_factory=dict)
    plots: Mapping[str, Printed] = field(default_factory=dict)

    def plots_of(self, treatment: str | None = None) -> Range | None:
        """Plots behind a mean, or behind any of them; None where they are not given."""
        if treatment is not None and treatment in self.plots:
            return self.plots[treatment].range_of_whole
        if self.plots:
            ranges = [printed.range_of_whole for printed in self.plots.values()]
            return Range(min(r.low for r in ranges), max(r.high for r in ranges))
        found = self.numbers.get("n")
        return None if found is None or found.sign else found.range_of_whole

    def number(self, name: str) -> Range | None:
        """Range of a number below the means; None where it is not printed."""
        found = self.numbers.get(name)
        return None if found is None else found.range

    def exact(self, name: str) -> float | None:
        """Return a number that is no measurement, as it stands."""
        found = self.numbers.get(name)
        return None if found is None or found.sign or found.upto else found.value

    def word(self, name: str) -> str:
        """Return a word below the means; empty where it is not said."""
        return self.words.get(name, "")

    @property
    def alpha(self) -> float:
        """Level of LSD and letters."""
        return self.exact("alpha") or 0.05

    @property
    def tested_as_shown(self) -> bool:
        """Whether the table says that the means were tested on the scale on which they stand."""
        return self.word("transform") == "none" and self.word("kind") not in {
            "adjusted",
            "back-transformed",
        }

    @property
    def treatments(self) -> int:
        """How many treatments the analysis had."""
        return int(self.exact("treatments") or len(self.means))


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintedTable:
    """A printed table of treatment means.

    Attributes
    ----------
    name : str
    columns : tuple of Column
    untreated : str or None
        Name of the treatment with which the others are compared.
    sums : mapping
        ``pest-days``, ``total``, ``average`` and ``control of pest-days``, each by treatment.
    """

    name: str
    columns: tuple[Column, ...]
    untreated: str | None = None
    sums: Mapping[str, Mapping[str, Printed]] = field(default_factory=dict)
