"""Trials in incomplete blocks: the information that lies between blocks, recovered."""

from __future__ import annotations

from collections.abc import Mapping, Sized

import numpy as np
import pandas as pd
from scipy import special

from trialkit.analysis.basis import Basis
from trialkit.analysis.plots.responses import codes_of
from trialkit.analysis.result import table_of_parts
from trialkit.inference.design.scales import TransformName, backward, forward
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.incomplete_blocks import IncompleteBlocksFit, incomplete_blocks
from trialkit.trial import Design, Trial


def incomplete_by_design(trial: Trial) -> bool:
    """Whether every block of a trial in blocks lacks some treatment in its plan."""
    if trial.design is not Design.RCBD:
        return False
    inside: dict[str | None, set[str]] = {}
    for plot in trial.plots:
        inside.setdefault(plot.block, set()).add(plot.treatment)
    everything = {plot.treatment for plot in trial.plots}
    return len(inside) > 1 and all(treatments < everything for treatments in inside.values())


def recovered_tables(basis: Basis) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Means (``recovered``) and tests (``recovered_tests``) of treatments with blocks random.

    Only for trials whose plan leaves treatments out of every block. The main tables compare
    within blocks alone; these use what the block means tell as well.
    """
    means, tests = [], []
    if basis.tested is not None and incomplete_by_design(basis.trial):
        block = next(codes for name, codes in basis.plan.layout.blocking if name == "block")
        named = [plot.replicate for plot in basis.trial.plots]
        replicate = None if None in named else codes_of(named)
        t = len(basis.plan.treatments)
        for response, scale in zip(basis.responses, basis.scales, strict=True):
            key = (response.variable.name, response.measure, response.day)
            values = forward(scale, response.values)
            try:
                fit = incomplete_blocks(
                    basis.plan.treatment, block, values, n_treatments=t, replicate=replicate
                )
            except NotEstimable as fault:
                tests.append(_failed(key, str(fault)))
                continue
            means.append(_means(key, basis, scale, fit))
            tests.append(_test(key, fit))
    return table_of_parts("recovered", means), table_of_parts("recovered_tests", tests)


_Key = tuple[str, str, float]


def _named(key: _Key, times: int) -> dict[str, list[str] | list[float]]:
    return {
        "variable": [key[0]] * times,
        "measure": [key[1]] * times,
        "days_after": [key[2]] * times,
    }


def _means(
    key: _Key, basis: Basis, scale: TransformName, fit: IncompleteBlocksFit
) -> Mapping[str, Sized]:
    found = fit.means
    half = special.stdtrit(found.df, 1.0 - basis.settings.alpha / 2.0) * found.se
    return {
        **_named(key, found.estimate.size),
        "treatment": basis.plan.treatments,
        "mean_analysed": found.estimate,
        "se": found.se,
        "lower": backward(scale, found.estimate - half),
        "upper": backward(scale, found.estimate + half),
        "back_transformed": backward(scale, found.estimate),
    }


def _test(key: _Key, fit: IncompleteBlocksFit) -> Mapping[str, Sized]:
    test = fit.treatment
    note = None
    if not np.isfinite(test.p):
        note = "the plots do not vary within treatments, so there is nothing to test against"
    return {
        **_named(key, 1),
        "variance_blocks": [fit.block_variance],
        "variance_plots": [fit.error_variance],
        "recovery": [fit.recovery],
        "df": [float(test.df)],
        "df_error": [test.df_error],
        "F": [test.F],
        "p": [test.p],
        "reason": [note],
    }


def _failed(key: _Key, why: str) -> Mapping[str, Sized]:
    nothing = [float("nan")]
    numbers = ("variance_blocks", "variance_plots", "recovery", "df", "df_error", "F", "p")
    return {**_named(key, 1), **dict.fromkeys(numbers, nothing), "reason": [why]}
