"""Means and tests of the factors of split-plot, strip-plot and factorial trials."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence, Sized
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.anova import (
    Keys,
    Part,
    Tested,
    comparison_table,
    in_order,
    letters_of,
    repeat_keys,
    response_keys,
    with_place,
)
from trialkit.analysis.plots.responses import FloatArray, IntArray
from trialkit.analysis.result import join_tables
from trialkit.inference.comparisons.methods import Method
from trialkit.inference.comparisons.procedures import Comparisons, compare
from trialkit.inference.comparisons.splitting_efficiency import splitting_efficiency
from trialkit.inference.design.scales import by_column, forward
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.fit import Fit
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
    means, comparisons, differences : DataFrame
        Tables ``factor_means``, ``factor_comparisons`` and ``factor_differences``.
    problems : tuple of Problem
    """

    anova: pd.DataFrame
    means: pd.DataFrame
    comparisons: pd.DataFrame
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
    if tested is None:
        return _nothing(join_tables("anova", []))
    if tested.strata is not None:
        problems: tuple[Problem, ...] = (_stands_aside(),) if basis.settings.factors else ()
        means, pairs = _tabulate(basis, _levels_in_units(basis, tested.strata))
        return Factors(
            anova=tested.anova,
            means=means,
            comparisons=pairs,
            differences=_standard_errors(basis, tested.strata),
            problems=problems,
        )
    if not basis.settings.factors:
        return _nothing(tested.anova)
    factorial, problems = _read_factorial(basis.trial)
    if factorial is None:
        return _nothing(tested.anova, problems)
    return replace(_of_factorial(basis, tested, factorial), problems=problems)


def _nothing(anova: pd.DataFrame, problems: tuple[Problem, ...] = ()) -> Factors:
    means, pairs, differences = (
        join_tables(f"factor_{name}", []) for name in ("means", "comparisons", "differences")
    )
    return Factors(
        anova=anova, means=means, comparisons=pairs, differences=differences, problems=problems
    )


def _stands_aside() -> Problem:
    return warning(
        "factors-unfit",
        "The settings name factors of a factorial; in this design the factors are those of the "
        "columns main_factor and sub_factor, and the setting was not followed.",
        "Take factors out of the settings.",
    )


# --- split-plots and strip-plots ---------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class _Levels:
    """The levels of one factor in one fit.

    Attributes
    ----------
    fit : Fit
    factor : str
    names : tuple of str
        Levels.
    codes : int array, shape (plots,)
        Level of each plot; -1 outside the factorial.
    rows : float array, shape (levels, means of the fit)
        Coefficients of the means of the levels.
    p : float array, shape (responses of the fit,)
        Of the line of the factor.
    """

    fit: Fit
    factor: str
    names: tuple[str, ...]
    codes: IntArray
    rows: FloatArray
    p: FloatArray


def _tabulate(basis: Basis, found: Iterable[_Levels]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Tables ``factor_means`` and ``factor_comparisons``."""
    keys = response_keys(basis.responses, basis.scales)
    counted = np.column_stack([item.values for item in basis.responses])
    chosen, alpha = basis.settings.comparison, basis.settings.alpha
    # Levels have no untreated among them: where Dunnett is asked for, all pairs are held together.
    method = Method.TUKEY if chosen is Comparison.DUNNETT else Method(chosen.value)
    means, pairs = [], []
    for item in found:
        made = compare(item.fit, method, rows=item.rows, alpha=alpha, overall_p=item.p)
        lettered = None if chosen in {Comparison.NONE, Comparison.DUNNETT} else made
        means.append(_means_rows(keys, item, counted, lettered))
        if chosen is not Comparison.NONE:
            pairs.append(comparison_table(made, item.fit.columns, item.names, keys, item.factor))
    return in_order("factor_means", means), in_order("factor_comparisons", pairs)


def _levels_in_units(basis: Basis, fit: StratifiedFit) -> Iterator[_Levels]:
    """Levels of the factors of main plots and subplots, or of strips."""
    for item, (_, names) in zip(basis.plan.layout.factors, basis.plan.levels, strict=True):
        yield _Levels(
            fit=fit,
            factor=item.name,
            names=names,
            codes=item.codes,
            rows=fit.mean_rows(item.name)[0],
            p=fit.term(item.name).p,
        )


def _standard_errors(basis: Basis, fit: StratifiedFit) -> pd.DataFrame:
    keys = response_keys(basis.responses, basis.scales)
    return in_order("factor_differences", [_difference_rows(keys, fit)])


def _means_rows(keys: Keys, item: _Levels, counted: FloatArray, made: Comparisons | None) -> Part:
    """Rows of the levels of one factor."""
    responses, size = item.fit.columns, len(item.names)
    found = item.fit.contrasts(item.rows)
    values = counted[:, responses]
    known = np.isfinite(values)
    member = (item.codes[None, :] == np.arange(size)[:, None]).astype(float)
    number = member @ known
    total = member @ np.where(known, values, 0.0)
    mean = np.divide(total, number, out=np.full(total.shape, np.nan), where=number > 0)
    columns: dict[str, Sized] = {**repeat_keys(keys, responses, size)}
    del columns["transform"]
    columns |= {
        "factor": [item.factor] * (size * responses.size),
        "level": list(item.names) * responses.size,
        "n": number.T.ravel(),
        "mean": mean.T.ravel(),
        "mean_analysed": found.estimate.T.ravel(),
        "se": found.se.T.ravel(),
        "letters": letters_of(made, found.estimate),
    }
    return with_place(columns, responses, size)


def _difference_rows(keys: Keys, fit: StratifiedFit) -> Part:
    responses = fit.columns
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


def _of_factorial(basis: Basis, tested: Tested, factorial: _Factorial) -> Factors:
    keys = response_keys(basis.responses, basis.scales)
    counted = np.column_stack([item.values for item in basis.responses])
    analysed = by_column(forward, basis.scales, counted)
    fits = fit_factorial(basis.plan.layout, factorial.treatments, analysed)
    words = _words(basis.trial, factorial)
    lines = in_order("anova", [_anova_rows(fit, keys, words) for fit in fits])
    means, pairs = _tabulate(basis, _levels_of_factorial(basis, factorial, fits))
    return replace(_nothing(_below_treatments(tested.anova, lines)), means=means, comparisons=pairs)


def _levels_of_factorial(
    basis: Basis, factorial: _Factorial, fits: Iterable[FactorialFit]
) -> Iterator[_Levels]:
    for fit in fits:
        for place, name in enumerate(factorial.treatments.names):
            yield _Levels(
                fit=fit.fit,
                factor=name,
                names=factorial.levels[place],
                codes=factorial.treatments.levels[basis.plan.treatment, place],
                rows=fit.level_rows(name),
                p=fit.term(name).p,
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
    terms = [term for term in fit.terms if float(term.df) > 0]
    responses, count = fit.fit.columns, len(terms)
    columns: dict[str, Sized] = {**repeat_keys(keys, responses, count)}
    columns["source"] = [words.get(term.source, term.source) for term in terms] * responses.size
    columns["df"] = [float(term.df) for term in terms] * responses.size
    columns["df_error"] = [float(term.df_error) for term in terms] * responses.size
    for name in ("sum_sq", "mean_sq", "F", "p"):
        columns[name] = np.stack([getattr(term, name) for term in terms]).T.ravel()
    return with_place(columns, responses, count)


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
