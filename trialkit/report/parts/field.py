"""Applications, the field map, and the data of the plots."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

from trialkit.figures.field import map_days
from trialkit.figures.identity import mix, plain_line, shorten_end
from trialkit.figures.plot_values import ByPlot, PlotValues
from trialkit.numerals import plural
from trialkit.report.captions import caption, counted
from trialkit.report.context import Context
from trialkit.report.document import (
    Block,
    Cell,
    Column,
    FieldMap,
    FigureBlock,
    Kind,
    MapPlot,
    Paragraph,
    Table,
    number_or_missing,
)
from trialkit.report.numbers import decimals_as_entered
from trialkit.report.parts.layout_words import long_date
from trialkit.report.parts.means import day_column
from trialkit.report.parts.methods import in_words
from trialkit.report.parts.pest import days_text
from trialkit.report.parts.shares import of_text, units
from trialkit.report_choices import PARTS
from trialkit.trial import Application, Variable

#: Maps with more rows or columns than this show only those that hold plots.
WIDEST_MAP = 60
TINT = 0.72
#: Characters of a name beside the data of its plot; its number stands before it.
LONGEST_NAME = 40
#: Trials with more plots than this have their data, and maps of single values, in files alone.
MOST_PRINTED = 300
#: Most treatments that the legend of a map names; beyond, the table of treatments does.
MOST_IN_LEGEND = 40


def applications(context: Context) -> Iterator[Block]:
    """One row an application."""
    items = context.trial.applications
    if not items:
        return
    details = list(dict.fromkeys(key for item in items for key in item.details))
    optional: dict[str, list[str]] = {
        "Method": [item.method or "" for item in items],
        "Growth stage": [item.growth_stage or "" for item in items],
        "Equipment": [item.equipment or "" for item in items],
        **{in_words(key): [item.details.get(key, "") for item in items] for key in details},
    }
    kept = {title: cells for title, cells in optional.items() if any(cells)}
    volumes = {
        title: amounts
        for title, amounts in (
            ("Carrier volume, L/ha", [item.carrier_l_per_ha for item in items]),
            ("Carrier volume, gal/acre", [item.carrier_gal_per_acre for item in items]),
        )
        if any(amount is not None for amount in amounts)
    }
    yield Table(
        key="applications",
        question=when_applied(items),
        columns=(
            Column(title="Application"),
            Column(title="Date"),
            *(Column(title=title, kind=Kind.NUMBER) for title in volumes),
            *(Column(title=title) for title in kept),
        ),
        rows=tuple(
            (
                plain_line(item.id),
                item.date.isoformat(),
                *(number_or_missing(amounts[index]) for amounts in volumes.values()),
                *(plain_line(cells[index]) for cells in kept.values()),
            )
            for index, item in enumerate(items)
        ),
        sheet="Applications",
    )


def when_applied(items: Sequence[Application]) -> str:
    """State on which dates treatments were applied."""
    dates = sorted({item.date for item in items})
    first, last = long_date(dates[0]), long_date(dates[-1])
    if len(items) == 1:
        return caption("applied_once", first=first)
    if len(dates) == 1:
        return caption("applied_one_day", first=first)
    if len(dates) == 2:
        return caption("applied_two", first=first, last=last)
    return caption("applied", number=counted(len(dates)), first=first, last=last)


def field_map(context: Context) -> Iterator[Block]:
    """Make the map of the plots, where rows and columns are known."""
    placed = [
        MapPlot(
            row=plot.row,
            column=plot.column,
            plot=plain_line(plot.id),
            treatment=plain_line(plot.treatment),
            block=plain_line(plot.block or ""),
            colour=mix(context.looks[plot.treatment].colour, "#ffffff", TINT),
        )
        for plot in context.trial.plots
        if plot.row is not None and plot.column is not None and plot.treatment in context.looks
    ]
    if not placed:
        return
    if len({(plot.row, plot.column) for plot in placed}) < len(placed):
        # Several plots in one place (a main plot): no one of their colours is that of the place.
        placed = [replace(plot, colour="#ffffff") for plot in placed]
    coloured = any(plot.colour != "#ffffff" for plot in placed)
    shown = "plot, treatment and block" if any(plot.block for plot in placed) else ""
    unplaced = len(context.trial.plots) - len(placed)
    present = {plot.treatment for plot in placed}
    named = tuple(
        (plain_line(item), look.label, mix(look.colour, "#ffffff", TINT))
        for item, look in context.looks.items()
        if coloured and plain_line(item) in present
    )
    many = len(named) > MOST_IN_LEGEND
    yield FieldMap(
        key="field-map",
        caption=caption(
            "field",
            rows=plural(len({plot.row for plot in placed}), "row"),
            columns=plural(len({plot.column for plot in placed}), "column"),
        )
        + ". "
        + caption("field_how", shown=shown or "plot and treatment")
        + (f" Without a place: {plural(unplaced, 'plot')}." if unplaced else "")
        + (" " + caption("field_names") if many else ""),
        plots=tuple(placed),
        legend=() if many else named,
        rows=map_numbers({plot.row for plot in placed}),
        columns=map_numbers({plot.column for plot in placed}),
    )


def field_days(context: Context) -> Iterator[Block]:
    """Make the place for the map of what was counted on each day, of the first target."""
    places = [(plot.row, plot.column) for plot in context.trial.plots]
    if any(None in place for place in places) or len(set(places)) < len(places):
        return
    for variable in context.targets[:1]:
        days = map_days(context.plot_values(variable.name))
        if len(days) < 2 or len(places) < 6:
            continue
        label = context.variable_label(variable.name)
        yield FigureBlock(
            key=context.key("field-days", variable.name),
            kind="field_days",
            variable=variable.name,
            alt=f"{label} in each plot where it lies in the field, {days_text(days)}.",
            title=caption("field_days", label=label),
            caption=caption("field_days_how"),
        )


def map_numbers(present: set[int]) -> tuple[int, ...]:
    """Numbers of the rows or columns that a map shows: all between, unless they are too many."""
    whole = range(min(present), max(present) + 1)
    return tuple(whole) if len(whole) <= WIDEST_MAP else tuple(sorted(present))


def printed_in_full(context: Context) -> bool:
    """Whether a trial has so few plots that a page can list them one by one."""
    return len(context.trial.plots) <= MOST_PRINTED


def plot_data(context: Context) -> Iterator[Block]:
    """Tables of the data of the plots, or where they are to be found."""
    if printed_in_full(context):
        yield from _plot_tables(context)
    elif next(_plot_tables(context), None) is not None:
        yield Paragraph(
            caption("plots_apart", plots=len(context.trial.plots), sheet=PARTS["plots"])
        )


def plot_data_beside(context: Context) -> Iterator[Block]:
    """The same tables where pages do not have them."""
    if not printed_in_full(context):
        yield from _plot_tables(context)


def _plot_tables(context: Context) -> Iterator[Table]:
    """One table a variable, and one of the yields."""
    trial = context.trial
    blocks = any(plot.block is not None for plot in trial.plots)
    head = (
        Column(title="Plot"),
        *([Column(title="Block")] if blocks else []),
        Column(title="Treatment"),
    )
    starts: dict[str, tuple[Cell, ...]] = {
        plot.id: (
            plain_line(plot.id),
            *([plain_line(plot.block or "")] if blocks else []),
            shorten_end(context.label(plot.treatment), LONGEST_NAME),
        )
        for plot in trial.plots
    }
    for variable in context.variables.values():
        values = context.plot_values(variable.name)
        if not values.days:
            continue
        numbers = context.plot_numbers(variable.name)
        if numbers is not None:
            yield _share_data(context, variable, (head, starts), values, numbers)
            continue
        digits = decimals_as_entered(values.known)
        label = context.variable_label(variable.name)
        yield Table(
            key=context.key("plots", variable.name),
            question=caption("plots", label=label),
            columns=(*head, *(day_column(context, day, digits) for day in values.days)),
            rows=tuple(
                (*starts[plot], *(number_or_missing(value) for value in row))
                for plot, row in zip(values.plots, values.values, strict=True)
            ),
            sheet=f"Plots {label}",
            compact=True,
        )
    yield from _yield_data(context, head, starts)


def _share_data(
    context: Context,
    variable: Variable,
    start: tuple[tuple[Column, ...], dict[str, tuple[Cell, ...]]],
    values: PlotValues,
    numbers: ByPlot,
) -> Table:
    """Percentages of the plots, and below each how many it is of how many."""
    head, starts = start
    columns = list(head)
    for day in values.days:
        column = day_column(context, day, 1)
        title = f"{column.title}, of examined"
        columns += [column, Column(title=title, kind=Kind.SPAN)]
    rows: list[tuple[Cell, ...]] = []
    for plot, row in zip(values.plots, values.values, strict=True):
        cells = list(starts[plot])
        for day, value in zip(values.days, row, strict=True):
            n = numbers.get((plot, day), math.nan)
            known = math.isfinite(value) and math.isfinite(n)
            of = of_text(round(value * n / 100.0), n) if known else ""
            cells += [number_or_missing(value), of]
        rows.append(tuple(cells))
    label = context.variable_label(variable.name)
    sampled = "Of several samples in a plot, all units together." if _sampled(context) else ""
    return Table(
        key=context.key("plots", variable.name),
        question=caption("plots_shares", label=label, units=units(variable)),
        columns=tuple(columns),
        rows=tuple(rows),
        notes=(sampled,) if sampled else (),
        sheet=f"Plots {label}",
        compact=True,
    )


def _sampled(context: Context) -> bool:
    return bool(context.trial.counts["sample"].notna().any())


def _yield_data(
    context: Context, head: tuple[Column, ...], starts: dict[str, tuple[Cell, ...]]
) -> Iterator[Table]:
    columns: list[Column] = []
    values: list[dict[str, float]] = []
    for name, rows in context.tables.as_read("yields").groups("variable").items():
        digits = decimals_as_entered(rows["value"])
        columns.append(_number_column(context.variable_label(str(name)), digits))
        values.append(dict(zip(rows["plot"], rows["value"], strict=True)))
    harvest = context.tables.as_read("harvest")
    for name, cells in harvest.columns.items():
        if name == "plot" or not harvest.knows(name):
            continue
        columns.append(_number_column(_harvest_title(name), decimals_as_entered(cells)))
        values.append(dict(zip(harvest["plot"], cells, strict=True)))
    if not columns:
        return
    yield Table(
        key="plots-yield",
        question=caption("plots_yield"),
        columns=(*head, *columns),
        rows=tuple(
            (*start, *(number_or_missing(column.get(plot)) for column in values))
            for plot, start in starts.items()
        ),
        sheet="Plots yield",
        compact=True,
    )


def _number_column(title: str, digits: int) -> Column:
    return Column(title=title, kind=Kind.NUMBER, digits=digits)


def _harvest_title(name: str) -> str:
    words = {
        "harvested_kg": "Harvested, kg",
        "harvested_lb": "Harvested, lb",
        "harvested_area_m2": "Area, m\u00b2",
        "harvested_area_ft2": "Area, ft\u00b2",
        "moisture_percent": "Moisture, %",
    }
    return words.get(name, in_words(name))
