"""Tables with days across: numbers with their intervals below and signs beside them."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from trialkit.report.context import Context
from trialkit.report.document import Cell, Column, Kind, Missing
from trialkit.report.numbers import (
    as_number,
    percent_digits,
    percent_text,
    write_number,
    write_share,
)
from trialkit.report.parts.means import day_column
from trialkit.rows import Rows

Place = Hashable


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One row of a table: what stands in each of its places.

    Attributes
    ----------
    head : str
    values : mapping of place to cell
    spans : mapping of place to str
        Interval below the number.
    signs : mapping of place to str
        Sign beside the number.
    shades : mapping of place to str
        Name of the shade of the cell.
    """

    head: str
    values: Mapping[Place, Cell]
    spans: Mapping[Place, str] = field(default_factory=dict)
    signs: Mapping[Place, str] = field(default_factory=dict)
    shades: Mapping[Place, str] = field(default_factory=dict)


def span_text(lower: object, upper: object, digits: int | None = None) -> str:
    """Write an interval: "55 to 94", "at least 55", "at most 94", or nothing.

    Parameters
    ----------
    lower, upper : number
        NaN where there is no limit.
    digits : int, optional
        Decimals; without it the limits are written as percentages.
    """
    low, high = as_number(lower), as_number(upper)

    def write(value: float) -> str:
        return percent_text(value) if digits is None else write_number(value, digits)

    if math.isfinite(low) and math.isfinite(high):
        return f"{write(low)} to {write(high)}"
    if math.isfinite(low):
        return f"at least {write(low)}"
    return f"at most {write(high)}" if math.isfinite(high) else ""


def by_treatment(rows: Rows) -> dict[str, list[dict[str, Any]]]:
    """Rows of a table of the analysis as dictionaries, those of each treatment together."""
    found: dict[str, list[dict[str, Any]]] = {}
    for row in rows.records():
        found.setdefault(row["treatment"], []).append(row)
    return found


def interval_words(context: Context) -> str:
    """Name the intervals of the report: "95% interval"."""
    return f"{write_share(1 - context.trial.settings.alpha)} interval"


def day_heads(
    context: Context, rows: Rows, value: str, digits: int | None = 0
) -> list[tuple[Place, Column]]:
    """Places and headings of the days of some rows.

    Parameters
    ----------
    context : Context
    rows : Rows
    value : str
        Column that the table shows.
    digits : int or None
        Decimals; with 0 the numbers are percentages, and get one where they need it.
    """
    heads: list[tuple[Place, Column]] = []
    shown: dict[float, list[object]] = {}
    for day, cell in zip(rows["days_after"], rows[value], strict=True):
        shown.setdefault(day, []).append(cell)
    for day in sorted(shown):
        own = percent_digits(shown[day]) if digits == 0 else digits
        heads.append((day, day_column(context, day, own)))
    return heads


def across(
    context: Context,
    lines: Sequence[Line],
    heads: Sequence[tuple[Place, Column]],
    *,
    first: str,
    missing: str = "not assessed",
) -> tuple[tuple[Column, ...], tuple[tuple[Cell, ...], ...], tuple[tuple[str, ...], ...]]:
    """Set lines out under headings.

    Returns
    -------
    columns, rows, shades
        For a `Table`; shades are empty where no line has any.
    """
    spans = any(line.spans for line in lines)
    signed = {place for line in lines for place, sign in line.signs.items() if sign}
    columns = [Column(title=first)]
    for place, column in heads:
        columns.append(column)
        if place in signed:
            columns.append(Column(title=f"{column.title}, sign", kind=Kind.SIGN))
        if spans:
            title = f"{column.title}, {interval_words(context)}"
            columns.append(Column(title=title, kind=Kind.SPAN))
    rows, shades = [], []
    for line in lines:
        cells: list[Cell] = [line.head]
        names = [""]
        for place, _ in heads:
            more: list[Cell] = [line.values.get(place, Missing(missing))]
            if place in signed:
                more.append(line.signs.get(place, ""))
            if spans:
                more.append(line.spans.get(place, ""))
            cells += more
            names += [line.shades.get(place, ""), *([""] * (len(more) - 1))]
        rows.append(tuple(cells))
        shades.append(tuple(names))
    shaded = any(name for names in shades for name in names)
    return tuple(columns), tuple(rows), tuple(shades) if shaded else ()
