"""Series of trials made up for tests of their report: tables that hang together, any size.

The numbers are worked out here in the plainest way (weights alike for all trials), not by the
methods of the package: a report says what its tables hold, whatever made them.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.analysis.schema import SERIES_TABLES
from trialkit.series.matched import (
    CONTROL_ROWS,
    WHOLE,
    WINDOWS,
    Matched,
    SeriesSettings,
    SeriesTrial,
    SeriesVariable,
)
from trialkit.series.options import SeriesOptions
from trialkit.series.result import SeriesAnalysis, TreatmentFacts
from trialkit.trial import TreatmentRole, VariableRole

NAMES = (
    "Untreated", "Larkmere", "Thornwick, full rate", "Thornwick, half rate", "Gannaway",
    "Hazelbeck", "Withercote", "Moulsham", "Dunnock", "Sallowfield", "Ironbark", "Penhallow",
    "Quarrington",
)  # fmt: skip
LONG = " in a formulation with a very long name that no column was ever made for"
VARIABLES = (
    SeriesVariable(name="aphids", label="Aphids on 10 stems", role=VariableRole.PEST),
    SeriesVariable(
        name="lady_beetles", label="Lady beetles on 10 stems", role=VariableRole.NATURAL_ENEMY
    ),
    SeriesVariable(name="beans", label="Dry beans", role=VariableRole.YIELD, unit="t/ha"),
)


def _table(name: str, rows: list[dict[str, object]]) -> pd.DataFrame:
    columns = [column.name for column in SERIES_TABLES[name].columns]
    frame = pd.DataFrame(rows, columns=columns)
    for column in SERIES_TABLES[name].columns:
        if column.kind == "number":
            frame[column.name] = frame[column.name].astype(float)
        else:
            frame[column.name] = frame[column.name].astype(object)
            frame[column.name] = frame[column.name].where(frame[column.name].notna(), None)
    return frame


def made_series(
    *,
    trials: int = 5,
    treatments: int = 6,
    long_names: bool = False,
    with_yield: bool = True,
    with_untreated: bool = True,
    effect: float = 1.0,
    seed: int = 1,
) -> SeriesAnalysis:
    """Make a series up; ``effect`` 0 is one in which nothing was shown.

    Without an untreated it is one of varieties: yields alone, compared in pairs.
    """
    rng = np.random.default_rng(seed)
    names = [name + (LONG if long_names and i else "") for i, name in enumerate(NAMES)]
    names = names[:treatments]
    kept = [item for item in VARIABLES if with_yield or item.role is not VariableRole.YIELD]
    untreated = names[0] if with_untreated else None
    kept = kept if with_untreated else kept[2:]
    settings = SeriesSettings(untreated=untreated, reference=names[1])
    sites = ("Withy Bottom farm", "Crane Moor station", "Saltby Down", "Ferrow Hill")
    own = tuple(
        SeriesTrial(
            key=f"trial_{i + 1}",
            title=f"Aphids in field beans, trial {i + 1}",
            site=sites[i % 4],
            season=str(2024 - i // 4),
            year=2024.0 - i // 4,
            design="latin" if i == 3 else "rcbd",
            blocks=4,
            treatments=treatments,
            assessments=5,
            first_day=-1,
            last_day=21 + i,
            covariates={"rain within 3 days, mm": float(3 * i)},
        )
        for i in range(trials)
    )
    tables: dict[str, list[dict[str, object]]] = {name: [] for name in SERIES_TABLES}
    for item in own:
        tables["series_trials"].append(
            {
                "trial": item.key, "title": item.title, "site": item.site, "season": item.season,
                "design": item.design, "blocks": 4, "treatments": treatments, "assessments": 5,
                "first_day": -1, "last_day": item.last_day, "note": None,
            }
        )  # fmt: skip
        for name in names:
            tables["series_matches"].append(
                {"kind": "treatment", "trial": item.key, "found": name, "taken_as": name,
                 "how": "id and name"}
            )  # fmt: skip
    tables["series_matches"].append(
        {"kind": "treatment", "trial": own[-1].key, "found": "Brine", "taken_as": None,
         "how": "in this trial only"}
    )  # fmt: skip
    cells = [("control", window.name) for window in WINDOWS[:4]] + [("pest_days", WHOLE)]
    for variable in kept[:2] if with_untreated else ():
        true = np.linspace(-0.6, -2.6, len(names) - 1) * effect
        if variable.role is VariableRole.NATURAL_ENEMY:
            true = true * 0.1
            true[-1] = -1.6 * effect
        for measure, window in cells:
            _control(tables, rng, own, names, (variable.name, measure, window), true)
    if with_yield:
        _means(tables, rng, own, names, effect)
    _claims(tables, names, kept, untreated)
    frames = {name: _table(name, rows) for name, rows in tables.items()}
    matched = Matched(
        trials=own,
        treatments=tuple((name, name) for name in names),
        variables=tuple(kept),
        windows=WINDOWS,
        settings=settings,
        rows=pd.DataFrame(columns=list(CONTROL_ROWS)),
        ratios={},
    )
    facts = {
        name: TreatmentFacts(
            role=(TreatmentRole.UNTREATED, TreatmentRole.REFERENCE, TreatmentRole.TEST)[min(i, 2)],
            rate=None if not i else (0.2 if "half" in name else 0.4),
            rate_unit="L/ha" if i else "",
            groups=(f"group {50 + i // 2}",) if i else (),
            product="Thornwick" if "Thornwick" in name else "",
        )
        for i, name in enumerate(names)
    }
    return SeriesAnalysis(
        title="Aphids in field beans",
        options=SeriesOptions(),
        matched=matched,
        tables=frames,
        facts=facts,
        crop="field bean",
    )


def _left(log_ratio: float) -> float:
    return 100.0 * (1.0 - math.exp(log_ratio))


def _control(tables, rng, own, names, asked, true) -> None:
    variable, measure, window = asked
    where = {"variable": variable, "measure": measure, "window": window}
    for place, name in enumerate(names[1:]):
        here = own if place != len(names) - 2 or len(own) < 2 else own[:-1]
        seen = true[place] + rng.normal(0.0, 0.25, len(here))
        for item, value in zip(here, seen, strict=True):
            tables["trial_control"].append(
                {**where, "treatment": name, "trial": item.key, "days_after": "3", "note": None,
                 "percent": _left(value), "lower": _left(value + 0.5),
                 "upper": _left(value - 0.5), "weight": 100.0 / len(here)}
            )  # fmt: skip
        tables["combined_control"].append(
            {**where, "treatment": name, "trials": len(here), **_pooled(seen)}
        )
        for left_out in here if len(here) > 1 else ():
            rest = [v for item, v in zip(here, seen, strict=True) if item is not left_out]
            whole = _pooled(np.array(rest))
            tables["leave_one_out"].append(
                {**where, "treatment": name, "left_out": left_out.key,
                 **{key: whole[key] for key in ("percent", "lower", "upper")}}
            )  # fmt: skip
        tables["series_covariates"].append(
            {**where, "treatment": name, "covariate": "rain within 3 days, mm",
             "trials": len(here), "slope": 1.5, "lower": -2.0, "upper": 5.2, "p": 0.3,
             "note": None}
        )  # fmt: skip
        tables["series_seasons"].append(
            {**where, "treatment": name, "years": len({item.year for item in here}),
             "trials": len(here), "change_a_year": 8.0, "lower": -11.0, "upper": 31.0, "p": 0.4,
             "note": None}
        )  # fmt: skip
    _differences(tables, names, where)


def _pooled(seen: np.ndarray) -> dict[str, object]:
    trials = len(seen)
    mean, base = float(np.mean(seen)), {"target": 80.0, "method": "REML, Hartung-Knapp"}
    if trials < 2:
        return {**base, "percent": _left(mean), "lower": _left(mean + 0.5),
                "upper": _left(mean - 0.5), "df": 15, "p": 0.001,
                "note": "one trial: how sites differ is not known"}  # fmt: skip
    se = float(np.sqrt(0.06 / trials))
    tau, t = 0.2, float(stats.t.ppf(0.975, trials - 1))
    wide = t * math.hypot(se, tau)
    target = math.log(0.2)
    share = 100.0 * float(stats.norm.cdf((target - mean) / tau))
    return {
        **base, "percent": _left(mean), "lower": _left(mean + t * se),
        "upper": _left(mean - t * se), "predicted_lower": _left(mean + wide),
        "predicted_upper": _left(mean - wide), "heterogeneity": 55.0, "tau": tau,
        "tau_lower": 0.0, "tau_upper": 0.6, "p_heterogeneity": 0.08,
        "share_above_target": share, "share_lower": max(share - 20.0, 0.0),
        "share_upper": min(share + 20.0, 100.0), "df": trials - 1,
        "p": float(2 * stats.t.sf(abs(mean) / se, trials - 1)),
    }  # fmt: skip


def _differences(tables, names, where) -> None:
    rows = [r for r in tables["combined_control"] if all(r[k] == v for k, v in where.items())]
    logs = {r["treatment"]: math.log(1 - r["percent"] / 100.0) for r in rows}
    for i, a in enumerate(names[1:]):
        for b in names[1:][:i]:
            gap = logs[a] - logs[b]
            points = _left(logs[a]) - _left(logs[b])
            tables["combined_differences"].append(
                {**where, "a": a, "b": b, "kind": "reference" if b == names[1] else "pair",
                 "trials": rows[i]["trials"], "ratio": math.exp(gap),
                 "lower": math.exp(gap - 0.4), "upper": math.exp(gap + 0.4),
                 "p": float(2 * stats.norm.sf(abs(gap) / 0.2)),
                 "p_adjusted": min(1.0, float(6 * stats.norm.sf(abs(gap) / 0.2))),
                 "points": points, "points_lower": points - 12.0, "points_upper": points + 12.0,
                 "margin": 10.0, "not_inferior": points - 12.0 > -10.0}
            )  # fmt: skip


def _means(tables, rng, own, names, effect) -> None:
    true = 4.1 + effect * np.linspace(0.0, 1.1, len(names))
    shared = {"variable": "beans", "inference": "other sites", "note": None}
    for place, name in enumerate(names):
        mean = float(true[place])
        tables["combined_means"].append(
            {**shared, "treatment": name, "trials": len(own), "mean": mean, "se": 0.11, "df": 14,
             "lower": mean - 0.24, "upper": mean + 0.24,
             "letters": "a" if effect == 0 or place > 2 else "b",
             "percent_of_reference": 100 * mean / true[1],
             "percent_of_mean": 100 * mean / true.mean()}
        )  # fmt: skip
        if len(own) >= 5:
            tables["stability"].append(
                {"variable": "beans", "treatment": name, "environments": len(own), "mean": mean,
                 "slope": 1.0 + 0.05 * (place - 2), "slope_lower": 0.7, "slope_upper": 1.4,
                 "deviation_variance": 0.02, "ecovalence": 0.13, "stability_variance": 0.03,
                 "superiority": 0.2, "p_stability": 0.3}
            )  # fmt: skip
        for other, second in zip(names[:place], true, strict=False):
            gap = mean - float(second)
            tables["combined_comparisons"].append(
                {"variable": "beans", "a": name, "b": other, "difference": gap, "se": 0.16,
                 "df": 14, "lower": gap - 0.4, "upper": gap + 0.4, "method": "tukey",
                 "p_adjusted": min(1.0, float(4 * stats.norm.sf(abs(gap) / 0.16))),
                 "inference": "other sites"}
            )  # fmt: skip
    for item in own:
        tables["error_variances"].append(
            {"variable": "beans", "trial": item.key, "error_variance": 0.05, "df": 15,
             "cv_percent": 4.8, "p": 0.6}
        )  # fmt: skip
    for source, df in (("environment", len(own) - 1), ("treatment", len(names) - 1)):
        tables["combined_anova"].append(
            {"variable": "beans", "source": source, "df": df, "sum_sq": 3.0 * df, "mean_sq": 3.0,
             "F": 12.0 if source == "treatment" else None,
             "p": 0.001 if source == "treatment" else None, "df_error": 20,
             "error": "treatment x environment", "note": None}
        )  # fmt: skip


def _claims(tables, names, variables, untreated) -> None:
    for variable in variables:
        question = {
            VariableRole.PEST: "pest",
            VariableRole.NATURAL_ENEMY: "enemies",
            VariableRole.YIELD: "yield",
        }[variable.role]
        if question == "yield" and untreated is None:
            for row in tables["combined_comparisons"]:
                _claim(
                    tables, "yield", (variable.name, row["a"], row["b"]), row["p_adjusted"],
                    lower=row["difference"] < 0,
                )  # fmt: skip
            continue
        for name in names[1:]:
            if question == "yield":
                found = [
                    r
                    for r in tables["combined_comparisons"]
                    if r["a"] == name and r["b"] == names[0]
                ]
                p, lower = found[0]["p_adjusted"], found[0]["difference"] < 0
            else:
                found = [
                    r for r in tables["combined_control"]
                    if r["variable"] == variable.name and r["treatment"] == name
                    and r["window"] == WHOLE
                ]  # fmt: skip
                p, lower = min(1.0, found[0]["p"] * len(names)), found[0]["percent"] > 0
            _claim(tables, question, (variable.name, name, names[0]), p, lower=lower)
        if question == "pest":
            for row in list(tables["combined_differences"]):
                if row["b"] == names[1] and row["variable"] == "aphids" and row["window"] == WHOLE:
                    _claim(
                        tables, "reference", ("aphids", row["a"], row["b"]), row["p_adjusted"],
                        lower=row["ratio"] < 1,
                    )  # fmt: skip


def _claim(tables, question, of, p, *, lower) -> None:
    variable, a, b = of
    own_measure = (None, None) if question == "yield" else ("pest_days", WHOLE)
    tables["series_claims"].append(
        {"question": question, "variable": variable, "measure": own_measure[0],
         "window": own_measure[1], "a": a, "b": b, "direction": "lower" if lower else "higher",
         "p_adjusted": p, "level": 0.0125, "shown": p <= 0.05, "front": p <= 0.0125}
    )  # fmt: skip
