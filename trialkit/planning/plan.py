"""One call from a trial without plots to a trial laid out."""

from __future__ import annotations

import secrets
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import lgamma, log
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pandas as pd

from trialkit.planning.layouts import is_untreated, lay_out
from trialkit.planning.options import Plan, with_options
from trialkit.problems import Problem, warning
from trialkit.reading import read_protocol
from trialkit.trial import Design, Plot, Trial, VariableRole

_PLOT_COLUMNS = (
    "plot", "replicate", "block", "row", "column", "treatment", "name", "main_plot", "main_factor",
    "sub_factor",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Planned:
    """A trial laid out.

    Attributes
    ----------
    trial : Trial
        With its plots, in the order of the walk, and the seed of the layout in its plan.
    statement : str
        How the layout was made, as a sentence.
    drawn : bool
        Whether the layout was drawn here; false where the trial brought its own.
    allowed : int or None
        Number of equally likely layouts it was drawn from; None where it is not known.
    efficiency, bound : float or None
        Of incomplete blocks: average efficiency factor, and above what no design can lie.
    notes : tuple of Problem
        What was odd in a layout that was taken over.

    Examples
    --------
    >>> import trialkit
    >>> planned = trialkit.plan_trial(trialkit.example_trial("leaf_beetle_potato"))
    >>> isinstance(planned.trial, trialkit.Trial)
    True
    """

    trial: Trial
    statement: str
    drawn: bool
    allowed: int | None = None
    efficiency: float | None = None
    bound: float | None = None
    notes: tuple[Problem, ...] = ()

    def __repr__(self) -> str:
        how = f"seed {self.trial.plan.get('plan.seed')}" if self.drawn else "taken over"
        return f"<Planned {self.trial!r}, {how}>"

    @property
    def plots(self) -> pd.DataFrame:
        """Plots in the order of the walk: one row a plot, columns without content left out."""
        names = {item.id: item.name for item in self.trial.treatments}
        rows = [
            {
                "plot": plot.id,
                "name": names.get(plot.treatment, plot.treatment),
                **{
                    name: getattr(plot, name, None)
                    for name in _PLOT_COLUMNS
                    if name not in {"plot", "name"}
                },
            }
            for plot in self.trial.plots
        ]
        table = pd.DataFrame(rows, columns=list(_PLOT_COLUMNS), dtype=object)
        return table[[name for name in table.columns if table[name].notna().any()]]


def plan_trial(
    trial: Trial | Path | str,
    *,
    site: str | None = None,
    seed: int | None = None,
    again: bool = False,
    options: Mapping[str, object] | None = None,
) -> Planned:
    """Lay a trial out: draw its plots by its design, or take over those it has and check them.

    Parameters
    ----------
    trial : Trial, Path or str
        With treatments and a design; a path as `trialkit.read_trial` takes it.
    site : str, optional
        One of several sites of one protocol: it gets a layout of its own from the same seed.
    seed : int, optional
        0 or more. The seed of the trial's plan, when left out; a fresh one where that has none.
    again : bool
        Whether a trial that has plots is drawn anew.
    options : mapping, optional
        Keys of the plan instead of the trial's own: ``{"plan.blocks": 4}``.

    Returns
    -------
    Planned

    Raises
    ------
    TrialError
        When something is missing that the design needs.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    >>> planned = trialkit.plan_trial(trial, seed=7, again=True, options={"plan.blocks": 5})
    >>> planned.plots.shape
    (40, 6)
    """
    given = trial if isinstance(trial, Trial) else read_protocol(trial)
    given = with_options(given, {**(options or {}), "plan.seed": seed})
    if site is not None:
        given = replace(given, site=site)
    if given.plots and not again:
        return _taken_over(given)
    plan = Plan.of(given)
    start = plan.whole("plan.seed")
    if start is None:
        start = secrets.randbelow(10**9)
    rng = np.random.default_rng([start, *(site or "").encode()])
    layout = lay_out(given, plan, rng)
    laid = replace(
        given,
        plots=layout.plots,
        plan=MappingProxyType({**given.plan, "plan.seed": str(start)}),
        warnings=(),
        inputs=(),
        understood=(),
    )
    return Planned(
        trial=laid,
        statement=f"{layout.statement} Seed {start}.",
        drawn=True,
        allowed=layout.allowed,
        efficiency=layout.efficiency,
        bound=layout.bound,
        notes=tuple(_without_days(laid)),
    )


def _without_days(trial: Trial) -> Iterator[Problem]:
    """Say so where no assessments are planned: there are no sheets to count on then."""
    counted = [item for item in trial.variables if item.role is not VariableRole.YIELD]
    if not trial.plan.get("plan.days") and (counted or not trial.variables):
        yield warning(
            "no-days-planned",
            "No days are planned for counts, so the workbook has no sheet for them.",
            f"{GIVE_DAYS} Else write counts under plot and date on a sheet Counts.",
        )


def _taken_over(trial: Trial) -> Planned:
    return Planned(
        trial=trial,
        statement="The layout was taken over from the trial; it was not drawn here.",
        drawn=False,
        notes=tuple(_odd_in(trial)),
    )


#: How the days of the assessments are given.
GIVE_DAYS = 'Give them as days = "-1, 3, 7, 14" under [plan] (in a workbook the key plan.days).'
#: Smaller chances than this of an order are called odd: common practice, no source.
_ODD = 0.001


def _odd_in(trial: Trial) -> list[Problem]:
    """Find what a randomisation would hardly have made."""
    found = []
    blocks = _by_block(trial)
    orders = [tuple(plot.treatment for plot in block) for block in blocks.values()]
    listed = [item.id for item in trial.treatments]
    if len(orders) > 1 and len(set(orders)) == 1 and _rare(len(orders[0]), len(orders) - 1):
        found.append(
            warning(
                "not-randomised",
                "The treatments stand in the same order in every block, which a randomisation "
                "hardly makes.",
                "Draw the layout anew (--again) unless the trial has been laid out already.",
            )
        )
    sorted_ones = [
        name
        for name, order in zip(blocks, orders, strict=True)
        if len(order) > 5 and list(dict.fromkeys(order)) == [t for t in listed if t in order]
    ]
    # The first block in the order of the list is a habit of the trade, and no randomisation.
    if sorted_ones and not found:
        found.append(
            warning(
                "not-randomised",
                f"In block {sorted_ones[0]} the treatments stand in the order of the list.",
                "Draw the layout anew (--again) unless the trial has been laid out already.",
            )
        )
    if trial.design is Design.RCBD:
        found += _uneven(trial, blocks)
        found += _not_apart(trial, list(blocks.values()))
        found += _other_blocks(trial, blocks)
    return found


def _not_apart(trial: Trial, blocks: Sequence[Sequence[Plot]]) -> list[Problem]:
    """Find a treatment in one column of two neighbouring blocks, where the plan forbids that."""
    if not Plan.of(trial).yes("plan.apart"):
        return []
    for before, after in pairwise(blocks):
        taken = {(plot.column, plot.treatment) for plot in before if plot.column is not None}
        for plot in after:
            if (plot.column, plot.treatment) in taken:
                return [
                    warning(
                        "not-apart",
                        f"Treatment {plot.treatment} is in column {plot.column} in block "
                        f"{before[0].block} and in block {plot.block}, which the plan forbids.",
                        "Correct the plots, or take apart out of the plan.",
                    )
                ]
    return []


def _other_blocks(trial: Trial, blocks: Mapping[str, Sequence[Plot]]) -> list[Problem]:
    plan = Plan.of(trial)
    wanted = plan.whole("plan.blocks")
    if wanted is None or plan.whole("plan.block_size") is not None or wanted == len(blocks):
        return []
    return [
        warning(
            "blocks-differ",
            f"The plots lie in {len(blocks)} blocks, and the plan asks for {wanted}.",
            "Correct the plots, or blocks of the plan.",
        )
    ]


def _rare(size: int, times: int) -> bool:
    return -times * lgamma(size + 1) < log(_ODD)


def _by_block(trial: Trial) -> dict[str, list[Plot]]:
    blocks: dict[str, list[Plot]] = {}
    for plot in trial.plots:
        key = plot.block or ("" if plot.row is None else f"row {plot.row}")
        blocks.setdefault(key, []).append(plot)
    for plots in blocks.values():
        if all(plot.row is not None and plot.column is not None for plot in plots):
            plots.sort(key=lambda plot: (plot.row, plot.column))
    return blocks


def _uneven(trial: Trial, blocks: Mapping[str, list[Plot]]) -> list[Problem]:
    plan = Plan.of(trial)
    wanted = plan.whole("plan.untreated_plots")
    untreated = {item.id for item in trial.treatments if is_untreated(trial, item)}
    if wanted is None or not untreated:
        return []
    odd = [
        name
        for name, plots in blocks.items()
        if sum(plot.treatment in untreated for plot in plots) != wanted * len(untreated)
    ]
    if not odd:
        return []
    return [
        warning(
            "untreated-plots",
            f"Not {wanted} plots of the untreated stand in block {', '.join(odd[:6])}.",
            "Correct the plots, or untreated_plots of the plan.",
        )
    ]
