"""Control over all trials as tables: pooled, the next site, differences, each trial left out."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from trialkit.analysis.result import make_table, table_of_parts
from trialkit.inference.comparisons.adjust import holm
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.pooling.foresight import LEAST_TRIALS, spreads, tau_limits
from trialkit.inference.pooling.points import points_between
from trialkit.inference.pooling.random_effects import Pooled, PooledFit, heterogeneity, left_out
from trialkit.inference.pooling.random_effects import weights as weights_of
from trialkit.series.logarithms import UNBOUNDED, percent_of, ratio_of
from trialkit.series.matched import Matched
from trialkit.series.questions import LEAST_CLAIMED, Asked

#: How trials were combined.
ONE_TRIAL = "one trial: as its report has it"
REML = "random effects (REML), Hartung and Knapp"
TOGETHER = "random effects (REML), Hartung and Knapp, treatments of a trial together"
#: What is to be known of a row.
ALONE = "in one trial only: nothing is claimed over trials, nor of the next site"
NOT_POOLED = "in one trial only: nothing to combine it with"
TWO_TRIALS = "two trials cannot tell what the next site will show"
FEW_TRIALS = "three trials say little of the spread between sites: limits are wide"
OWN_SPREAD = "treatments differ in their spread between sites: each has its own"
#: Treatments up to which all pairs are compared, and trials up to which each is left out in turn.
MOST_PAIRED = 15
MOST_LEFT_OUT = 60

#: Columns of a part of a table.
Columns = dict[str, Any]


def trial_control(matched: Matched, asked: Sequence[Asked]) -> pd.DataFrame:
    """Control in every trial as its own report has it, with its weight over all trials."""
    weight: dict[tuple[str, str, str, str, str], float] = {}
    for one in asked:
        shares = np.full(one.data.estimate.size, 1.0)
        if one.pooled is not None:
            shares = weights_of(one.pooled)
        for share, code, trial in zip(shares, one.data.treatment, one.data.trial, strict=True):
            key = (*one.key.values(), one.treatments[code], one.trials[trial])
            weight[key] = 100.0 * float(share)
    rows = matched.rows
    names = ("variable", "measure", "window", "treatment", "trial")
    columns: dict[str, list[object]] = {name: rows[name].tolist() for name in names}
    kept = ("days_after", "percent", "lower", "upper", "note")
    columns |= {name: rows[name].tolist() for name in kept}
    columns["weight"] = [
        weight.get(key, np.nan) for key in zip(*(columns[name] for name in names), strict=True)
    ]
    order = _places(matched)
    ranks = [
        tuple(order[name].get(value, 0) for name, value in zip(names, key, strict=True))
        for key in zip(*(columns[name] for name in names), strict=True)
    ]
    sorted_rows = sorted(range(len(ranks)), key=ranks.__getitem__)
    for name in ("days_after", "note"):
        columns[name] = [value if isinstance(value, str) else None for value in columns[name]]
    return make_table(
        "trial_control",
        {name: [values[row] for row in sorted_rows] for name, values in columns.items()},
    )


def _places(matched: Matched) -> dict[str, dict[object, int]]:
    """Where each variable, measure, window, treatment and trial stands in a table."""
    named: dict[str, list[str]] = {
        "variable": [item.name for item in matched.variables],
        "measure": ["control", "pest_days"],
        "window": [window.name for window in matched.windows],
        "treatment": [name for name, _ in matched.treatments],
        "trial": [trial.key for trial in matched.trials],
    }
    return {
        name: {value: place for place, value in enumerate(values)} for name, values in named.items()
    }


def combined_control(matched: Matched, asked: Sequence[Asked]) -> pd.DataFrame:
    """Control over all trials by treatment, with what the next site will show."""
    return table_of_parts("combined_control", [_combined(matched, one) for one in asked])


def _combined(matched: Matched, one: Asked) -> Columns:
    settings, t = matched.settings, len(one.treatments)
    found = one.fit.treatments()
    low, high = found.limits(settings.alpha)
    nothing = np.full(t, np.nan)
    columns: Columns = {name: [value] * t for name, value in one.key.items()}
    columns |= {
        "treatment": list(one.treatments),
        "trials": one.data.trials_of.astype(float),
        "percent": percent_of(found.estimate),
        "lower": percent_of(high),
        "upper": percent_of(low),
        "target": np.full(t, settings.target if one.of_harm else np.nan),
        "p": found.p,
        "df": np.where(np.isfinite(found.df), found.df, np.nan),
        "method": [ONE_TRIAL] * t,
        "note": [NOT_POOLED if len(one.trials) > 1 else None] * t,
        **dict.fromkeys(_SPREAD, nothing),
    }
    if one.pooled is None:
        return columns | _as_reported(matched, one, columns)
    columns["method"] = [REML if t == 1 else TOGETHER] * t
    columns["note"] = _notes(one.pooled)
    target = settings.target if one.of_harm else None
    return columns | _spread(one.pooled, settings.alpha, target)


_SPREAD = (
    "predicted_lower",
    "predicted_upper",
    "heterogeneity",
    "tau",
    "tau_lower",
    "tau_upper",
    "p_heterogeneity",
    "share_above_target",
    "share_lower",
    "share_upper",
)


def _as_reported(matched: Matched, one: Asked, columns: Columns) -> Columns:
    """Control and limits of single trials as their reports have them."""
    rows = matched.rows
    chosen = np.ones(len(rows), dtype=bool)
    for name, value in one.key.items():
        chosen &= (rows[name] == value).to_numpy()
    own = rows[chosen & rows["log_ratio"].notna().to_numpy()].set_index("treatment")
    places = own.index.get_indexer(columns["treatment"])
    return {name: own[name].to_numpy(dtype=float)[places] for name in ("percent", "lower", "upper")}


def _notes(fit: PooledFit) -> list[str | None]:
    common: str | None = None
    if fit.data.n_trials < LEAST_TRIALS:
        common = TWO_TRIALS
    elif fit.data.n_trials == LEAST_TRIALS:
        common = FEW_TRIALS
    elif fit.spread == "own":
        common = OWN_SPREAD
    return [ALONE if trials < LEAST_CLAIMED else common for trials in fit.data.trials_of]


def _spread(fit: PooledFit, alpha: float, target: float | None) -> Columns:
    """Spread between sites, and what the next one will show; NaN where it cannot be told."""
    between = heterogeneity(fit)
    low, high = tau_limits(fit, alpha)
    columns: Columns = {
        "heterogeneity": 100.0 * between.share,
        "tau": np.sqrt(fit.tau_squared),
        "tau_lower": low,
        "tau_upper": high,
        "p_heterogeneity": between.p,
    }
    try:
        nodes = spreads(fit)
    except NotEstimable:
        return columns
    next_low, next_high = nodes.next_site(alpha)
    foretold = {"predicted_lower": percent_of(next_high), "predicted_upper": percent_of(next_low)}
    if target is not None and target < 100.0:
        shares = nodes.share_below(float(np.log1p(-target / 100.0)), alpha)
        names = ("share_above_target", "share_lower", "share_upper")
        foretold |= {name: 100.0 * part for name, part in zip(names, shares, strict=True)}
    seen_twice = fit.data.trials_of >= LEAST_CLAIMED
    return columns | {name: np.where(seen_twice, part, np.nan) for name, part in foretold.items()}


def combined_differences(matched: Matched, asked: Sequence[Asked]) -> pd.DataFrame:
    """How treatments differ over all trials: each from the reference, and all pairs."""
    parts = []
    for one in asked:
        for kind, pairs in _pairs(matched, one).items():
            if pairs:
                parts.append(_differences(matched, one, kind, pairs))
    return table_of_parts("combined_differences", parts)


def _pairs(matched: Matched, one: Asked) -> dict[str, list[tuple[int, int]]]:
    """Pairs that are in a trial together or joined by others: (a, b) by kind."""
    names, reference = one.treatments, matched.settings.reference
    found: dict[str, list[tuple[int, int]]] = {"reference": [], "pair": []}
    base = names.index(reference) if reference in names else None
    if base is not None:
        found["reference"] = [(code, base) for code in range(len(names)) if code != base]
    if len(names) <= MOST_PAIRED:
        found["pair"] = [pair for pair in combinations(range(len(names)), 2) if base not in pair]
    return found


def _differences(
    matched: Matched, one: Asked, kind: str, pairs: Sequence[tuple[int, int]]
) -> Columns:
    settings, size = matched.settings, len(pairs)
    a = np.array([pair[0] for pair in pairs], dtype=np.intp)
    b = np.array([pair[1] for pair in pairs], dtype=np.intp)
    found: Pooled = one.fit.differences(a, b)
    low, high = found.limits(settings.alpha)
    points, lower, upper = points_between(one.fit, a, b, settings.alpha)
    lower = np.where(lower > -100.0 * np.exp(UNBOUNDED), lower, np.nan)
    member = np.zeros((len(one.treatments), len(one.trials)), dtype=int)
    member[one.data.treatment, one.data.trial] = 1
    together = (member[a] * member[b]).sum(axis=1)
    return {
        **{name: [value] * size for name, value in one.key.items()},
        "a": [one.treatments[code] for code in a],
        "b": [one.treatments[code] for code in b],
        "kind": [kind] * size,
        "trials": together.astype(float),
        "ratio": ratio_of(found.estimate),
        "lower": ratio_of(low),
        "upper": ratio_of(high),
        "p": found.p,
        "p_adjusted": holm(found.p[:, None])[:, 0],
        "points": points,
        "points_lower": lower,
        "points_upper": np.where(upper < 100.0 * np.exp(UNBOUNDED), upper, np.nan),
        "margin": np.full(size, settings.margin if one.of_harm else np.nan),
        "not_inferior": [
            bool(value > -settings.margin) if one.of_harm and np.isfinite(value) else None
            for value in lower
        ],
        "note": [None if count else "in no trial together" for count in together],
    }


def leave_one_out(matched: Matched, asked: Sequence[Asked]) -> pd.DataFrame:
    """Control over all trials but one, each left out in turn."""
    parts: list[Columns] = []
    for one in asked:
        if one.pooled is None or not LEAST_TRIALS <= len(one.trials) <= MOST_LEFT_OUT:
            continue
        for trial, fit in zip(one.trials, left_out(one.pooled), strict=True):
            if fit is None:
                continue
            found = fit.treatments()
            low, high = found.limits(matched.settings.alpha)
            own = set(one.cells[trial].treatments)
            kept = [code for code, name in enumerate(one.treatments) if name in own]
            parts.append(
                {
                    **{name: [value] * len(kept) for name, value in one.key.items()},
                    "treatment": [one.treatments[code] for code in kept],
                    "left_out": [trial] * len(kept),
                    "percent": percent_of(found.estimate)[kept],
                    "lower": percent_of(high)[kept],
                    "upper": percent_of(low)[kept],
                }
            )
    return table_of_parts("leave_one_out", parts)
