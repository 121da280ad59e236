"""A recorded trial fitted again through statsmodels and scipy alone.

Nothing but the data of the trial and the names of scale and procedure are taken from the record:
plots are averaged, brought to the scale, fitted and compared by general libraries.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.problems import TrialError, error
from trialkit.record.reading import trial_from_record
from trialkit.trial import Design, Trial
from trialkit.trial_tables import EXAMINED

Row = Mapping[str, Any]
#: Table and column to recorded value, value found, what a difference is measured by, and row.
Pairs = dict[tuple[str, str], list[tuple[float, float, float, str]]]
#: Differences below this share are rounding and quadrature.
AGREES = 1e-6
#: Share of the sum of squares below which what is left is rounding.
_NO_ERROR = 1e-20
KEYS = ("variable", "measure", "days_after")
_ADJUSTED = {"bonferroni": "bonferroni", "sidak": "sidak", "holm": "holm", "fdr": "fdr_bh"}
MODELS = {
    Design.CRD: "y ~ C(t)",
    Design.RCBD: "y ~ C(block) + C(t)",
    Design.LATIN: "y ~ C(row) + C(column) + C(t)",
    Design.SPLIT_PLOT: "y ~ C(block) + C(main) + C(block):C(main) + C(sub) + C(main):C(sub)",
    Design.STRIP_PLOT: "y ~ C(block) + C(main) + C(block):C(main) + C(sub) + C(block):C(sub)"
    " + C(main):C(sub)",
}
SOURCES = {
    "C(block)": "block",
    "C(row)": "row",
    "C(column)": "column",
    "C(t)": "treatment",
    "C(main)": "main",
    "C(sub)": "sub",
    "C(main):C(sub)": "main:sub",
    "C(block):C(main)": "error_main",
    "C(block):C(sub)": "error_sub",
    "Residual": "error",
}

#: Scales of analysis, written a second time on purpose.
_SCALES: Mapping[str, Callable[[Any], Any]] = {
    "none": lambda v: v,
    "sqrt": lambda v: np.sqrt(v + 0.5),
    "log": lambda v: np.log10(v + 1),
    "arcsine": lambda v: np.arcsin(np.sqrt(v / 100)),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TableAgreement:
    """How far one column of one recorded table is from the second route.

    Attributes
    ----------
    table, column : str
    compared : int
        Numbers that both give.
    largest : float
        Largest difference: of p-values as it is, of differences of means in standard errors, of
        all else as a share.
    where : str
        Row of the largest.
    """

    table: str
    column: str
    compared: int
    largest: float
    where: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondRoute:
    """Outcome of the second route.

    Attributes
    ----------
    tables : tuple of TableAgreement
    cannot : tuple of str
        What the libraries do not fit, or what they would need our own arithmetic for.
    """

    tables: tuple[TableAgreement, ...]
    cannot: tuple[str, ...]

    @property
    def same(self) -> bool:
        """Whether something was compared, and all of it agrees."""
        return bool(self.tables) and all(item.largest <= AGREES for item in self.tables)


def second_route(record: Mapping[str, Any]) -> SecondRoute:
    """Fit a recorded trial again through statsmodels and scipy, and compare.

    Parameters
    ----------
    record : mapping
        As ``read_record`` gives it.

    Raises
    ------
    TrialError
        When a part of the record is damaged, or statsmodels is not installed.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.example_trial("leaf_disease_wheat")
    >>> written = trialkit.report_trial(trial, "report", formats=())
    >>> trialkit.second_route(trialkit.read_record(written.paths[-1])).same
    True
    """
    try:
        import statsmodels.api  # noqa: F401 - asked for here, so that its lack is told plainly
    except ImportError:
        raise TrialError(
            [
                error(
                    "no-second-route",
                    "The second route needs statsmodels, which is not installed.",
                    "Install it: pip install statsmodels.",
                )
            ]
        ) from None
    trial = trial_from_record(record)
    tables = record["tables"]
    pairs: Pairs = {}
    cannot: dict[str, None] = {}
    if any(plot.replicate is not None for plot in trial.plots) or trial.main_plots is not None:
        return SecondRoute(tables=(), cannot=("Incomplete blocks, or main plots of a design.",))
    data, told = plot_values(trial)
    cannot.update(dict.fromkeys(told))
    for item in tables.get("responses", []):
        key = tuple(item.get(name) for name in KEYS)
        if key not in data:
            cannot[f"{key[0]}, {key[1]}: its plot values need more than plain averages."] = None
            continue
        _one(trial, data[key], item, tables, pairs, cannot)
    made = [_worst(table, column, values) for (table, column), values in pairs.items()]
    cannot["Intervals, letters, percent control, persistence, count models, courses."] = None
    return SecondRoute(tables=tuple(made), cannot=tuple(cannot))


def _worst(
    table: str, column: str, values: Sequence[tuple[float, float, float, str]]
) -> TableAgreement:
    gaps = [abs(old - new) / unit for old, new, unit, _ in values]
    place = int(np.argmax(gaps))
    return TableAgreement(
        table=table,
        column=column,
        compared=len(values),
        largest=gaps[place],
        where=values[place][3],
    )


def errors_of(design: Design) -> dict[str, str]:
    """Which error each source is tested against, where that is not the error of the plots."""
    if design is Design.STRIP_PLOT:
        return {"main": "error_main", "sub": "error_sub"}
    return {"main": "error_main"} if design is Design.SPLIT_PLOT else {}


def plot_values(trial: Trial) -> tuple[dict[tuple[Any, ...], pd.Series], tuple[str, ...]]:
    """Plot values of every response that plain averages give, on the scale as counted.

    Returns
    -------
    dict and tuple of str
        By variable, measure and day, a value for each plot; and what was left out.
    """
    cannot: list[str] = []
    counts = trial.counts
    if EXAMINED in counts and counts[EXAMINED].notna().any():
        shares = set(counts.loc[counts[EXAMINED].notna(), "variable"])
        cannot.append("Shares of unequal numbers examined.")
        counts = counts[~counts["variable"].isin(shares)]
    plots = [plot.id for plot in trial.plots]
    found: dict[tuple[Any, ...], pd.Series] = {}
    for variable, own in counts.groupby("variable"):
        wide = own.groupby(["plot", "day"])["value"].mean().reset_index()
        wide = wide.pivot_table(index="plot", columns="day", values="value").reindex(plots)
        for day in wide.columns:
            found[variable, "count", day] = wide[day]
        before = [day for day in wide.columns.to_numpy(dtype=float) if day <= 0]
        period = wide[[day for day in wide.columns if not before or day >= before[-1]]]
        if period.shape[1] > 1 and not period.isna().any(axis=None):
            area = np.trapezoid(period.to_numpy(), period.columns.to_numpy(dtype=float), axis=1)
            found[variable, "pest_days", None] = pd.Series(area, index=plots)
    for variable, own in trial.yields.groupby("variable"):
        found[variable, "yield", None] = own.set_index("plot")["value"].reindex(plots)
    return found, tuple(cannot)


def _one(
    trial: Trial,
    values: pd.Series,
    item: Row,
    tables: Mapping[str, Sequence[Row]],
    pairs: Pairs,
    cannot: dict[str, None],
) -> None:
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    key = tuple(item.get(name) for name in KEYS)
    name = f"{key[0]}, {key[1]}" + (f", day {key[2]:g}" if key[2] is not None else "")
    frame = _frame(trial, values, item["transform"]).dropna(subset="y")
    several = trial.design in (Design.SPLIT_PLOT, Design.STRIP_PLOT)
    if several and len(frame) < len(trial.plots):
        cannot[f"{name}: missing plots with several errors."] = None
        return
    if frame["y"].nunique() < 2 or not any(rows_at(tables, "anova", key)):
        cannot[f"{name}: nothing was tested."] = None
        return
    model = ols(MODELS[trial.design], frame)
    if np.linalg.matrix_rank(model.exog) < model.exog.shape[1]:
        cannot[f"{name}: plots are missing so that not all effects can be told apart."] = None
        return
    fit = model.fit()
    if fit.df_resid < 1 or fit.ssr <= _NO_ERROR * fit.centered_tss:
        cannot[f"{name}: no variance is left for error."] = None
        return
    table = anova_lm(fit, typ=1)

    def note(where: tuple[str, str], old: object, new: float, row: str, unit: float = 0) -> None:
        if isinstance(old, int | float) and math.isfinite(new):
            unit = unit or max(abs(old), abs(new), 1e-9)
            pairs.setdefault(where, []).append((float(old), new, unit, f"{name}, {row}"))

    by_source = {SOURCES[index]: row for index, row in table.iterrows()}
    errors = errors_of(trial.design)
    for row in rows_at(tables, "anova", key):
        source = by_source.get(str(row["source"]))
        if source is None:
            cannot[f"Source {row['source']} of the analysis of variance."] = None
            continue
        note(("anova", "df"), row["df"], source["df"], row["source"])
        note(("anova", "sum_sq"), row["sum_sq"], source["sum_sq"], row["source"])
        own = errors.get(str(row["source"]), "error")
        if row.get("F") is not None and row["source"] not in {"block", "row", "column"}:
            against = by_source[own]
            ratio = source["mean_sq"] / against["mean_sq"]
            note(("anova", "F"), row["F"], ratio, row["source"])
            p = float(stats.f.sf(ratio, source["df"], against["df"]))
            note(("anova", "p"), row["p"], p, row["source"], 1.0)
    if several:
        cannot["Comparisons where there are several errors."] = None
        return
    rows = rows_at(tables, "comparisons", key)
    for where, column, old, new, unit in _compared(fit, frame, rows, cannot):
        note(("comparisons", column), old, new, where, unit)


def rows_at(tables: Mapping[str, Sequence[Row]], table: str, key: tuple[Any, ...]) -> Iterator[Row]:
    """Rows of a table that belong to one response."""
    return (row for row in tables.get(table, []) if tuple(row.get(name) for name in KEYS) == key)


def _frame(trial: Trial, values: pd.Series, transform: str) -> pd.DataFrame:
    y = values.to_numpy(dtype=float)
    scale = _SCALES[transform]
    return pd.DataFrame(
        {
            "y": scale(y),
            "t": [plot.treatment for plot in trial.plots],
            "block": [plot.block for plot in trial.plots],
            "row": [plot.row for plot in trial.plots],
            "column": [plot.column for plot in trial.plots],
            "main": [plot.main_factor for plot in trial.plots],
            "sub": [plot.sub_factor for plot in trial.plots],
        }
    )


def _compared(
    fit: Any, frame: pd.DataFrame, rows: Iterator[Row], cannot: dict[str, None]
) -> Iterator[tuple[str, str, object, float, float]]:
    """Differences, their standard errors, and p-values by the procedure that is recorded."""
    effects = {"C(t)[T." + name + "]": name for name in frame["t"].unique()}
    places = {effects[label]: i for i, label in enumerate(fit.params.index) if label in effects}
    names = sorted(frame["t"].unique())
    numbers: dict[tuple[str, str], tuple[float, float]] = {}
    covariance = fit.cov_params().to_numpy()
    for a, b in combinations(names, 2):
        weights = np.zeros(len(fit.params))
        for name, sign in ((a, 1.0), (b, -1.0)):
            if name in places:
                weights[places[name]] += sign
        difference = float(weights @ fit.params.to_numpy())
        se = float(np.sqrt(weights @ covariance @ weights))
        numbers[a, b], numbers[b, a] = (difference, se), (-difference, se)
    by_method: dict[str, list[Row]] = {}
    for row in rows:
        by_method.setdefault(str(row["method"]), []).append(row)
    for method, own in by_method.items():
        own = [row for row in own if (row["a"], row["b"]) in numbers]
        found = [numbers[row["a"], row["b"]] for row in own]
        p = _adjusted(method, np.array([d / s for d, s in found]), len(names), fit.df_resid)
        if p is None:
            cannot[f"Adjusted p-values of the procedure {method}."] = None
        for place, (row, (difference, se)) in enumerate(zip(own, found, strict=True)):
            where = f"{row['a']} and {row['b']}"
            yield where, "difference", row["difference"], difference, se
            yield where, "se", row["se"], se, se
            if p is not None:
                yield where, "p_adjusted", row["p_adjusted"], float(p[place]), 1.0


def _adjusted(method: str, t: Any, treatments: int, df: float) -> Any:
    from statsmodels.stats.multitest import multipletests

    alone = 2 * stats.t.sf(np.abs(t), df)
    if method == "tukey":
        return stats.studentized_range.sf(np.abs(t) * math.sqrt(2), treatments, df)
    if method in {"lsd", "none"}:
        return alone
    if method == "scheffe":
        return stats.f.sf(t**2 / (treatments - 1), treatments - 1, df)
    if method in _ADJUSTED and t.size == treatments * (treatments - 1) // 2:
        return multipletests(alone, method=_ADJUSTED[method])[1]
    return None


def second_route_lines(found: SecondRoute) -> list[str]:
    """Write the outcome for a terminal."""
    from trialkit.desk.page import wrapped

    head = "Second route (statsmodels and scipy, from the data alone): "
    if not found.tables:
        head += "nothing could be compared."
    else:
        head += "all agrees." if found.same else "some numbers differ."
    lines = wrapped(head)
    for item in found.tables:
        kind = {
            "p": "difference",
            "p_adjusted": "difference",
            "difference": "difference in standard errors",
        }.get(item.column, "relative difference")
        lines += wrapped(
            f"{item.table}, {item.column}: {item.compared:,} numbers, largest {kind} "
            f"{item.largest:.1e} ({item.where})",
            "  ",
            "    ",
        )
    lines += wrapped("What it cannot do:") if found.cannot else []
    for text in found.cannot:
        lines += wrapped(text, "  ", "    ")
    return lines
