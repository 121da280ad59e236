"""Means and tests of the factors of split-plot, strip-plot and factorial trials."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Sized
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.anova import (
    Keys,
    Part,
    Tested,
    in_order,
    letters_of,
    repeat_keys,
    response_keys,
    with_place,
)
from trialkit.analysis.plots.responses import FloatArray, IntArray
from trialkit.analysis.result import join_tables
from trialkit.inference.comparisons.methods import Method
from trialkit.inference.comparisons.procedures import Comparisons, compare, compare_means
from trialkit.inference.comparisons.strata_efficiency import splitting_efficiency
from trialkit.inference.design.scales import forward
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.factorial import (
    FactorialFit,
    FactorialTreatments,
    factorial_treatments,
    fit_factorial,
)
from trialkit.inference.normal.strata_fit import DifferenceKind, StratifiedFit
from trialkit.problems import Problem, warning
from trialkit.trial import Comparison, TreatmentRole, Trial

UNTREATED_AGAINST_REST = "untreated against the rest"
OUTSIDE_AGAINST_REST = "outside the factorial against the rest"
AMONG_OUTSIDE = "among those outside the factorial"
#: How many missing combinations a warning names.
_SHOWN = 4
#: Kinds of difference, in the words of the table.
BETWEEN: Mapping[DifferenceKind, str] = {
    "main": "two levels of the main factor",
    "sub": "two levels of the sub factor",
    "sub in main": "two levels of the sub factor at one level of the main factor",
    "main in sub": "two levels of the main factor at one level of the sub factor",
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Factors:
    """What the factors of a trial show.

    Attributes
    ----------
    anova : DataFrame
        With the lines of a factorial below that of the treatments.
    means, differences : DataFrame
        Tables ``factor_means`` and ``factor_differences``.
    problems : tuple of Problem
    """

    anova: pd.DataFrame
    means: pd.DataFrame
    differences: pd.DataFrame
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class _Factorial:
    """The factorial of the settings: what each treatment is made of, and names of the levels."""

    treatments: FactorialTreatments
    levels: tuple[tuple[str, ...], ...]


def factor_tables(basis: Basis) -> Factors:
    """Tabulate factors: those of main plots and subplots, or those that the settings name."""
    tested = basis.tested
    empty = join_tables("factor_means", []), join_tables("factor_differences", [])
    if tested is None:
        return Factors(anova=join_tables("anova", []), means=empty[0], differences=empty[1])
    if basis.plan.layout.units:
        problems: tuple[Problem, ...] = (_stands_aside(),) if basis.settings.factors else ()
        means, differences = _of_strata(basis, tested)
        return Factors(anova=tested.anova, means=means, differences=differences, problems=problems)
    if not basis.settings.factors:
        return Factors(anova=tested.anova, means=empty[0], differences=empty[1])
    factorial, problems = _read_factorial(basis.trial)
    if factorial is None:
        return Factors(anova=tested.anova, means=empty[0], differences=empty[1], problems=problems)
    anova, means = _of_factorial(basis, tested, factorial)
    return Factors(anova=anova, means=means, differences=empty[1], problems=problems)


def _stands_aside() -> Problem:
    return warning(
        "factors-unfit",
        "The settings name factors of a factorial; in this design the factors are those of the "
        "columns main_factor and sub_factor, and the setting was not followed.",
        "Take factors out of the settings.",
    )


# --- split-plots and strip-plots ---------------------------------------------------------


def _of_strata(basis: Basis, tested: Tested) -> tuple[pd.DataFrame, pd.DataFrame]:
    keys = response_keys(basis.responses, basis.scales)
    counted = np.column_stack([item.values for item in basis.responses])
    means, differences = [], []
    for fit in tested.fits:
        if not isinstance(fit, StratifiedFit):
            continue
        for item, (_, names) in zip(basis.plan.layout.factors, basis.plan.levels, strict=True):
            rows = fit.mean_rows(item.name)[0]
            found = fit.contrasts(rows)
            marks = letters_of(_compared(fit, item.name, rows, basis), found.estimate)
            means.append(
                _means_rows(
                    keys,
                    fit.columns,
                    item.name,
                    names,
                    (found.estimate, found.se),
                    marks,
                    counted,
                    item.codes,
                )
            )
        differences.append(_difference_rows(keys, fit.columns, fit))
    return in_order("factor_means", means), in_order("factor_differences", differences)


def _compared(
    fit: StratifiedFit, factor: str, rows: FloatArray, basis: Basis
) -> Comparisons | None:
    chosen, alpha = basis.settings.comparison, basis.settings.alpha
    if chosen in {Comparison.NONE, Comparison.DUNNETT}:
        return None
    p = fit.term(factor).p
    return compare(fit, Method(chosen.value), rows=rows, alpha=alpha, overall_p=p)


def _means_rows(
    keys: Keys,
    responses: IntArray,
    factor: str,
    names: Sequence[str],
    found: tuple[FloatArray, FloatArray],
    marks: list[str | None],
    counted: FloatArray,
    codes: IntArray,
) -> Part:
    """Rows of the levels (m, k) of one factor; plots with code -1 belong to none."""
    size = len(names)
    values = counted[:, responses]
    known = np.isfinite(values)
    member = (codes[None, :] == np.arange(size)[:, None]).astype(float)
    number = member @ known
    total = member @ np.where(known, values, 0.0)
    mean = np.divide(total, number, out=np.full(total.shape, np.nan), where=number > 0)
    columns: dict[str, Sized] = {**repeat_keys(keys, responses, size)}
    del columns["transform"]
    columns |= {
        "factor": [factor] * (size * responses.size),
        "level": list(names) * responses.size,
        "n": number.T.ravel(),
        "mean": mean.T.ravel(),
        "mean_analysed": found[0].T.ravel(),
        "se": found[1].T.ravel(),
        "letters": marks,
    }
    return with_place(columns, responses, size)


def _difference_rows(keys: Keys, responses: IntArray, fit: StratifiedFit) -> Part:
    found = fit.standard_errors()
    columns: dict[str, Sized] = {**repeat_keys(keys, responses, len(BETWEEN))}
    del columns["transform"]
    columns["between"] = list(BETWEEN.values()) * responses.size
    columns["se"] = np.stack([found[kind][0] for kind in BETWEEN]).T.ravel()
    columns["df"] = np.stack([found[kind][1] for kind in BETWEEN]).T.ravel()
    worth = splitting_efficiency(fit)
    columns["relative_efficiency"] = np.stack([worth.adjusted[kind] for kind in BETWEEN]).T.ravel()
    columns["reason"] = [text or None for text in np.repeat(worth.reason, len(BETWEEN))]
    return with_place(columns, responses, len(BETWEEN))


# --- factorials --------------------------------------------------------------------------


def _plain(name: str) -> str:
    return "".join(mark for mark in name.casefold() if mark.isalnum())


def _column(trial: Trial, name: str) -> list[str] | None:
    """Text of a column of the list of treatments, or None where there is none of that name."""
    plain = _plain(name)
    known = {
        "name": [item.name for item in trial.treatments],
        "rate": ["" if item.rate is None else f"{item.rate:g}" for item in trial.treatments],
        "rateunit": [item.rate_unit or "" for item in trial.treatments],
        "modeofaction": [item.mode_of_action or "" for item in trial.treatments],
        "applications": [", ".join(item.applications) for item in trial.treatments],
    }
    if plain in known:
        return known[plain]
    found = [
        next((text for key, text in item.extra.items() if _plain(key) == plain), "")
        for item in trial.treatments
    ]
    return found if any(found) else None


def _read_factorial(trial: Trial) -> tuple[_Factorial | None, tuple[Problem, ...]]:
    columns: list[list[str]] = []
    for name in trial.settings.factors:
        column = _column(trial, name)
        if column is None:
            further = dict.fromkeys(key for item in trial.treatments for key in item.extra)
            known = ", ".join(["name", "rate", "mode_of_action", *further])
            return None, (
                _unfit(f"The factor {name} is no column of the treatments. Known are {known}."),
            )
        columns.append(column)
    outside = _outside(trial, columns)
    codes, levels = [], []
    for column in columns:
        names = tuple(
            dict.fromkeys(text for text, out in zip(column, outside, strict=True) if not out)
        )
        levels.append(names)
        codes.append(
            [-1 if out else names.index(text) for text, out in zip(column, outside, strict=True)]
        )
    if any(len(names) < 2 for names in levels):
        few = trial.settings.factors[[len(names) < 2 for names in levels].index(True)]
        return None, (_unfit(f"The factor {few} has fewer than two levels."),)
    try:
        made = factorial_treatments(list(zip(trial.settings.factors, codes, strict=True)))
    except NotEstimable as fault:
        return None, (_unfit(f"The treatments make no factorial: {fault}."),)
    factorial = _Factorial(treatments=made, levels=tuple(levels))
    lacking = made.missing()
    return factorial, ((_incomplete(trial, factorial, lacking),) if lacking else ())


def _incomplete(
    trial: Trial, factorial: _Factorial, lacking: tuple[tuple[int, ...], ...]
) -> Problem:
    shown = [
        " with ".join(names[level] for names, level in zip(factorial.levels, levels, strict=True))
        for levels in lacking[:_SHOWN]
    ]
    more = f" and {len(lacking) - _SHOWN} more" if len(lacking) > _SHOWN else ""
    return warning(
        "factors-incomplete",
        f"No treatment combines {', '.join(shown)}{more} ({', '.join(trial.settings.factors)}).",
        "Means of a level that would run over them are left out, and each factor is tested given "
        "the others; read the treatments themselves first.",
    )


def _outside(trial: Trial, columns: Sequence[Sequence[str]]) -> list[bool]:
    """Which treatments stand outside: those without a level, and the untreated.

    An untreated whose levels are all those of other treatments too belongs to the factorial.
    """
    outside = []
    for place, item in enumerate(trial.treatments):
        own = [column[place] for column in columns]
        shared = all(
            text and text in [*column[:place], *column[place + 1 :]]
            for text, column in zip(own, columns, strict=True)
        )
        untreated = item.id == trial.untreated or item.role is TreatmentRole.UNTREATED
        outside.append(not all(own) or (untreated and not shared))
    return outside


def _unfit(what: str) -> Problem:
    return warning(
        "factors-unfit",
        f"{what} The treatments were compared without their factors.",
        "Correct factors in the settings, or the columns of the treatments.",
    )


def _of_factorial(
    basis: Basis, tested: Tested, factorial: _Factorial
) -> tuple[pd.DataFrame, pd.DataFrame]:
    keys = response_keys(basis.responses, basis.scales)
    counted = np.column_stack([item.values for item in basis.responses])
    analysed = np.column_stack(
        [
            forward(name, item.values)
            for item, name in zip(basis.responses, basis.scales, strict=True)
        ]
    )
    lines, means = [], []
    for fit in fit_factorial(basis.plan.layout, factorial.treatments, analysed):
        lines.append(_anova_rows(fit, keys, _words(basis.trial, factorial)))
        for place, name in enumerate(factorial.treatments.names):
            found = fit.marginal_means(name)
            made = _compared_levels(fit, name, basis)
            codes = factorial.treatments.levels[basis.plan.treatment, place]
            means.append(
                _means_rows(
                    keys,
                    fit.fit.columns,
                    name,
                    factorial.levels[place],
                    (found.means, found.se),
                    letters_of(made, found.means),
                    counted,
                    codes,
                )
            )
    return _below_treatments(tested.anova, in_order("anova", lines)), in_order(
        "factor_means", means
    )


def _words(trial: Trial, factorial: _Factorial) -> dict[str, str]:
    """Words for the lines that compare with what stands outside."""
    out = np.flatnonzero(~factorial.treatments.inside)
    alone = len(out) == 1 and trial.treatments[out[0]].id == trial.untreated
    return {
        "factorial against outside": UNTREATED_AGAINST_REST if alone else OUTSIDE_AGAINST_REST,
        "outside": AMONG_OUTSIDE,
    }


def _anova_rows(fit: FactorialFit, keys: Keys, words: Mapping[str, str]) -> Part:
    terms = [term for term in fit.terms if term.df > 0]
    responses, count = fit.fit.columns, len(terms)
    columns: dict[str, Sized] = {**repeat_keys(keys, responses, count)}
    columns["source"] = [words.get(term.source, term.source) for term in terms] * responses.size
    columns["df"] = [float(term.df) for term in terms] * responses.size
    for name in ("sum_sq", "mean_sq", "F", "p"):
        columns[name] = np.stack([getattr(term, name) for term in terms]).T.ravel()
    return with_place(columns, responses, count)


def _compared_levels(fit: FactorialFit, name: str, basis: Basis) -> Comparisons | None:
    """Compare the levels of one factor by the procedure of the settings."""
    chosen = basis.settings.comparison
    if chosen in {Comparison.NONE, Comparison.DUNNETT}:
        return None
    found = fit.marginal_means(name)
    return compare_means(
        found.means,
        found.unit_cov,
        fit.fit.ms_error,
        fit.fit.df_error,
        Method(chosen.value),
        alpha=basis.settings.alpha,
        overall_p=fit.term(name).p,
    )


def _below_treatments(anova: pd.DataFrame, lines: pd.DataFrame) -> pd.DataFrame:
    """Put the lines of the factors between the treatments and the error of each response."""
    joined = pd.concat([anova, lines], ignore_index=True)
    # Undefined days are not equal to themselves.
    named = zip(
        joined["variable"], joined["measure"], joined["days_after"].fillna(np.inf), strict=True
    )
    order: dict[tuple[str, str, float], int] = {}
    place = np.array([order.setdefault(key, len(order)) for key in named]) * 3
    place[len(anova) :] += 1
    place[: len(anova)] += 2 * (anova["source"] == "error").to_numpy(dtype=np.intp)
    return joined.iloc[np.argsort(place, kind="stable")].reset_index(drop=True)
