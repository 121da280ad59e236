"""The Analysis: what was computed for a trial, as tidy tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Sized
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from pandas.api.internals import create_dataframe_from_blocks

from trialkit.analysis.schema import COLUMNS, NOT_RECORDED
from trialkit.problems import Problem
from trialkit.trial import Trial

FloatArray = npt.NDArray[np.float64]


def make_table(name: str, columns: Mapping[str, Sized]) -> pd.DataFrame:
    """Make one of the tables from its columns, with their types and in their order.

    Parameters
    ----------
    name : str
        A key of `COLUMNS`.
    columns : mapping of str to sequence
        Columns not given are empty (missing numbers, no text).

    Raises
    ------
    KeyError
        When the table has no such column.
    ValueError
        When columns differ in length.
    """
    unknown = set(columns) - set(COLUMNS[name])
    if unknown:
        raise KeyError(f"{name} has no column {sorted(unknown)}")
    lengths = {len(values) for values in columns.values()} or {0}
    if len(lengths) > 1:
        raise ValueError(f"columns of {name} differ in length: {sorted(lengths)}")
    length = lengths.pop()
    header, numbers, others = _places(name)
    numeric = np.full((numbers.size, length), np.nan)
    rest = np.full((others.size, length), None, dtype=object)
    for block, places in ((numeric, numbers), (rest, others)):
        for row, column in zip(block, header[places], strict=True):
            if column in columns:
                row[:] = np.asarray(columns[column], dtype=block.dtype)
    # Ten times faster than from a column each, which pandas would look into one by one.
    made: pd.DataFrame = create_dataframe_from_blocks(
        [(numeric, numbers), (rest, others)], index=pd.RangeIndex(length), columns=header
    )
    return made


@cache
def _places(name: str) -> tuple[pd.Index[str], npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Columns of a table, and which of them hold numbers, and which anything else."""
    numeric = np.array([kind == "number" for kind in COLUMNS[name].values()])
    return pd.Index(list(COLUMNS[name])), np.flatnonzero(numeric), np.flatnonzero(~numeric)


@cache
def _template(name: str) -> pd.DataFrame:
    return make_table(name, {})


def empty_table(name: str) -> pd.DataFrame:
    """Make one of the tables without rows."""
    return _template(name).copy()


def table_of_parts(
    name: str, parts: Sequence[Mapping[str, Sized]], places: Sequence[Sized] = ()
) -> pd.DataFrame:
    """Make one table from parts that lie below each other; cheaper than joining tables.

    Parameters
    ----------
    name : str
        A key of `COLUMNS`.
    parts : sequence of mapping of str to sequence
        All with the same columns.
    places : sequence of sequence of numbers, optional
        For each part a number for each row, by which the rows are put in order.
    """
    if not parts:
        return empty_table(name)
    kinds = COLUMNS[name]
    joined: dict[str, Any] = {}
    for column in parts[0]:
        number = kinds[column] == "number"
        joined[column] = np.concatenate(
            [np.asarray(part[column], dtype=float if number else object) for part in parts]
        )
    if places:
        order = np.argsort(np.concatenate([np.asarray(place) for place in places]), kind="stable")
        joined = {column: values[order] for column, values in joined.items()}
    return make_table(name, joined)


def join_tables(name: str, tables: list[pd.DataFrame]) -> pd.DataFrame:
    """Put parts of one table below each other; empty when there are none."""
    return pd.concat(tables, ignore_index=True) if tables else empty_table(name)


def _table(name: str) -> pd.DataFrame:
    made: pd.DataFrame = field(default_factory=lambda: empty_table(name))
    return made


@dataclass(frozen=True, kw_only=True, eq=False)
class Analysis:
    """Everything computed for one trial.

    Every table is a tidy DataFrame with the columns of `COLUMNS`; what is undefined is NaN
    (None in text and flags), with a reason or a note in the same row.

    Attributes
    ----------
    trial : Trial
    anova : DataFrame
        One row a response and source of variation; sums of squares are sequential, blocks
        (rows, columns) first, treatments last.
    means : DataFrame
        One row a response and treatment. ``mean`` is the arithmetic mean as counted,
        ``mean_analysed`` the least-squares mean on the scale of analysis with standard error
        ``se``; ``back_transformed`` with ``lower`` and ``upper`` is that mean and its interval
        brought back to the counted scale; in ``letters`` "a" marks the largest mean.
    comparisons : DataFrame
        One row a response and pair: difference a minus b on the scale of analysis.
    control : DataFrame
        Percent control by variable, day, treatment and method; ``chosen`` marks the method
        that the report shows.
    control_methods : DataFrame
        Where control by Abbott is surer than by Henderson-Tilton, which was shown.
    pest_days : DataFrame
        Area under the curve by variable and plot, with the days that it spans, its value per
        day and the number of missing assessments that were bridged.
    persistence : DataFrame
        How long each treatment held the target.
    block_control : DataFrame
        Percent control of each block on its own; not in the record.
    persistence_differences : DataFrame
        The same compared between treatments, and control at the first assessment.
    course : DataFrame
        Mean as counted by treatment and day, with its interval, for the figures. ``interval``
        says where it comes from: the count model (an interval of the mean as counted) or the
        scale of analysis (one of the mean brought back from there).
    responses : DataFrame
        One row a response: the fit in a line. ``significant_difference`` is the smallest
        difference that the chosen procedure calls significant, on average over pairs and on the
        scale of analysis; ``detectable_difference`` the true difference from the untreated that
        a trial like this one would show four times out of five, ``detectable_percent`` the same
        as a reduction of the untreated mean as counted.
    choices : DataFrame
        One row a variable: the transform and why; ``power`` is the most likely power of Box and
        Cox with its limits, ``recommendation`` what the checks over all its days let recommend.
    diagnostics : DataFrame
        One row a response and assumption: statistic, p-value and verdict.
    contrasts : DataFrame
        Planned comparisons with one degree of freedom, such as the trend over rates.
    factor_means, factor_differences : DataFrame
        Means of the factors of split-plot, strip-plot and factorial trials, and the standard
        errors of the kinds of difference between them.
    covariate, adjusted_means : DataFrame
        Days after treatment adjusted for the count before it. ``mean_adjusted`` and its ``se``
        are on the scale of analysis, ``back_transformed``, ``lower`` and ``upper`` as counted;
        ``precision`` is the variance of a difference without the adjustment over that with it.
    recovered, recovered_tests : DataFrame
        Trials in incomplete blocks: means and tests with the information between blocks.
    course_tests : DataFrame
        Whether treatments differ in level and in course over all days; ``chosen`` marks the
        test that the report speaks of.
    samples : DataFrame
        How much plots and samples within plots vary, and what more of either would gain.
    count_models, count_tests : DataFrame
        Counts analysed as counts, and shares k of n as such: means (of shares in percent) and
        ratios to the untreated, and tests of treatments. Of shares also the ratio of the odds,
        and ``hits`` of ``examined``, the sums over the plots. ``dispersion`` is that of the
        negative binomial, a factor on the variance (quasi-Poisson, quasi-binomial), or the
        correlation between units of a plot (beta-binomial).
    reductions : DataFrame
        Areas under the curve of the whole period, against the untreated.
    days_above : DataFrame
        How long the mean of each treatment stood above the action threshold.
    natural_enemies, resurgence : DataFrame
        Reduction of natural enemies, and pests that rose where enemies were down.
    carrier : DataFrame
        Control split into what the carrier did and what the product added.
    mixtures : DataFrame
        Control of mixtures against what their parts let expect.
    mixture_periods : DataFrame
        The same over the whole time after treatment.
    rates, rate_persistence : DataFrame
        Lower rates against the full rate of the same product: control by day, and how long each
        held the target.
    rate_start : DataFrame
        Whether lower rates lose more where more pests were there before treatment.
    neighbours : DataFrame
        Whether late counts follow the neighbouring plots, and edge effects.
    loss : DataFrame
        Yield on pest-days within blocks.
    money : DataFrame
        Net return by treatment, where a price was given.
    programmes : DataFrame
        Treatments that repeat a mode-of-action group in successive applications.
    residuals : DataFrame
        One row a response and plot.
    problems : tuple of Problem
        Everything odd, from reading and from the analysis.
    """

    trial: Trial
    anova: pd.DataFrame = _table("anova")
    means: pd.DataFrame = _table("means")
    comparisons: pd.DataFrame = _table("comparisons")
    control: pd.DataFrame = _table("control")
    control_methods: pd.DataFrame = _table("control_methods")
    pest_days: pd.DataFrame = _table("pest_days")
    persistence: pd.DataFrame = _table("persistence")
    course: pd.DataFrame = _table("course")
    responses: pd.DataFrame = _table("responses")
    choices: pd.DataFrame = _table("choices")
    diagnostics: pd.DataFrame = _table("diagnostics")
    contrasts: pd.DataFrame = _table("contrasts")
    factor_means: pd.DataFrame = _table("factor_means")
    factor_differences: pd.DataFrame = _table("factor_differences")
    covariate: pd.DataFrame = _table("covariate")
    adjusted_means: pd.DataFrame = _table("adjusted_means")
    recovered: pd.DataFrame = _table("recovered")
    recovered_tests: pd.DataFrame = _table("recovered_tests")
    course_tests: pd.DataFrame = _table("course_tests")
    samples: pd.DataFrame = _table("samples")
    count_models: pd.DataFrame = _table("count_models")
    count_tests: pd.DataFrame = _table("count_tests")
    reductions: pd.DataFrame = _table("reductions")
    days_above: pd.DataFrame = _table("days_above")
    natural_enemies: pd.DataFrame = _table("natural_enemies")
    resurgence: pd.DataFrame = _table("resurgence")
    carrier: pd.DataFrame = _table("carrier")
    mixtures: pd.DataFrame = _table("mixtures")
    mixture_periods: pd.DataFrame = _table("mixture_periods")
    rates: pd.DataFrame = _table("rates")
    rate_persistence: pd.DataFrame = _table("rate_persistence")
    rate_start: pd.DataFrame = _table("rate_start")
    persistence_differences: pd.DataFrame = _table("persistence_differences")
    block_control: pd.DataFrame = _table("block_control")
    neighbours: pd.DataFrame = _table("neighbours")
    loss: pd.DataFrame = _table("loss")
    money: pd.DataFrame = _table("money")
    programmes: pd.DataFrame = _table("programmes")
    residuals: pd.DataFrame = _table("residuals")
    problems: tuple[Problem, ...] = ()

    def tables(self) -> dict[str, pd.DataFrame]:
        """The tables of the record by name, in its order."""
        return {name: getattr(self, name) for name in COLUMNS if name not in NOT_RECORDED}
