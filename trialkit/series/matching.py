"""Trials -> what their names, units and days are in the series; everything unmatched is told."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from trialkit.analysis.result import make_table
from trialkit.measures.yields import convert_yield
from trialkit.numerals import day as write_day
from trialkit.problems import Place, Problem, TrialError, error, listing, nearest, quoted, warning
from trialkit.series.facts import TrialFacts, VariableFacts
from trialkit.series.matched import SeriesSettings, SeriesTrial, SeriesVariable, TrialMatch
from trialkit.series.names import (
    Group,
    Match,
    Treatments,
    Variables,
    match_treatments,
    match_variables,
)
from trialkit.series.options import SeriesOptions
from trialkit.trial import Kind, TreatmentRole, VariableRole

_DECIDE = (
    "If they are one, name them under one name in the section {section} of series.toml "
    "(trialkit combine --start writes it); else nothing needs to be done."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Matching:
    """What the trials of a series are to each other.

    Attributes
    ----------
    trials : tuple of SeriesTrial
    matches : tuple of TrialMatch
        In the order of the trials.
    treatments : tuple of (str, str)
    variables : tuple of SeriesVariable
    settings : SeriesSettings
    rows : tuple of Match
        Rows of the table of matches, but for days.
    problems : tuple of Problem
        Warnings.
    names : Treatments
    groups : mapping of str to Group
        Of variables.
    """

    trials: tuple[SeriesTrial, ...]
    matches: tuple[TrialMatch, ...]
    treatments: tuple[tuple[str, str], ...]
    variables: tuple[SeriesVariable, ...]
    settings: SeriesSettings
    rows: tuple[Match, ...]
    problems: tuple[Problem, ...]
    names: Treatments
    groups: Mapping[str, Group]


def in_order(facts: Sequence[TrialFacts], options: SeriesOptions) -> list[TrialFacts]:
    """Trials by year, site and key, so that it does not matter in which order they are given."""
    return sorted(
        facts,
        key=lambda item: (
            item.year or float("inf"),
            options.sites.get(item.key, item.site),
            item.key,
        ),
    )


def match_trials(facts: Sequence[TrialFacts], options: SeriesOptions) -> Matching:
    """Match treatments, variables and units of the trials that take part.

    Parameters
    ----------
    facts : sequence of TrialFacts
        In the order of the series.
    options : SeriesOptions

    Raises
    ------
    TrialError
        When the options name what no trial has.
    """
    treatments = match_treatments(facts, options)
    variables = match_variables(facts, options)
    problems = _unknown_names(facts, treatments, variables, options)
    reference = _reference(facts, treatments, options, problems)
    if problems:
        raise TrialError(problems)
    units = _Units.of(facts, variables, options)
    looks = [
        *_asked(treatments.asked, "treatments"),
        *_asked(variables.asked, "variables"),
        *units.problems,
        *_without_untreated(facts),
        *_several_references(facts, treatments, options),
    ]
    matches = tuple(
        TrialMatch(
            trial=trial.key,
            treatments=treatments.by_trial[trial.key],
            variables={
                name: taken
                for name, taken in variables.by_trial.get(trial.key, {}).items()
                if (trial.key, name) not in units.left_out
            },
            factors=units.factors.get(trial.key, {}),
            windows=options.windows,
        )
        for trial in facts
    )
    return Matching(
        trials=tuple(_series_trial(trial, options, variables) for trial in facts),
        matches=matches,
        treatments=tuple((name, name) for name in treatments.names),
        variables=tuple(_series_variables(facts, variables, units)),
        settings=options.settings(treatments.untreated, reference),
        rows=(*treatments.rows, *variables.rows, *units.rows),
        problems=tuple(looks),
        names=treatments,
        groups=variables.groups,
    )


def _series_trial(trial: TrialFacts, options: SeriesOptions, variables: Variables) -> SeriesTrial:
    days = trial.days
    named = variables.by_trial.get(trial.key, {})
    season = options.seasons.get(trial.key, trial.season)
    year = float(season[:4]) if season[:4].isdecimal() and len(season[:4]) == 4 else trial.year
    covariates: dict[str, float | None] = {
        **{f"{named.get(name, name)} in the untreated": v for name, v in trial.pressure.items()},
        **trial.covariates,
        **options.covariates.get(trial.key, {}),
    }
    return SeriesTrial(
        key=trial.key,
        title=trial.title,
        site=options.sites.get(trial.key, trial.site),
        season=season,
        year=year,
        design=trial.design,
        blocks=trial.blocks,
        treatments=len(trial.treatments),
        assessments=len(days),
        first_day=days[0] if days and not trial.undated else None,
        last_day=days[-1] if days and not trial.undated else None,
        covariates=covariates,
        note=None if trial.untreated else "without an untreated: yields and measurements only",
    )


def _unknown_names(
    facts: Sequence[TrialFacts],
    treatments: Treatments,
    variables: Variables,
    options: SeriesOptions,
) -> list[Problem]:
    """Find what the options name and no trial has."""
    keys = [trial.key for trial in facts]
    found: list[Problem] = []
    for section, names, known in (
        ("treatments", options.treatments, set(treatments.names)),
        ("variables", options.variables, set(variables.groups)),
        ("units", options.units, set(variables.groups)),
    ):
        found += [_unknown(section, name, known) for name in names if name not in known]
    for section, trials in (
        ("covariates", options.covariates),
        ("sites", options.sites),
        ("seasons", options.seasons),
    ):
        found += [
            _unknown(section, name, keys)
            for name in trials
            if name not in keys and name not in options.left_out
        ]
    for name, key in ((options.untreated, "untreated"), (options.reference, "reference")):
        if name is not None and name not in treatments.names:
            found.append(_unknown(key, name, treatments.names))
    return found


def _unknown(section: str, name: str, known: Sequence[str] | set[str]) -> Problem:
    near = nearest(name, known)
    meant = f"Did you mean {quoted(near)}? " if near else ""
    return error(
        "unknown-in-series",
        f"{quoted(name)} is in no trial of the series.",
        f"{meant}Known are {listing(sorted(known), 12)}.",
        Place("series.toml", column=section),
    )


def _reference(
    facts: Sequence[TrialFacts],
    treatments: Treatments,
    options: SeriesOptions,
    problems: list[Problem],
) -> str | None:
    if options.reference is not None or problems:
        return options.reference
    found = _references(facts, treatments)
    return min(found, key=lambda name: (-found[name], name)) if found else None


def _references(facts: Sequence[TrialFacts], treatments: Treatments) -> Counter[str]:
    return Counter(
        treatments.by_trial[trial.key][item.id]
        for trial in facts
        for item in trial.treatments
        if item.role is TreatmentRole.REFERENCE
    )


def _several_references(
    facts: Sequence[TrialFacts], treatments: Treatments, options: SeriesOptions
) -> Iterator[Problem]:
    found = _references(facts, treatments)
    if len(found) > 1 and options.reference is None:
        counts = [f"{name} in {number}" for name, number in found.most_common()]
        yield warning(
            "several-references",
            f"Trials have different references: {listing(counts)}. That of most trials was taken.",
            'Name one if another is meant: reference = "..." in series.toml.',
        )


def _asked(asked: Sequence[str], section: str) -> Iterator[Problem]:
    if asked:
        shown = "; ".join(asked[:6]) + (f"; and {len(asked) - 6} more" if len(asked) > 6 else "")
        yield warning(
            f"{section}-to-decide",
            f"Not taken as one: {shown}.",
            _DECIDE.format(section=f"[{section}]"),
        )


def _without_untreated(facts: Sequence[TrialFacts]) -> Iterator[Problem]:
    without = [trial.key for trial in facts if trial.untreated is None]
    if without:
        one = len(without) == 1
        yield warning(
            "no-untreated",
            f"{listing(without)} {'has' if one else 'have'} no untreated and "
            f"{'takes' if one else 'take'} part with yields and measurements only.",
            "Nothing needs to be done if that is right; else name the untreated in each trial.",
        )


# --- units --------------------------------------------------------------------------------


@dataclass(slots=True)
class _Units:
    """Units of the variables in the series, and what each trial is multiplied by."""

    units: dict[str, str | None]
    factors: dict[str, dict[str, float]]
    left_out: set[tuple[str, str]]
    rows: list[Match]
    problems: list[Problem]

    @classmethod
    def of(
        cls, facts: Sequence[TrialFacts], variables: Variables, options: SeriesOptions
    ) -> _Units:
        made = cls({}, {}, set(), [], [])
        by_name = {
            (trial.key, item.variable.name): item for trial in facts for item in trial.variables
        }
        for name, group in variables.groups.items():
            members = [(trial, by_name[trial, own]) for trial, own in group.members]
            made._settle(name, members, options.units.get(name))
        return made

    def _settle(
        self, name: str, members: Sequence[tuple[str, VariableFacts]], asked: str | None
    ) -> None:
        given = Counter(item.variable.unit for _, item in members if item.variable.unit)
        target = asked or min(given, key=lambda unit: (-given[unit], unit), default=None)
        self.units[name] = target
        counted = members[0][1].variable.kind is not Kind.MEASUREMENT
        labels = {item.variable.label for _, item in members}
        for trial, item in members:
            unit = item.variable.unit
            if counted:
                # ratios to the untreated need no unit; what was counted is shown
                if len(labels) > 1:
                    self.rows.append(
                        Match("unit", trial, item.variable.label, name, "ratios need no unit")
                    )
            elif unit != target:
                self._convert(name, trial, item, target)

    def _convert(self, name: str, trial: str, item: VariableFacts, target: str | None) -> None:
        unit, own = item.variable.unit, item.variable.name
        try:
            if unit is None or target is None:
                raise ValueError("this trial gives no unit")
            factor = float(convert_yield(1.0, unit, target, bushel_lb=item.bushel_lb))
        except ValueError as fault:
            why = f"left out: {fault}"
            self.left_out.add((trial, own))
            self.rows.append(Match("unit", trial, f"{own}, {unit or 'no unit'}", None, why))
            self.problems.append(
                warning(
                    "unit-unfit",
                    f"{own} is in {unit or 'no unit'} here and in {target} in the series "
                    f"({fault}); it was left out.",
                    f"Give its unit in the trial, or another one for the series: [units] {name} = "
                    '"...".',
                    Place(trial),
                )
            )
        else:
            self.factors.setdefault(trial, {})[own] = factor
            how = f"multiplied by {factor:.6g}"
            self.rows.append(Match("unit", trial, f"{own}, {unit}", f"{name}, {target}", how))


def _series_variables(
    facts: Sequence[TrialFacts], variables: Variables, units: _Units
) -> Iterator[SeriesVariable]:
    by_name = {
        (trial.key, item.variable.name): item.variable
        for trial in facts
        for item in trial.variables
    }
    places: dict[str, list[int]] = {}
    for trial in facts:
        for place, item in enumerate(trial.variables):
            name = variables.by_trial[trial.key][item.variable.name]
            places.setdefault(name, []).append(place)
    roles = list(VariableRole)
    made = []
    for name, group in variables.groups.items():
        members = [by_name[member] for member in group.members]
        labels = Counter(item.label for item in members)
        label = min(labels, key=lambda text: (-labels[text], text))
        made.append(
            SeriesVariable(name=name, label=label, role=members[0].role, unit=units.units[name])
        )
    yield from sorted(
        made,
        key=lambda item: (
            roles.index(item.role),
            sum(places[item.name]) / len(places[item.name]),
            item.name,
        ),
    )


# --- the table ----------------------------------------------------------------------------


def matches_table(
    matching: Matching,
    facts: Sequence[TrialFacts],
    used: Mapping[tuple[str, str], Mapping[str, str]],
    left_out: Mapping[str, str],
) -> pd.DataFrame:
    """Tabulate what was taken as what, the days too.

    Parameters
    ----------
    matching : Matching
    facts : sequence of TrialFacts
    used : mapping of (str, str) to mapping of str to str
        Trial and variable of the series to the window of each day that was taken, by the day as
        written.
    left_out : mapping of str to str
        Trials that take no part, and why.
    """
    rows = [
        *(Match("trial", key, key, None, f"left out: {why}") for key, why in left_out.items()),
        *matching.rows,
        *_days(matching, facts, used),
    ]
    order = {"trial": 0, "treatment": 1, "variable": 2, "unit": 3, "days": 4}
    rows.sort(key=lambda row: order[row.kind])
    columns = dict(zip(Match._fields, zip(*rows, strict=True), strict=True)) if rows else {}
    return make_table("series_matches", columns)


def _days(
    matching: Matching,
    facts: Sequence[TrialFacts],
    used: Mapping[tuple[str, str], Mapping[str, str]],
) -> Iterator[Match]:
    for trial, match in zip(facts, matching.matches, strict=True):
        for item in trial.variables:
            name = match.variables.get(item.variable.name)
            taken = used.get((trial.key, name), {}) if name is not None else {}
            for day in item.days:
                found = f"{item.variable.name}, day {write_day(day)}"
                window = taken.get(f"{day:g}")
                if window is not None:
                    yield Match("days", trial.key, found, window, "nearest the middle of its span")
                else:
                    yield Match("days", trial.key, found, None, _why_not(day, match, trial))


def _why_not(day: float, match: TrialMatch, trial: TrialFacts) -> str:
    if trial.undated:
        return "left out: the trial gives no day"
    if day <= 0:
        return "before the first application"
    within = [window.name for window in match.windows if window.first <= day <= window.last]
    if not within:
        return "left out: in none of the spans of days"
    if trial.untreated is None:
        return "left out: the trial has no untreated"
    return f"left out: another day stands for {within[0]}, or nothing could be compared"
