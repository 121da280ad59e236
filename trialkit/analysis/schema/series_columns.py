"""Columns that the tables of several trials share."""

from __future__ import annotations

from trialkit.analysis.schema.columns import Column, number, text

TRIAL = text("trial", "Trial", "The trial of the row, by its key in the series.", "trial")
TRIALS = number("trials", "Trials", "number", 0, "Trials behind the row.")
A = text("a", "Treatment", "The first of the pair.", "treatment")
B = text("b", "Compared with", "The second of the pair.", "treatment")


def limit_of(name: str, heading: str, unit: str, digits: int | None, meaning: str) -> Column:
    """Make a column of one limit of an interval, at the level of the settings."""
    return number(name, heading, unit, digits, f"{meaning}, at the level of the settings.")
