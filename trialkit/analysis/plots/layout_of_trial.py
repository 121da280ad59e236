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
from trialkit.plan_faults import unit_names
from trialkit.trial import Design, Plot, TreatmentRole, Trial


def plan_plots(trial: Trial) -> PlotPlan:
    """Turn the plots of a trial in which `trial_faults` finds nothing into codes and a layout."""
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
        main_plots = codes_of(unit_names(trial.design, trial.plots, trial.main_plots))
        layout = split_plot(main, sub, blocking=groups, main_plot=main_plots)
    else:
        layout = strip_plot(main, sub, dict(groups)["block"])
    return replace(layout, treatment=codes, n_treatments=t), levels


def _level(plot: Plot, name: str) -> str:
    return (plot.main_factor if name == "main" else plot.sub_factor) or ""
