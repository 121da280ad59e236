"""Where a trial departs from its plan: missing plots and unequal samples."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.figures.identity import plain_line
from trialkit.numerals import day as write_day
from trialkit.report.context import Context
from trialkit.trial import Trial


def gaps_by_plot(context: Context) -> dict[str, list[str]]:
    """What each plot lacks, of the plots that lack a value."""
    by_plot: dict[str, list[str]] = {}
    gaps_of: dict[str, dict[str, list[str]]] = {}
    for variable in context.variables.values():
        label = context.variable_label(variable.name)
        values = context.plot_values(variable.name)
        missed: dict[str, list[str]] = {}
        for j, day in enumerate(values.days):
            for plot, row in zip(values.plots, values.values, strict=True):
                if row[j] != row[j]:
                    missed.setdefault(plot, []).append(write_day(day))
        for plot, days in missed.items():
            on = f"{'day' if len(days) == 1 else 'days'} {', '.join(days)}"
            gaps_of.setdefault(plot, {}).setdefault(on, []).append(label)
    for plot, gaps in gaps_of.items():
        by_plot[plot] = [f"{'; '.join(labels)} on {on}" for on, labels in gaps.items()]
    for name, plots in _missing_yields(context).items():
        for plot in plots:
            by_plot.setdefault(plot, []).append(name)
    return by_plot


def missing_plots(context: Context) -> list[str]:
    """Say which plots lack which values, plots with the same gaps together."""
    alike: dict[str, list[str]] = {}
    for plot, what in gaps_by_plot(context).items():
        alike.setdefault("; ".join(what), []).append(plain_line(plot))
    return [
        f"{'Plot' if len(plots) == 1 else 'Plots'} {', '.join(plots)} "
        f"{'has' if len(plots) == 1 else 'have'} no value for {what}."
        for what, plots in alike.items()
    ]


def _missing_yields(context: Context) -> dict[str, list[str]]:
    trial = context.trial
    plots = [plot.id for plot in trial.plots]
    found: dict[str, list[str]] = {}
    for name, rows in trial.yields.groupby("variable", sort=False):
        have = set(rows.loc[rows["value"].notna(), "plot"])
        found[context.variable_label(str(name))] = [plot for plot in plots if plot not in have]
    if not trial.harvest.empty:
        masses = trial.harvest[["harvested_kg", "harvested_lb"]].notna().any(axis=1)
        have = set(trial.harvest.loc[masses, "plot"])
        found["harvest"] = [plot for plot in plots if plot not in have]
    return found


def uneven_samples(trial: Trial) -> Iterator[str]:
    """Say where plots of one assessment have unequal numbers of samples."""
    counts = trial.counts[trial.counts["sample"].notna() & trial.counts["value"].notna()]
    if counts.empty:
        return
    numbers = counts.groupby(["variable", "day", "plot"], sort=False).size().reset_index(name="n")
    ranges = numbers.groupby(["variable", "day"], sort=False)["n"].agg(["min", "max"]).reset_index()
    shares = {item.name for item in trial.variables if item.examined is not None}
    for row in ranges.to_dict("records"):
        if row["min"] != row["max"]:
            label = plain_line(trial.variable(str(row["variable"])).label)
            day, least, most = write_day(float(row["day"])), row["min"], row["max"]
            yield (
                f"{label}, day {day}: {least} to {most} samples a plot; each plot counts once, "
                + (
                    "with all units of its samples together."
                    if row["variable"] in shares
                    else "whatever its number of samples."
                )
            )
