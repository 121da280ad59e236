"""What takes random effects: incomplete blocks recovered, larger units with plots missing."""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from trialkit.desk.second_route.agreement import SEARCHED, Tally
from trialkit.desk.second_route.plots import (
    PlotValues,
    Row,
    frame_of,
    full_rank,
    grouping,
    indicator,
    key_of,
    named,
    rows_at,
)
from trialkit.trial import Design, Trial

Tables = Mapping[str, Sequence[Row]]
#: Share of the variance of plots below which one between units counts as none.
_NONE_BETWEEN = 1e-3
#: Share of the sum of squares below which what is left is rounding.
_NO_ERROR = 1e-20
#: Difference of log-likelihoods that is rounding.
_AS_LIKELY = 1e-8


def compare_mixed(trial: Trial, data: PlotValues, tables: Tables, tally: Tally) -> None:
    """Compare what the record has of models with random effects."""
    for row in tables.get("recovered_tests", []):
        key = key_of(row)
        if key in data.values and row.get("variance_plots") is not None:
            _recovered(trial, data, row, tables, tally)
    if trial.design.has_larger_units:
        for item in tables.get("responses", []):
            key = key_of(item)
            if key in data.values and data.values[key].isna().any():
                _larger_units(trial, data.values[key], item, tables, tally)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """Effects with their covariance, the variance between units (0 where none) and of plots."""

    params: Any
    covariance: Any
    between: float
    plots: float

    def difference(self, i: int, j: int) -> tuple[float, float]:
        """Effect i minus effect j, and its standard error; NaN where it has none."""
        own = self.covariance
        variance = float(own[i, i] + own[j, j] - 2 * own[i, j])
        se = math.sqrt(variance) if variance > 0 else math.nan
        return float(self.params[i] - self.params[j]), se


def _mixed(y: Any, matrix: Any, groups: Any, **more: Any) -> _Found | None:
    """Fit by restricted likelihood; None where it does not settle inside its bounds.

    Where least squares without random effects are at least as likely, the variance between units
    is nought: statsmodels, whose variances stay above it, stops short of that.
    """
    from statsmodels.api import OLS, MixedLM

    matrix = full_rank(matrix)
    plain, left = OLS(y, matrix).fit(), len(y) - matrix.shape[1]
    if left < 1 or plain.ssr <= _NO_ERROR * float(y @ y):
        return None
    determinant = float(np.linalg.slogdet(matrix.T @ matrix)[1])
    likely = -0.5 * (left * (math.log(2 * math.pi * plain.scale) + 1) + determinant)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            model = MixedLM(y, matrix, groups=groups, **more)
            fit = model.fit(reml=True, method="powell")
        except (np.linalg.LinAlgError, ValueError):
            return None
        with np.errstate(divide="ignore", invalid="ignore"):
            found = float(fit.llf)
    if likely >= found - _AS_LIKELY:
        return _Found(
            params=plain.params,
            covariance=np.asarray(plain.cov_params()),
            between=0.0,
            plots=float(plain.scale),
        )
    between = np.concatenate([np.ravel(fit.cov_re), np.ravel(fit.vcomp)])
    if not fit.converged or fit.scale <= 0 or (between < _NONE_BETWEEN * fit.scale).any():
        return None
    return _Found(
        params=fit.fe_params,
        covariance=np.asarray(fit.cov_params()),
        between=float(between[0]),
        plots=float(fit.scale),
    )


def _recovered(trial: Trial, data: PlotValues, row: Row, tables: Tables, tally: Tally) -> None:
    key = key_of(row)
    item = next(rows_at(tables, "responses", key))
    frame = frame_of(trial, data.values[key], item["transform"])
    replicate = pd.Series([plot.replicate for plot in trial.plots],
                          index=[plot.id for plot in trial.plots]).reindex(frame.index)  # fmt: skip
    parts = [indicator(frame["t"])]
    if replicate.notna().all():
        parts.append(indicator(replicate))
    names = sorted(frame["t"].astype(str).unique())
    fit = _mixed(frame["y"].to_numpy(), np.hstack(parts), frame["block"].to_numpy())
    if fit is None or len(fit.params) < len(names):
        tally.skip(f"{named(key)}: blocks recovered, where the search of variances ends early.")
        return
    note = {"allowed": SEARCHED}
    for column, number in (("variance_plots", fit.plots), ("variance_blocks", fit.between)):
        tally.note("recovered_tests", column, row[column], number, named(key),
                   unit=fit.plots + fit.between, **note)  # fmt: skip
    means = {own["treatment"]: own["mean_analysed"] for own in rows_at(tables, "recovered", key)}
    for (i, a), (j, b) in combinations(enumerate(names), 2):
        if means.get(a) is not None and means.get(b) is not None:
            found, se = fit.difference(i, j)
            tally.note("recovered", "difference", means[a] - means[b], found,
                       f"{named(key)}, {a} and {b}", unit=se, **note)  # fmt: skip


def _larger_units(trial: Trial, values: pd.Series, item: Row, tables: Tables, tally: Tally) -> None:
    """Differences where plots are missing, with main plots (and strips) random."""
    key = key_of(item)
    frame = frame_of(trial, values, item["transform"])
    groups = [frame[name] for name in grouping(trial)]
    matrix = np.hstack([indicator(frame["t"]), *(indicator(group) for group in groups)])
    names = sorted(frame["t"].astype(str).unique())
    unit = indicator(*groups, frame["main"])
    more: dict[str, Any] = {}
    if trial.design is Design.STRIP_PLOT:
        from statsmodels.regression.mixed_linear_model import VCSpec

        strips = {"main": unit, "sub": indicator(*groups, frame["sub"])}
        columns = [[[str(i) for i in range(part.shape[1])]] for part in strips.values()]
        more["exog_vc"] = VCSpec(list(strips), columns, [[part] for part in strips.values()])
        fit = _mixed(frame["y"].to_numpy(), matrix, np.ones(len(frame)), exog_re=None, **more)
    else:
        fit = _mixed(frame["y"].to_numpy(), matrix, unit.argmax(axis=1))
    if fit is None or fit.between == 0 or len(fit.params) < len(names):
        # The record lets a variance between units fall below nought, statsmodels does not.
        tally.skip(f"{named(key)}: plots missing in larger units that vary no more than plots.")
        return
    places = {name: place for place, name in enumerate(names)}
    for row in rows_at(tables, "comparisons", key):
        if row["a"] in places and row["b"] in places:
            found, se = fit.difference(places[row["a"]], places[row["b"]])
            tally.note("comparisons", "difference", row["difference"], found,
                       f"{named(key)}, {row['a']} and {row['b']}, plots missing",
                       unit=se, allowed=SEARCHED)  # fmt: skip
