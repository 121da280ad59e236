"""What was recorded of doses, assessments, weather and events, as it was entered."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator, Mapping
from datetime import date

import pandas as pd

from trialkit.figures.identity import plain_line
from trialkit.numerals import day as write_day
from trialkit.report.context import Context
from trialkit.report.document import Block, Cell, Column, Kind, Notes, Paragraph, Table
from trialkit.report.parts.methods import in_words


def doses(context: Context) -> Iterator[Block]:
    """Table of doses by treatment and application, intended and put out."""
    yield from _as_entered(context.trial.doses, "doses", "Doses by application")


def assessment_facts(context: Context) -> Iterator[Block]:
    """Table of who assessed, how, and at which growth stage."""
    table = context.trial.assessments
    if len(table) and "variable" in table:
        labels = {
            name: context.variable_label(name) if name in context.variables else plain_line(name)
            for name in table["variable"].dropna().unique()
        }
        table = table.assign(variable=table["variable"].map(labels))
    yield from _as_entered(table, "assessment-facts", "How assessments were made")


def weather(context: Context) -> Iterator[Block]:
    """Table of the weather."""
    yield from _as_entered(context.trial.weather, "weather", "Weather")


def events(context: Context) -> Iterator[Block]:
    """Sentences: deviations, damage and maintenance, by date."""
    rows = context.trial.events.to_dict("records")
    if not rows:
        return
    yield Paragraph("Events and deviations:")
    yield Notes(tuple(_event(row) for row in rows))


def _event(row: Mapping[Hashable, object]) -> str:
    when, kind, plots = (_text(row.get(name)) for name in ("date", "kind", "plots"))
    what = _text(row.get("what")).rstrip(".")
    start = f"{when}: " if when else ""
    tail = ", ".join(part for part in (kind, f"plots {plots}" if plots else "") if part)
    return f"{start}{what}{f' ({tail})' if tail else ''}."


def _as_entered(table: pd.DataFrame, key: str, question: str) -> Iterator[Block]:
    kept = [name for name in table.columns if table[name].notna().any()]
    if not len(table) or not kept:
        return
    yield Table(
        key=key,
        question=question,
        columns=tuple(
            Column(
                title=in_words(str(name)),
                kind=Kind.NUMBER if pd.api.types.is_float_dtype(table[name]) else Kind.TEXT,
            )
            for name in kept
        ),
        rows=tuple(
            tuple(_cell(value) for value in row)
            for row in table[kept].itertuples(index=False, name=None)
        ),
        sheet=question,
        compact=len(table) > 12,
    )


def _cell(value: object) -> Cell:
    if isinstance(value, float):
        return None if math.isnan(value) else value
    return _text(value)


def _text(value: object) -> str:
    if value is None or value is pd.NaT or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return write_day(value)
    if isinstance(value, list | tuple):
        return ", ".join(map(plain_line, map(str, value)))
    return plain_line(str(value))
