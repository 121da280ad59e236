"""What findings of a series read from its tables, and words that many of them share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from trialkit.findings.phrases import phrase, series
from trialkit.findings.sentences import Row, Speaker, noun, rows
from trialkit.series.matched import WHOLE, SeriesVariable
from trialkit.series.rows import Asked, SeriesTables

#: How many words the names of several treatments may fill.
MOST_WORDS = 8
#: From so many on, all treatments are called so.
FEW = 3


@dataclass
class SeriesSpeaker(Speaker):
    """Collects the numbers of one sentence about a series."""

    tables: SeriesTables

    def name(self, treatment: str) -> str:
        """Words for a treatment; the untreated by its role."""
        if treatment == self.tables.untreated:
            return phrase("words.untreated")
        return self.tables.labels.get(treatment, treatment)

    def named(self, treatments: Sequence[str]) -> str:
        """Name treatments; only their number where the names would fill the sentence."""
        treated = self.tables.treated
        if len(treated) >= FEW and set(treatments) == set(treated):
            return phrase("series.all")
        names = series([self.name(item) for item in treatments])
        if len(treatments) >= FEW and len(names.split()) > MOST_WORDS:
            return phrase("words.of_all", number=str(len(treatments)), all=str(len(treated)))
        return names

    def trials(self, row: Row) -> str:
        """Write "5 trials"."""
        return phrase(
            "series.trials", count=int(row["trials"]), number=self.cite(row, "trials", decimals=0)
        )

    def percent(self, row: Row, column: str = "percent") -> tuple[str, str]:
        """Write "89%", and its interval."""
        number, interval = self.signed(row, column, whole=True)
        return phrase("level.percent", number=number), interval


def called(variable: SeriesVariable, asked: Asked) -> str:
    """Name a variable within a sentence, with the days where they are not the whole trial."""
    if asked.window == WHOLE:
        return noun(variable)
    return phrase("series.in_window", noun=noun(variable), window=days_of(asked.window))


def days_of(window: str) -> str:
    """Write the days of a window: "5–10"."""
    return window.replace("-", phrase("words.dash"))


def claims(tables: SeriesTables, question: str, variable: str, asked: Asked | None) -> list[Row]:
    """Rows of a question that have a p-value; of one comparison where one is given."""
    wanted = {"variable": variable} if asked is None else asked.where
    found = rows(tables, "series_claims", question=question, **wanted)
    return [row for row in found if row.known("p_adjusted")]


def shown(asked: Sequence[Row], direction: str, *, front: bool) -> list[Row]:
    """What was shown in one direction: on page 1, or behind it at the level of the question."""
    return [row for row in at_all(asked, direction) if (row["front"] is True) is front]


def at_all(asked: Sequence[Row], direction: str) -> list[Row]:
    """What was shown in one direction at the level of the question."""
    return [row for row in asked if row["shown"] is True and row["direction"] == direction]


def combined(tables: SeriesTables, asked: Asked, treatment: str) -> Row | None:
    """Control of a treatment over all trials, where it could be had."""
    found = rows(tables, "combined_control", treatment=treatment, **asked.where)
    return found[0] if found and found[0].known("percent") else None


def most_trials(found: Sequence[Row]) -> Row:
    """The row behind which the most trials stand."""
    return max(found, key=lambda row: int(row["trials"]))
