"""What goes with the differences between trials: one covariate at a time, and the years."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from trialkit.analysis.result import table_of_parts
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.pooling.random_effects import pool, slopes
from trialkit.series.control_tables import Columns
from trialkit.series.logarithms import percent_of
from trialkit.series.matched import Matched
from trialkit.series.questions import Asked, estimates_of

#: Trials, and different values, from which on a slope is told (common practice, no source).
LEAST_TRIALS = 4
LEAST_VALUES = 3
EXPLORATORY = "exploratory: trials differ in more than this"
SAME_YEAR = "trials of one year share its weather: their number says less than it seems"


def series_covariates(matched: Matched, asked: Sequence[Asked]) -> pd.DataFrame:
    """Change of what each treatment leaves with each covariate, in turn."""
    names = dict.fromkeys(name for trial in matched.trials for name in trial.covariates)
    parts = []
    for one in asked:
        for name in names:
            values = {trial.key: trial.covariates.get(name) for trial in matched.trials}
            found = _slopes(one, values, matched.settings.alpha, by_value=False)
            if found is None:
                continue
            size = len(found["treatment"])
            del found["values"]
            parts.append(found | {"covariate": [name] * size, "note": [EXPLORATORY] * size})
    return table_of_parts("series_covariates", parts)


def series_seasons(matched: Matched, asked: Sequence[Asked]) -> pd.DataFrame:
    """Change a year of what each treatment leaves, where there are three years or more."""
    years = {trial.key: trial.year for trial in matched.trials}
    parts = []
    for one in asked:
        found = _slopes(one, years, matched.settings.alpha, by_value=True)
        if found is None:
            continue
        trials, distinct = np.asarray(found["trials"]), np.asarray(found.pop("values"))
        found["years"] = distinct
        found["change_a_year"] = found.pop("slope")
        found["note"] = [SAME_YEAR if more else None for more in (trials > distinct).tolist()]
        parts.append(found)
    return table_of_parts("series_seasons", parts)


def _slopes(
    one: Asked, values: Mapping[str, float | None], alpha: float, *, by_value: bool
) -> Columns | None:
    """Slopes of all treatments that are in trials enough; None where none is.

    ``by_value``: degrees of freedom are those of different values, not of trials.
    """
    known = {
        key: value
        for key in one.trials
        if (value := values.get(key)) is not None and np.isfinite(value)
    }
    held: dict[str, list[float]] = {}
    for key, value in known.items():
        for name in one.cells[key].treatments:
            held.setdefault(name, []).append(value)
    kept = tuple(
        name
        for name in one.treatments
        if len(held.get(name, ())) >= LEAST_TRIALS and len(set(held[name])) >= LEAST_VALUES
    )
    if not kept:
        return None
    cells = {key: part for key in known if (part := one.cells[key].of(kept)) is not None}
    x = np.array([known[key] for key in cells], dtype=np.float64)
    count = np.array([len(held[name]) for name in kept], dtype=np.intp)
    distinct = np.array([len(set(held[name])) for name in kept], dtype=np.intp)
    try:
        found = slopes(
            pool(estimates_of(cells, kept), covariate=x),
            (distinct if by_value else count) - 2,
        )
    except NotEstimable:
        return None
    if by_value:
        # Years are what differs: more trials in a year do not make more years.
        found = found.with_most(distinct - 2)
    low, high = found.limits(alpha)
    size = len(kept)
    return {
        **{name: [value] * size for name, value in one.key.items()},
        "treatment": list(kept),
        "trials": count.astype(float),
        "values": distinct.astype(float),
        "slope": -percent_of(found.estimate),
        "lower": -percent_of(low),
        "upper": -percent_of(high),
        "p": found.p,
    }
