"""Areas, percent control, adjustment for the count before: plain arithmetic and one more fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from scipy import stats

from trialkit.desk.second_route.agreement import Tally
from trialkit.desk.second_route.least_squares import Fit, fit_means
from trialkit.desk.second_route.plots import (
    SCALES,
    PlotValues,
    Row,
    frame_of,
    full_rank,
    grouping,
    indicator,
    key_of,
)
from trialkit.trial import Trial

Tables = Mapping[str, Sequence[Row]]


def compare_areas(data: PlotValues, tables: Tables, tally: Tally) -> None:
    """Pest-days of every plot by the trapezoid of numpy."""
    for row in tables.get("pest_days", []):
        if row["variable"] in data.areas:
            found = float(data.areas[row["variable"]][row["plot"]])
            tally.note("pest_days", "pest_days", row["pest_days"], found,
                       f"{row['variable']}, plot {row['plot']}")  # fmt: skip


def compare_control(trial: Trial, data: PlotValues, tables: Tables, tally: Tally) -> None:
    """Percent control of Abbott and Henderson-Tilton from plain means of plots."""
    treatment = {plot.id: plot.treatment for plot in trial.plots}
    means = {
        key: values.groupby(values.index.map(treatment)).mean()
        for key, values in data.values.items()
        if key[1] == "count"
    }
    for row in tables.get("control", []):
        variable, day, method = row["variable"], row["days_after"], row["method"]
        after = means.get((variable, "count", day))
        if method not in {"abbott", "henderson-tilton"} or after is None:
            tally.skip(f"Percent control by {method}.")
            continue
        name, untreated = row["treatment"], trial.untreated
        with np.errstate(divide="ignore", invalid="ignore"):
            left = np.float64(after.get(name, np.nan)) / after.get(untreated, np.nan)
            if method == "henderson-tilton":
                days = [key[2] for key in means if key[0] == variable and key[2] <= 0]
                if not days:
                    continue
                before = means[variable, "count", max(days)]
                left *= np.float64(before.get(untreated, np.nan)) / before.get(name, np.nan)
        tally.note("control", "percent", row["percent"], float(100 * (1 - left)),
                   f"{variable}, day {day:g}, {name}, {method}", unit=1.0)  # fmt: skip


def compare_covariates(trial: Trial, data: PlotValues, tables: Tables, tally: Tally) -> None:
    """Analysis of covariance on the count before treatment."""
    from statsmodels.api import OLS

    rows = tables.get("covariate", [])
    if rows and trial.design.has_larger_units:
        tally.skip("Adjustment for the count before treatment in split-plots and strip-plots.")
        return
    scales = {key_of(item): item["transform"] for item in tables.get("responses", [])}
    for row in rows:
        key = (row["variable"], "count", row["days_after"])
        days = [
            day for name, measure, day in data.values
            if (name, measure) == key[:2] and day <= 0
        ]  # fmt: skip
        if key not in data.values or not days:
            continue
        scale = SCALES[scales[key]]
        frame = frame_of(trial, data.values[key], scales[key])
        before = scale(data.values[key[0], "count", max(days)].reindex(frame.index))
        frame, before = frame[before.notna()], before.dropna().to_numpy()[:, None]
        blocks = [indicator(frame[name]) for name in grouping(trial)]
        less = full_rank(np.hstack([np.ones((len(frame), 1)), *blocks, before]))
        effects = full_rank(np.hstack([indicator(frame["t"]), *blocks]))
        whole = full_rank(np.hstack([before, effects]))
        if whole.shape[1] == effects.shape[1]:  # it varies between treatments and blocks alone
            continue
        small, fit = (OLS(frame["y"].to_numpy(), part).fit() for part in (less, whole))
        df = small.df_resid - fit.df_resid
        if df < 1 or fit.df_resid < 1 or fit.ssr <= 0:
            continue
        f = float((small.ssr - fit.ssr) / df / fit.scale)
        numbers: dict[str, tuple[float, float]] = {
            "slope": (float(fit.params[0]), float(fit.bse[0])),
            "se": (float(fit.bse[0]), 0.0),
            "p_slope": (float(fit.pvalues[0]), 1.0),
            "df_error": (float(fit.df_resid), 0.0),
            "F": (f, max(f, 1e-3)),
            "p": (float(stats.f.sf(f, df, fit.df_resid)), 1.0),
        }
        for column, (found, unit) in numbers.items():
            tally.note("covariate", column, row.get(column), found,
                       f"{key[0]}, day {key[2]:g}", unit=unit)  # fmt: skip
        own = [
            item for item in tables.get("adjusted_means", [])
            if (item["variable"], item["days_after"]) == (key[0], key[2])
        ]  # fmt: skip
        _compare_adjusted(fit_means(frame, blocks, before), own, tally)


def _compare_adjusted(found: Fit, rows: Sequence[Row], tally: Tally) -> None:
    """Means at the average count before, over equal shares of the blocks."""
    for row in rows:
        line = found.weights.get(row["treatment"])
        if line is None or not found.known(line):
            continue
        mean, se = found.at(line)
        where = f"{row['variable']}, day {row['days_after']:g}, {row['treatment']}"
        tally.note("adjusted_means", "mean_adjusted", row["mean_adjusted"], mean, where, unit=se)
        tally.note("adjusted_means", "se", row["se"], se, where)


def compare_factors(trial: Trial, data: PlotValues, tables: Tables, tally: Tally) -> None:
    """Differences between levels of a factor, and their errors, where no plot is missing.

    Formulas of Gomez KA & Gomez AA 1984, Statistical Procedures for Agricultural Research,
    2nd ed. (from memory), from the mean squares of statsmodels.
    """
    from trialkit.desk.second_route.plain import sequential
    from trialkit.desk.second_route.plots import named, rows_at, terms_of

    if not trial.design.has_larger_units:
        return
    for item in tables.get("responses", []):
        key = key_of(item)
        if key not in data.values or data.values[key].isna().any():
            continue
        frame = frame_of(trial, data.values[key], item["transform"])
        cells = frame.groupby(["main", "sub"])["y"].count()
        a, b = frame["main"].nunique(), frame["sub"].nunique()
        if len(cells) < a * b or cells.nunique() > 1:
            tally.skip("Levels of factors in numbers of plots that differ.")
            continue
        lines = sequential(frame["y"].to_numpy(), terms_of(trial, frame))
        errors = _mean_squares(lines)
        if errors is None:
            continue
        _compare_levels(frame, errors, list(rows_at(tables, "factor_comparisons", key)),
                        named(key), tally)  # fmt: skip
        r = float(cells.iloc[0])
        main, sub, plot = errors
        by_kind = {
            "two levels of the main factor": main / (r * b),
            "two levels of the sub factor": sub / (r * a),
            "two levels of the sub factor at one level of the main factor":
                (sub + (a - 1) * plot) / (r * a),
            "two levels of the main factor at one level of the sub factor":
                (main + (b - 1) * plot) / (r * b),
        }  # fmt: skip
        for row in rows_at(tables, "factor_differences", key):
            if row["between"] in by_kind:
                tally.note("factor_differences", "se", row["se"],
                           float(np.sqrt(2 * by_kind[row["between"]])),
                           f"{named(key)}, {row['between']}")  # fmt: skip


def _mean_squares(lines: Mapping[str, tuple[float, float]]) -> tuple[float, float, float] | None:
    """Errors of main plots (or strips), of subplots (or strips the other way), of plots."""
    found = []
    for name in ("error_main", "error_sub", "error"):
        df, square = lines.get(name, lines["error"])
        if df < 1 or square <= 0:
            return None
        found.append(square / df)
    return found[0], found[1], found[2]


def _compare_levels(
    frame: Any, errors: Sequence[float], rows: Sequence[Row], name: str, tally: Tally
) -> None:
    for row in rows:
        place = {"main": 0, "sub": 1}.get(row["factor"])
        if place is None:
            continue
        means = frame.groupby(row["factor"])["y"].agg(["mean", "count"])
        if row["a"] not in means.index or row["b"] not in means.index:
            continue
        difference = float(means["mean"][row["a"]] - means["mean"][row["b"]])
        se = float(np.sqrt(2 * errors[place] / means["count"].iloc[0]))
        where = f"{name}, {row['a']} and {row['b']}"
        tally.note("factor_comparisons", "difference", row["difference"], difference, where,
                   unit=se)  # fmt: skip
        tally.note("factor_comparisons", "se", row["se"], se, where)
