"""What the table at a glance is made from, by treatment and question."""

from __future__ import annotations

import math
from typing import Any

from trialkit.numerals import day as write_day
from trialkit.report.context import Context

Row = dict[str, Any]


class Sheet:
    """The rows of ``glance``, by treatment and question, of the first variable of each question."""

    def __init__(self, context: Context) -> None:
        self.context = context
        rows = context.table("glance").records()
        self.first: dict[str, str] = {}
        self.cells: dict[tuple[str, str], Row] = {}
        for row in rows:
            variable = self.first.setdefault(row["question"], row["variable"])
            if row["variable"] == variable:
                self.cells[row["treatment"], row["question"]] = row

    def has(self, question: str) -> bool:
        """Whether a question is on the page."""
        return question in self.first

    def value(self, treatment: str, question: str) -> float:
        """Number of a treatment; NaN where there is none."""
        row = self.cells.get((treatment, question))
        return float(row["value"]) if row is not None else math.nan

    def day(self, question: str) -> str:
        """The day of a question that has one and the same for all treatments, such as day 3."""
        days = {
            row["days_after"]
            for (_, asked), row in self.cells.items()
            if asked == question and not math.isnan(row["days_after"])
        }
        if self.context.trial.undated or len(days) != 1:
            return ""
        return f"day {write_day(days.pop())}"
