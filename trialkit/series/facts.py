"""What is asked of each trial before trials are matched: names, units, days, circumstances."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from trialkit.analysis.efficacy.mode_of_action import programme_of
from trialkit.analysis.plots.harvest import bushel_of
from trialkit.analysis.supporting.contrasts import rate_series
from trialkit.series.covariates import covariates_of, pressure_of, year_of
from trialkit.trial import Design, Treatment, Trial, Variable, harvest_variable


@dataclass(frozen=True, slots=True, kw_only=True)
class VariableFacts:
    """One variable of a trial.

    Attributes
    ----------
    variable : Variable
        With the unit in which its values are.
    days : tuple of float
        On which it was assessed, ascending; empty of yields.
    bushel_lb : float or None
        Pounds in a bushel of the crop, where known.
    """

    variable: Variable
    days: tuple[float, ...]
    bushel_lb: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialFacts:
    """One trial, as far as matching looks at it.

    Attributes
    ----------
    key : str
        Unique in the series.
    title, site, season, design : str
    year : float or None
    blocks : int or None
    treatments : tuple of Treatment
    untreated : str or None
        Id.
    variables : tuple of VariableFacts
        Those with values.
    covariates : mapping of str to float
    pressure : mapping of str to float
        By name of the pest.
    digest : str
        SHA-256 of the names and digests of the files that it was read from.
    groups : mapping of str to tuple of str
        Groups of mode of action by id of the treatment, one for each application.
    products : mapping of str to str
        Product by id, of treatments that are rates of one.
    crop : str
    undated : bool
        Whether its counts have no day.
    """

    key: str
    title: str
    site: str
    season: str
    year: float | None
    design: str
    blocks: int | None
    treatments: tuple[Treatment, ...]
    untreated: str | None
    variables: tuple[VariableFacts, ...]
    covariates: Mapping[str, float]
    pressure: Mapping[str, float]
    digest: str
    groups: Mapping[str, tuple[str, ...]]
    products: Mapping[str, str]
    crop: str = ""
    undated: bool = False

    @property
    def days(self) -> tuple[float, ...]:
        """Days of all assessments."""
        return tuple(sorted({day for item in self.variables for day in item.days}))


def facts_of(trial: Trial, key: str, part: str = "") -> TrialFacts:
    """Gather the facts of a trial.

    Parameters
    ----------
    trial : Trial
    key : str
    part : str
        Which of several trials in its files it is.
    """
    square = trial.design is Design.LATIN
    groups = {plot.row if square else plot.replicate or plot.block for plot in trial.plots} - {None}
    return TrialFacts(
        key=key,
        title=trial.title,
        site=trial.site or "",
        season=trial.season or "",
        year=year_of(trial.season, trial.applied),
        design=trial.design.value,
        blocks=len(groups) or None,
        treatments=trial.treatments,
        untreated=trial.untreated,
        variables=_variables(trial),
        covariates=covariates_of(trial),
        pressure=pressure_of(trial),
        digest=digest_of(trial, part),
        groups={item.id: _groups(trial, item) for item in trial.treatments},
        products={
            trial.treatments[code].id: found.name
            for found in rate_series(trial)
            for code in found.treatments
        },
        crop=trial.crop or "",
        undated=trial.undated,
    )


def _groups(trial: Trial, item: Treatment) -> tuple[str, ...]:
    groups = tuple(group.strip() for group in programme_of(trial, item)[0])
    return groups if any(groups) else ()


def digest_of(trial: Trial, part: str = "") -> str:
    """SHA-256 of what a trial was read from, in whatever order its files came."""
    files = sorted(digest for _, digest in trial.inputs)
    return hashlib.sha256("\n".join([*files, part]).encode()).hexdigest()


def _variables(trial: Trial) -> tuple[VariableFacts, ...]:
    bushel = bushel_of(trial)
    counts = trial.counts.dropna(subset=["value"])
    by_name = {
        str(name): tuple(sorted(map(float, set(days))))
        for name, days in counts.groupby("variable", sort=False)["day"]
    }
    weighed = set(trial.yields.dropna(subset=["value"])["variable"])
    found = [
        VariableFacts(variable=variable, days=by_name.get(variable.name, ()), bushel_lb=bushel)
        for variable in trial.variables
        if variable.name in by_name or variable.name in weighed
    ]
    if not trial.harvest.empty:
        made = harvest_variable(trial)
        found.append(VariableFacts(variable=made, days=(), bushel_lb=bushel))
    return tuple(found)
