"""Trials of known truth for a series: overdispersed counts in blocks, and a yield."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from trialkit import Design, Kind, Plot, Treatment, TreatmentRole, Trial, Variable, VariableRole
from trialkit.series.effects import effects_of
from trialkit.series.matched import (
    Matched,
    SeriesSettings,
    SeriesTrial,
    SeriesVariable,
    TrialMatch,
    matched,
)

DAYS = (3.0, 7.0, 14.0)


def invented_trial(
    generator: np.random.Generator,
    log_left: Sequence[float],
    *,
    left_out: Sequence[int] = (),
    level: float = 40.0,
    k: float = 2.0,
    blocks: int = 4,
    gains: Sequence[float] | None = None,
    error: float = 1.0,
    days: Sequence[float] = DAYS,
) -> Trial:
    """One trial in blocks; treatment 0 is the untreated, the others leave exp(log_left) of it."""
    codes = [code for code in range(len(log_left) + 1) if code not in left_out]
    plots, counts, yields = [], [], []
    gains = np.zeros(len(log_left) + 1) if gains is None else np.asarray(gains)
    for block in range(blocks):
        effect = generator.normal(0.0, 0.3)
        for code in generator.permutation(codes):
            name = f"{block + 1}{code:02d}"
            plots.append(Plot(id=name, treatment=str(code), block=str(block + 1)))
            own = generator.gamma(k, 1.0 / k)
            left = 0.0 if code == 0 else log_left[code - 1]
            mean = level * np.exp(effect + left) * own
            counts += [(name, "larvae", day, None, float(generator.poisson(mean))) for day in days]
            yields.append(
                (name, "grain", 50.0 + effect + gains[code] + generator.normal(0.0, error))
            )
    return Trial(
        title="invented",
        design=Design.RCBD,
        treatments=tuple(
            Treatment(
                id=str(code),
                name=f"T{code}",
                role=TreatmentRole.TEST if code else TreatmentRole.UNTREATED,
            )
            for code in codes
        ),
        plots=tuple(plots),
        variables=(
            Variable(name="larvae", label="Larvae", kind=Kind.COUNT, role=VariableRole.PEST),
            Variable(name="grain", label="Grain", kind=Kind.MEASUREMENT, role=VariableRole.YIELD),
        ),
        counts=pd.DataFrame(counts, columns=["plot", "variable", "day", "sample", "value"]),
        yields=pd.DataFrame(yields, columns=["plot", "variable", "value"]),
        untreated="0",
    )


def invented_series(
    trials: Sequence[Trial],
    *,
    settings: SeriesSettings | None = None,
    covariates: Sequence[dict[str, float | None]] | None = None,
    years: Sequence[float] | None = None,
) -> Matched:
    """The trials matched by the names of their treatments."""
    names = {item.id: item.name for trial in trials for item in trial.treatments}
    order = tuple((names[key], names[key]) for key in sorted(names, key=int))
    facts, effects = [], []
    for place, trial in enumerate(trials):
        key = f"site {place + 1}"
        match = TrialMatch(
            trial=key,
            treatments={item.id: item.name for item in trial.treatments},
            variables={"larvae": "larvae", "grain": "grain"},
        )
        facts.append(
            SeriesTrial(
                key=key,
                title=key,
                year=None if years is None else years[place],
                covariates={} if covariates is None else covariates[place],
            )
        )
        effects.append(effects_of(trial, {}, match))
    return matched(
        tuple(facts),
        tuple(effects),
        treatments=order,
        variables=(
            SeriesVariable(name="larvae", label="Larvae", role=VariableRole.PEST),
            SeriesVariable(name="grain", label="Grain", role=VariableRole.YIELD),
        ),
        settings=settings or SeriesSettings(untreated="T0", reference="T1"),
    )
