"""Counts and shares k of n through generalized linear models of statsmodels."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import optimize, stats

from trialkit.analysis.supporting.shares import DEALT_ANEW
from trialkit.desk.second_route.agreement import SEARCHED, Tally
from trialkit.desk.second_route.plots import (
    PlotValues,
    Row,
    frame_of,
    full_rank,
    grouping,
    indicator,
)
from trialkit.trial import Trial

#: Range in which a dispersion is looked for; at its lower end counts vary as Poisson does.
_DISPERSIONS = (1e-7, 30.0)
_LARGEST_CORRELATION = 0.99
#: A fitted share of the largest that stands for none.
_NONE = 1e-6
_FIT = {"tol": 1e-12, "maxiter": 300}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """Counts, or shares with the numbers examined, and the columns they are fitted by."""

    y: Any
    weights: Any
    matrix: Any

    @classmethod
    def of(cls, frame: Any, names: Sequence[str]) -> _Part:
        weights = frame["weight"].to_numpy(dtype=float)
        matrix = full_rank(_stack(frame, names))
        return cls(y=frame["y"].to_numpy(), weights=weights, matrix=matrix)

    def fit(self, family: Any, **more: Any) -> Any:
        """Fit by iterated least squares of statsmodels.

        Raises
        ------
        ArithmeticError
            Where they do not settle.
        """
        from statsmodels.api import GLM

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = GLM(self.y, self.matrix, family=family, **more).fit(**_FIT)
        if not found.converged:
            raise ArithmeticError
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class _Model:
    """One response with and without treatments.

    Attributes
    ----------
    whole, blocks : _Part
        Over the plots that bear on each fit.
    df : float
        Of treatments, over all plots that were assessed.
    excess : float
        What the deviance of few aggregated plots exceeds its degrees of freedom by, for each
        dispersion: a sixth of ``sum(1 / n) - 1 / N`` over treatments (Bartlett's correction).
    """

    whole: _Part
    blocks: _Part
    df: float
    excess: float
    share: bool

    @property
    def endless(self) -> bool:
        """Whether a plot is fitted with none (or all), to which no effect leads but an endless one.

        Curvature and deviance there depend on where a search stops.
        """
        from statsmodels.api import families

        more = {"var_weights": self.whole.weights} if self.share else {}
        family = families.Binomial() if self.share else families.Poisson()
        fitted = self.whole.fit(family, **more).mu
        least = fitted.min() / fitted.max()
        return bool(least < _NONE or (self.share and (1 - fitted).min() < _NONE))

    @property
    def df_error(self) -> float:
        """Plots less parameters."""
        return float(len(self.whole.y) - self.whole.matrix.shape[1])


def compare_counts(
    trial: Trial, data: PlotValues, tables: Mapping[str, Sequence[Row]], tally: Tally
) -> None:
    """Fit every count and share of ``count_tests`` again, and compare tests and dispersions."""
    by_day: dict[tuple[str, float], list[Row]] = {}
    for row in tables.get("count_tests", []):
        by_day.setdefault((row["variable"], row["days_after"]), []).append(row)
    for (variable, day), rows in by_day.items():
        name = f"{variable}, day {day:g}"
        if any(row.get("source") for row in rows):
            tally.skip("Count and share models in split-plots and strip-plots.")
            continue
        key = (variable, "count", day)
        if key not in data.values:
            continue
        try:
            _compare_day(trial, data, key, rows, tally)
        except (np.linalg.LinAlgError, ValueError, ArithmeticError):
            tally.skip(f"{name}: the search of the general library does not settle.")


def _compare_day(
    trial: Trial, data: PlotValues, key: tuple[str, str, float], rows: Sequence[Row], tally: Tally
) -> None:
    name = f"{key[0]}, day {key[2]:g}"
    examined = data.examined.get((key[0], key[2]))
    model = _model(trial, data, key)
    if model is None:
        tally.skip(f"{name}: too few plots with some for a count model.")
        return
    if model.endless:
        tally.skip(f"{name}: plots so empty that an effect has no finite value.")
        return
    fits: dict[str, Callable[[_Model], Mapping[str, float]]] = (
        {"beta-binomial": _beta_binomial, "quasi-binomial": _quasi_binomial}
        if examined is not None
        else {
            "negative binomial": lambda own: _negative_binomial(own)[0],
            "negative binomial, likelihood ratio": lambda own: _negative_binomial(own)[1],
            "quasi-Poisson": _quasi_poisson,
        }
    )
    for row in rows:
        if row["model"] not in fits or row["p"] is None:
            continue
        searched = row["model"].startswith(("negative", "beta"))
        found = dict(fits[row["model"]](model))
        if row["note"] == DEALT_ANEW:
            del found["p"]
        for column, number in found.items():
            unit = {"p": 1.0, "dispersion": max(number, 1.0)}.get(column, max(abs(number), 1e-2))
            tally.note("count_tests", column, row[column], number, f"{name}, {row['model']}",
                       unit=unit,
                       allowed=SEARCHED if searched else 1e-5)  # fmt: skip


def _model(trial: Trial, data: PlotValues, key: tuple[str, str, float]) -> _Model | None:
    frame = frame_of(trial, data.values[key], "none")
    examined = data.examined.get((key[0], key[2]))
    share = examined is not None
    if examined is not None:
        frame = frame.assign(weight=examined.reindex(frame.index), y=frame["y"] / 100)
    else:
        frame = frame.assign(weight=1.0, y=frame["y"] / data.steps[key[0]])
    groups = grouping(trial)
    before = full_rank(_stack(frame, groups))
    df = full_rank(_stack(frame, (*groups, "t"))).shape[1] - before.shape[1]
    live, beside = (_with_some(frame, names, share=share) for names in (("t", *groups), groups))
    if len(live) < 3 or df < 1:
        return None
    number = live["t"].value_counts()
    return _Model(
        whole=_Part.of(live, ("t", *groups)),
        blocks=_Part.of(beside, groups),
        df=float(df),
        excess=max(float((1 / number).sum()) - 1 / len(live), 0.0) / 6,
        share=share,
    )


def _with_some(frame: Any, names: Sequence[str], *, share: bool) -> Any:
    """Leave out levels of zeros (or of all), which are fitted as they are and tell no more."""
    if not names:
        return frame if frame["y"].sum() > 0 else frame.iloc[:0]
    size = -1
    while len(frame) != size:
        size = len(frame)
        for name in names:
            level = frame.groupby(name)["y"].transform("mean")
            frame = frame[(level > 0) & ((level < 1) | (not share))]
    return frame


def _stack(frame: Any, names: Sequence[str]) -> Any:
    return np.hstack([np.ones((len(frame), 1)), *(indicator(frame[name]) for name in names)])


def _tests(model: _Model, gain: float, scale: float, excess: float = 0.0) -> dict[str, float]:
    """Deviance that treatments take away, over the scale, by F."""
    f = gain / scale / (model.df + excess)
    p = float(stats.f.sf(f, model.df, model.df_error))
    return {"df": model.df, "df_error": model.df_error, "deviance": gain, "F": f, "p": p}


def _quasi_poisson(model: _Model) -> Mapping[str, float]:
    from statsmodels.api import families

    whole, less = (part.fit(families.Poisson()) for part in (model.whole, model.blocks))
    scale = whole.pearson_chi2 / model.df_error
    return {**_tests(model, less.deviance - whole.deviance, scale), "dispersion": scale}


def _negative_binomial(model: _Model) -> tuple[Mapping[str, float], Mapping[str, float]]:
    """Dispersion by the adjusted profile likelihood of Cox and Reid, then deviances at it."""
    from statsmodels.api import families

    def less_profile(logarithm: float) -> float:
        dispersion = float(np.exp(logarithm))
        try:
            fit = model.whole.fit(families.NegativeBinomial(alpha=dispersion))
        except ArithmeticError:
            return math.inf
        weights = fit.mu / (1 + dispersion * fit.mu)
        information = model.whole.matrix.T @ (weights[:, None] * model.whole.matrix)
        return float(np.linalg.slogdet(information)[1] / 2 - fit.llf)

    places = np.linspace(np.log(_DISPERSIONS[0]), np.log(_DISPERSIONS[1]), 24)
    best = int(np.argmin([less_profile(place) for place in places]))
    ends = places[max(best - 1, 0)], places[min(best + 1, len(places) - 1)]
    top = optimize.minimize_scalar(
        less_profile, bounds=ends, method="bounded", options={"xatol": 1e-7}
    )
    dispersion = 0.0 if best == 0 else float(np.exp(top.x))
    family = families.NegativeBinomial(alpha=max(dispersion, _DISPERSIONS[0]))
    gain = model.blocks.fit(family).deviance - model.whole.fit(family).deviance
    by_f = _tests(model, gain, 1.0, dispersion * model.excess)
    by_ratio = {"df": model.df, "deviance": gain, "p": float(stats.chi2.sf(gain, model.df))}
    return {**by_f, "dispersion": dispersion}, {**by_ratio, "dispersion": dispersion}


def _quasi_binomial(model: _Model) -> Mapping[str, float]:
    from statsmodels.api import families

    whole, less = (
        part.fit(families.Binomial(), var_weights=part.weights)
        for part in (model.whole, model.blocks)
    )
    scale = whole.pearson_chi2 / model.df_error
    return {**_tests(model, less.deviance - whole.deviance, scale), "dispersion": scale}


def _beta_binomial(model: _Model) -> Mapping[str, float]:
    """Correlation by Williams' moment equation, then deviances at the variance it gives."""
    from statsmodels.api import families

    def fit(part: _Part, correlation: float) -> Any:
        weights = part.weights / (1 + (part.weights - 1) * correlation)
        return part.fit(families.Binomial(), var_weights=weights)

    def too_much(correlation: float) -> float:
        return float(fit(model.whole, correlation).pearson_chi2 - model.df_error)

    if too_much(0.0) <= 0:
        correlation = 0.0
    elif too_much(_LARGEST_CORRELATION) >= 0:
        correlation = _LARGEST_CORRELATION
    else:
        correlation = float(optimize.brentq(too_much, 0.0, _LARGEST_CORRELATION, xtol=1e-10))
    whole = fit(model.whole, correlation)
    scale = min(whole.pearson_chi2 / model.df_error, 1.0) if correlation == 0.0 else 1.0
    gain = fit(model.blocks, correlation).deviance - whole.deviance
    return {**_tests(model, gain, scale), "dispersion": correlation}
