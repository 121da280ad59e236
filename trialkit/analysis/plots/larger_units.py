"""Split-plot and strip-plot trials as codes: main and sub factor, main plots, strips."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.analysis.plots.responses import (
    FloatArray,
    IntArray,
    PlotPlan,
    codes_of,
    main_plots_of,
)
from trialkit.inference.design.layout import Layout
from trialkit.problems import TrialError, error
from trialkit.trial import Design, Trial


@dataclass(frozen=True, kw_only=True, eq=False)
class StrataPlan:
    """The plots of a split-plot or strip-plot trial as codes.

    Attributes
    ----------
    design : Design
    mains, subs : tuple of str
        Levels of the main and of the sub factor; code i stands for the i-th.
    main, sub : int array, shape (plots,)
    block : int array, shape (plots,), or None
        None where main plots were completely randomised, or lie in rows and columns.
    blocking : tuple of (str, int array of shape (plots,))
        What main plots or strips were grouped by: ``block``, ``row`` and ``column``, or nothing.
    main_plot : int array, shape (plots,), or None
        Which main plot each plot lies in; None for strips.
    weights : float array, shape (treatments, mains * subs)
        Weight of each combination, the sub factor running fastest, in the mean of each
        treatment: one combination a treatment as a rule.
    inner : Layout
        Treatments with main plots (or both kinds of strips) taken out like blocks: its residuals
        are those of the smallest error.
    """

    design: Design
    mains: tuple[str, ...]
    subs: tuple[str, ...]
    main: IntArray
    sub: IntArray
    block: IntArray | None
    blocking: tuple[tuple[str, IntArray], ...]
    main_plot: IntArray | None
    weights: FloatArray
    inner: Layout

    @property
    def random(self) -> dict[str, IntArray]:
        """Units larger than a plot, whose effects are random: main plots, or both strips."""
        if self.main_plot is not None:
            return {"main_plot": self.main_plot}
        block = np.zeros_like(self.main) if self.block is None else self.block
        return {
            "main_strip": block * len(self.mains) + self.main,
            "sub_strip": block * len(self.subs) + self.sub,
        }


def plan_strata(trial: Trial, plan: PlotPlan) -> StrataPlan | None:
    """Turn the plots of a split-plot or strip-plot trial into codes; None for other designs.

    Raises
    ------
    TrialError
        When the plan contradicts the design: a plot without its factors, a combination with
        two treatments, a main plot with two levels of the main factor, and the like.
    """
    if not trial.design.has_larger_units:
        return None
    _check(trial)
    plots = trial.plots
    # Levels stand in the order of the treatments, not in that of the field.
    listed = {treatment: place for place, treatment in enumerate(plan.treatments)}
    ordered = sorted(plots, key=lambda plot: listed[plot.treatment])
    mains = tuple(dict.fromkeys(plot.main_factor or "" for plot in ordered))
    subs = tuple(dict.fromkeys(plot.sub_factor or "" for plot in ordered))
    main = np.array([mains.index(plot.main_factor or "") for plot in plots], dtype=np.intp)
    sub = np.array([subs.index(plot.sub_factor or "") for plot in plots], dtype=np.intp)
    block, square = None, trial.main_plots is Design.LATIN
    groups: tuple[tuple[str, IntArray], ...] = ()
    if square:
        groups = (
            ("row", codes_of([plot.row for plot in plots])),
            ("column", codes_of([plot.column for plot in plots])),
        )
    elif any(plot.block is not None for plot in plots):
        block = codes_of([plot.block for plot in plots])
        groups = (("block", block),)
    cell = main * len(subs) + sub
    weights = np.zeros((len(plan.treatments), len(mains) * len(subs)))
    weights[plan.treatment, cell] = 1.0
    weights /= np.maximum(weights.sum(axis=1, keepdims=True), 1.0)
    main_plot = None
    if trial.design is Design.SPLIT_PLOT:
        main_plot = codes_of(main_plots_of(trial))
        blocking: tuple[tuple[str, IntArray], ...] = (("main plot", main_plot),)
    else:
        where = np.zeros_like(main) if block is None else block
        blocking = (
            ("main strip", where * len(mains) + main),
            ("sub strip", where * len(subs) + sub),
        )
    return StrataPlan(
        design=trial.design,
        mains=mains,
        subs=subs,
        main=main,
        sub=sub,
        block=block,
        blocking=groups,
        main_plot=main_plot,
        weights=weights,
        inner=Layout(
            treatment=plan.treatment, n_treatments=len(plan.treatments), blocking=blocking
        ),
    )


def _places(trial: Trial) -> list[tuple[str, ...]]:
    """Main plot, or block of strips, of every plot."""
    if trial.design is Design.SPLIT_PLOT:
        return main_plots_of(trial)
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
