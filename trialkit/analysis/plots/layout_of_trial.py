"""Plots of a trial -> codes and a layout: treatments, blocking, factors, larger units."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trialkit.analysis.plots.responses import IntArray, PlotPlan, codes_of
from trialkit.inference.design.layout import (
    Factor,
    Layout,
    completely_randomised,
    latin_square,
    randomised_blocks,
    split_plot,
    strip_plot,
)
from trialkit.problems import TrialError, error
from trialkit.trial import Design, Plot, TreatmentRole, Trial


def plan_plots(trial: Trial) -> PlotPlan:
    """Turn the plots of a trial into codes and a layout.

    Raises
    ------
    TrialError
        When the plan of a split-plot or strip-plot contradicts its design: a plot without its
        factors, a combination with two treatments, a main plot with two levels of the main
        factor, and the like.
    """
    ids = tuple(treatment.id for treatment in trial.treatments)
    index = {treatment_id: code for code, treatment_id in enumerate(ids)}
    codes = np.array([index[plot.treatment] for plot in trial.plots], dtype=np.intp)
    if trial.design.has_larger_units:
        layout, levels = _with_larger_units(trial, codes, len(ids))
    else:
        layout, levels = _of_plots(trial, codes, len(ids)), ()
    return PlotPlan(
        plots=tuple(plot.id for plot in trial.plots),
        treatments=ids,
        treatment=codes,
        untreated=index.get(trial.untreated) if trial.untreated is not None else None,
        reference=next(
            (index[item.id] for item in trial.treatments if item.role is TreatmentRole.REFERENCE),
            None,
        ),
        layout=layout,
        levels=levels,
    )


def _of_plots(trial: Trial, codes: IntArray, t: int) -> Layout:
    if trial.design is Design.LATIN:
        groups = dict(_groups(trial))
        return latin_square(codes, groups["row"], groups["column"], t)
    if trial.design is Design.CRD:
        return completely_randomised(codes, t)
    return randomised_blocks(codes, codes_of([plot.block for plot in trial.plots]), t)


def _groups(trial: Trial) -> tuple[tuple[str, IntArray], ...]:
    """What plots, or main plots or strips, were grouped by."""
    if Design.LATIN in {trial.design, trial.main_plots}:
        return (
            ("row", codes_of([str(plot.row) for plot in trial.plots])),
            ("column", codes_of([str(plot.column) for plot in trial.plots])),
        )
    if all(plot.block is None for plot in trial.plots):
        return ()
    return (("block", codes_of([plot.block for plot in trial.plots])),)


def _with_larger_units(
    trial: Trial, codes: IntArray, t: int
) -> tuple[Layout, tuple[tuple[str, tuple[str, ...]], ...]]:
    """Main plots with subplots, or crossed strips, and the levels of their factors."""
    _check(trial)
    order = {treatment.id: place for place, treatment in enumerate(trial.treatments)}
    # Levels stand in the order of the treatments, not in that of the field.
    ordered = sorted(trial.plots, key=lambda plot: order[plot.treatment])
    levels = tuple(
        (name, tuple(dict.fromkeys(_level(plot, name) for plot in ordered)))
        for name in ("main", "sub")
    )
    main, sub = (
        Factor(
            name,
            np.array([known.index(_level(plot, name)) for plot in trial.plots], dtype=np.intp),
            len(known),
        )
        for name, known in levels
    )
    groups = _groups(trial)
    if trial.design is Design.SPLIT_PLOT:
        main_plots = codes_of(_main_plots_of(trial))
        layout = split_plot(main, sub, blocking=groups, main_plot=main_plots)
    else:
        layout = strip_plot(main, sub, dict(groups)["block"])
    return replace(layout, treatment=codes, n_treatments=t), levels


def _level(plot: Plot, name: str) -> str:
    return (plot.main_factor if name == "main" else plot.sub_factor) or ""


def _main_plots_of(trial: Trial) -> list[tuple[str, ...]]:
    """Name the main plot of every plot: by row and column where they lie in a Latin square."""
    if trial.main_plots is Design.LATIN:
        return [(f"row {plot.row}", f"column {plot.column}") for plot in trial.plots]
    return [_main_plot_of(plot) for plot in trial.plots]


def _main_plot_of(plot: Plot) -> tuple[str, ...]:
    """Name a main plot: its number within the block, or block and main factor without one."""
    block = plot.block or ""
    if plot.main_plot is not None:
        return (block, plot.main_plot)
    return (block, "", plot.main_factor or "")


def _places(trial: Trial) -> list[tuple[str, ...]]:
    """Main plot, or block of strips, of every plot."""
    if trial.design is Design.SPLIT_PLOT:
        return _main_plots_of(trial)
    return [(plot.block or "",) for plot in trial.plots]


def _check(trial: Trial) -> None:
    """Refuse plans that no split-plot or strip-plot analysis can follow."""
    faults: list[tuple[str, str]] = []
    treatment_of: dict[tuple[str | None, str | None], str] = {}
    main_of: dict[tuple[str, ...], str | None] = {}
    seen: dict[tuple[object, ...], str] = {}
    split = trial.design is Design.SPLIT_PLOT
    square = trial.main_plots is Design.LATIN
    for plot, place in zip(trial.plots, _places(trial), strict=True):
        if not plot.main_factor or not plot.sub_factor:
            faults.append(
                (
                    f"Plot {plot.id} lacks its level of the main factor or of the sub factor.",
                    "Fill in the columns main_factor and sub_factor.",
                )
            )
            continue
        if square and (plot.row is None or plot.column is None):
            faults.append(
                (
                    f"Plot {plot.id} lacks the row or the column of its main plot.",
                    "Fill in the columns row and column.",
                )
            )
            continue
        if not square and plot.block is None and (plot.main_plot is None or not split):
            faults.append(
                (
                    f"Plot {plot.id} has no block" + (" and no main plot." if split else "."),
                    "Fill in the column block" + (", or main_plot." if split else "."),
                )
            )
            continue
        both = f"{plot.main_factor} and {plot.sub_factor}"
        other = treatment_of.setdefault((plot.main_factor, plot.sub_factor), plot.treatment)
        if other != plot.treatment:
            faults.append(
                (
                    f"The combination of {both} is treatment {other} on some plots and "
                    f"{plot.treatment} on others.",
                    "Give each combination of main factor and sub factor one treatment.",
                )
            )
        if split and main_of.setdefault(place, plot.main_factor) != plot.main_factor:
            faults.append(
                (
                    f"Main plot {' '.join(filter(None, place))} has more than one level of the "
                    "main factor.",
                    "Correct main_plot or main_factor in the plan.",
                )
            )
        first = seen.setdefault((*place, plot.main_factor, plot.sub_factor), plot.id)
        if first != plot.id:
            faults.append(
                (
                    f"Plots {first} and {plot.id} have the same combination of {both} in one "
                    + ("main plot." if split else "block."),
                    "Correct the plan; several counts of one plot are samples.",
                )
            )
    if faults:
        raise TrialError(
            [error("plan-unfit", what, remedy) for what, remedy in dict.fromkeys(faults)]
        )
