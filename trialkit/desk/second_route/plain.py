"""Analysis of variance, means and comparisons through statsmodels: the sources one by one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.desk.second_route.agreement import AGREES, DRAWN, Tally
from trialkit.desk.second_route.least_squares import Fit, fit_means
from trialkit.desk.second_route.planned import coefficients
from trialkit.desk.second_route.plots import (
    Key,
    Row,
    errors_of,
    frame_of,
    full_rank,
    grouping,
    indicator,
    named,
    rows_at,
    terms_of,
)
from trialkit.desk.second_route.procedures import Pairs, adjusted
from trialkit.trial import Trial

Tables = Mapping[str, Sequence[Row]]
Lines = dict[str, tuple[float, float]]
#: Share of the sum of squares below which what is left is rounding.
_NO_ERROR = 1e-20


def compare_response(
    trial: Trial, values: pd.Series, item: Row, tables: Tables, tally: Tally
) -> None:
    """Fit one response again, and compare its analysis of variance, means and pairs."""
    key = (item["variable"], item["measure"], item["days_after"])
    frame = frame_of(trial, values, item["transform"])
    rows = list(rows_at(tables, "anova", key))
    if frame["y"].nunique() < 2 or not rows:
        tally.skip(f"{named(key)}: nothing was tested.")
        return
    if trial.design.has_larger_units and len(frame) < len(trial.plots):
        return  # by a mixed model, see `mixed`
    lines = sequential(frame["y"].to_numpy(), terms_of(trial, frame))
    df, left = lines["error"]
    if df < 1 or left <= _NO_ERROR * sum(square for _, square in lines.values()):
        tally.skip(f"{named(key)}: no variance is left for error.")
        return
    _anova(rows, lines, errors_of(trial.design), named(key), tally)
    if not trial.design.has_larger_units:
        _means_and_pairs(trial, frame, key, tables, tally)


def sequential(y: Any, terms: Sequence[tuple[str, Any]]) -> Lines:
    """Degrees of freedom and sum of squares of every source after those above it."""
    from statsmodels.api import OLS

    matrix = np.ones((len(y), 1))
    fit = OLS(y, matrix).fit()
    lines: Lines = {}
    for name, columns in terms:
        matrix = full_rank(np.hstack([matrix, columns]))
        after = OLS(y, matrix).fit()
        lines[name] = (fit.df_resid - after.df_resid, fit.ssr - after.ssr)
        fit = after
    lines["error"] = (fit.df_resid, fit.ssr)
    return lines


def _anova(
    rows: Sequence[Row], lines: Lines, errors: Mapping[str, str], name: str, tally: Tally
) -> None:
    for row in rows:
        source = str(row["source"])
        if source not in lines:
            tally.skip(f"Source {source} of the analysis of variance.")
            continue
        df, square = lines[source]
        where = f"{name}, {source}"
        tally.note("anova", "df", row["df"], df, where)
        tally.note("anova", "sum_sq", row["sum_sq"], square, where, unit=_whole(lines))
        error_df, error = lines[errors.get(source, "error")]
        if row.get("F") is None or df < 1 or error_df < 1 or error <= 0:
            continue
        if source in {"block", "row", "column"} and errors:
            continue  # against which error is a matter of taste
        ratio = square / df / (error / error_df)
        tally.note("anova", "F", row["F"], ratio, where, unit=max(ratio, 1e-3))
        tally.note("anova", "p", row["p"], float(stats.f.sf(ratio, df, error_df)), where, unit=1.0)


def _whole(lines: Lines) -> float:
    return sum(square for _, square in lines.values())


def _means_and_pairs(
    trial: Trial, frame: pd.DataFrame, key: Key, tables: Tables, tally: Tally
) -> None:
    found = fit_means(frame, [indicator(frame[name]) for name in grouping(trial)])
    weights, names = found.weights, list(found.weights)
    _compare_means(found, frame, key, tables, tally)
    _compare_contrasts(found, rows_at(tables, "contrasts", key), named(key), tally)
    letters = {
        row["treatment"]: row["letters"] for row in rows_at(tables, "means", key) if row["letters"]
    }
    by_method: dict[str, list[Row]] = {}
    for row in rows_at(tables, "comparisons", key):
        if row["a"] in weights and row["b"] in weights:
            by_method.setdefault(str(row["method"]), []).append(row)
    for rows in by_method.values():
        pairs = _compare_pairs(found, rows, named(key), tally)
        every = len(names) * (len(names) - 1) // 2
        if pairs is None or not letters or len(rows) < every:
            continue
        for (a, b), p in pairs.items():
            shared = bool(set(letters.get(a, "")) & set(letters.get(b, "")))
            tally.note("means", "letters", shared, float(p > trial.settings.alpha),
                       f"{named(key)}, {a} and {b}", unit=1.0)  # fmt: skip


def _compare_means(found: Fit, frame: pd.DataFrame, key: Key, tables: Tables, tally: Tally) -> None:
    number = frame["t"].astype(str).value_counts()
    for row in rows_at(tables, "means", key):
        name = row["treatment"]
        tally.note("means", "n", row["n"], float(number.get(name, 0)), f"{named(key)}, {name}")
        if name not in found.weights or not found.known(found.weights[name]):
            continue
        where, (mean, se) = f"{named(key)}, {name}", found.at(found.weights[name])
        tally.note("means", "mean_analysed", row["mean_analysed"], mean, where, unit=se)
        tally.note("means", "se", row["se"], se, where)


def _compare_contrasts(found: Fit, rows: Iterable[Row], name: str, tally: Tally) -> None:
    """Compare planned contrasts and trends over rates, as their notes say what they compare."""
    for row in rows:
        asked = coefficients(str(row["contrast"]), str(row["note"]), list(found.weights))
        if asked is None:
            tally.skip(f"Planned comparison: {row['contrast']}.")
            continue
        line = sum(share * found.weights[item] for item, share in asked.items())
        if not found.known(line):
            continue
        (estimate, se), where = found.at(line), f"{name}, {row['contrast']}"
        p = 2 * float(stats.t.sf(abs(estimate / se), found.fit.df_resid)) if se > 0 else np.nan
        tally.note("contrasts", "estimate", row["estimate"], estimate, where, unit=se)
        tally.note("contrasts", "se", row["se"], se, where)
        tally.note("contrasts", "p", row["p"], p, where, unit=1.0)


def _compare_pairs(
    found: Fit, rows: Sequence[Row], name: str, tally: Tally
) -> dict[tuple[str, str], float] | None:
    """Compare the pairs of one procedure, and give back their p-values."""
    contrasts = [found.weights[row["a"]] - found.weights[row["b"]] for row in rows]
    told = [found.known(line) for line in contrasts]
    method = str(rows[0]["method"])
    if not all(told):
        tally.skip(f"Adjusted p-values by {method} where not every pair can be compared.")
    rows = [row for row, ok in zip(rows, told, strict=True) if ok]
    if not rows:
        return None
    lines = np.array([line for line, ok in zip(contrasts, told, strict=True) if ok])
    lines = lines[:, found.kept]
    covariance = lines @ found.fit.cov_params() @ lines.T
    difference, se = lines @ found.fit.params, np.sqrt(np.diag(covariance))
    names = [(str(row["a"]), str(row["b"])) for row in rows]
    for place, row in enumerate(rows):
        where = f"{name}, {row['a']} and {row['b']}"
        tally.note("comparisons", "difference", row["difference"], difference[place], where,
                   unit=se[place])  # fmt: skip
        tally.note("comparisons", "se", row["se"], se[place], where)
    # Means differ as treatment effects do, where every pair is told.
    means = {key: found.at(weight)[0] for key, weight in found.weights.items()}
    df = float(found.fit.df_resid)
    pairs = Pairs(names=names, t=difference / se, covariance=covariance, means=means, df=df)
    p = adjusted(method, pairs) if all(told) else None
    if p is None:
        if all(told):
            tally.skip(f"Adjusted p-values by {method}.")
        return None
    for place, row in enumerate(rows):
        tally.note("comparisons", "p_adjusted", row["p_adjusted"], float(p[place]),
                   f"{name}, {row['a']} and {row['b']}, {method}", unit=1.0,
                   allowed=DRAWN if method == "dunnett" else AGREES)  # fmt: skip
    return dict(zip(names, map(float, p), strict=True))
