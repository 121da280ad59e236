"""Trials -> what their names and units are in the series; everything unmatched is told."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from trialkit.analysis.fits.courses import DRAWN
from trialkit.problems import Place, Problem, TrialError, listing, warning
from trialkit.report_choices import SERIES_PARTS, choice_faults
from trialkit.series.facts import TrialFacts
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
from trialkit.series.units import Units
from trialkit.series.unknown import unknown_members, unknown_names
from trialkit.trial import TreatmentRole, VariableRole

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


def match_trials(
    facts: Sequence[TrialFacts],
    options: SeriesOptions,
    elsewhere: Sequence[TrialFacts] = (),
) -> Matching:
    """Match treatments, variables and units of the trials that take part.

    Parameters
    ----------
    facts : sequence of TrialFacts
        In the order of the series.
    options : SeriesOptions
    elsewhere : sequence of TrialFacts
        Trials that are left out: the options may name what they alone have.

    Raises
    ------
    TrialError
        When the options name what no trial has.
    """
    treatments = match_treatments(facts, options)
    variables = match_variables(facts, options)
    problems = unknown_names(facts, treatments, variables, options)
    problems += unknown_members([*facts, *elsewhere], treatments, variables, options)
    reference = _reference(facts, treatments, options, problems)
    if problems:
        raise TrialError(problems)
    units = Units.of(facts, variables, options)
    looks = [
        *_asked(treatments.asked, "treatments"),
        *_asked(variables.asked, "variables"),
        *units.problems,
        *_without_untreated(facts),
        *_several_references(facts, treatments, options),
        *_nothing_shared(facts, treatments, variables),
    ]
    if not any(item.kind == "no-common-treatment" for item in looks):
        looks += _in_one_trial(facts, treatments)
    series_variables = tuple(_series_variables(facts, variables, units))
    asked = {item.name for item in series_variables if _is_asked(item.role, options)}
    labels = {item.name: item.label for item in series_variables}
    faults = [
        replace(item, place=Place("series.toml", column="report"))
        for item in choice_faults(options.report, labels, SERIES_PARTS)
    ]
    if faults:
        raise TrialError(faults)
    matches = tuple(
        TrialMatch(
            trial=trial.key,
            treatments=treatments.by_trial[trial.key],
            variables={
                name: taken
                for name, taken in variables.by_trial.get(trial.key, {}).items()
                if (trial.key, name) not in units.left_out and taken in asked
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
        variables=tuple(item for item in series_variables if item.name in asked),
        settings=options.settings(treatments.untreated, reference),
        rows=(*treatments.rows, *variables.rows, *units.rows),
        problems=tuple(looks),
        names=treatments,
        groups=variables.groups,
    )


def _is_asked(role: VariableRole, options: SeriesOptions) -> bool:
    """Whether a question of the options is answered by variables of a role."""
    return (
        bool({"control", "pest_days"} & set(options.questions))
        if role in DRAWN
        else ("means" in options.questions)
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
        taken = min(found, key=lambda name: (-found[name], name))
        yield warning(
            "several-references",
            f"Trials have different references: {listing(counts)}. {taken} was taken.",
            'Name one if another is meant: reference = "..." in series.toml.',
        )


def _nothing_shared(
    facts: Sequence[TrialFacts], treatments: Treatments, variables: Variables
) -> Iterator[Problem]:
    """Say so where trials have no treatment or no variable in common, or are of several crops."""
    if len(facts) < 2:
        return
    having = Counter(
        name
        for own in treatments.by_trial.values()
        for name in set(own.values()) - {treatments.untreated}
    )
    if max(having.values(), default=0) < 2:
        yield warning(
            "no-common-treatment",
            "No treatment but the untreated is in more than one trial, so nothing is combined.",
            _DECIDE.format(section="[treatments]"),
        )
    if max((len(group.trials) for group in variables.groups.values()), default=0) < 2:
        yield warning(
            "no-common-variable",
            "No variable is in more than one trial, so nothing is combined.",
            _DECIDE.format(section="[variables]"),
        )
    crops = {trial.crop.casefold(): trial.crop for trial in facts if trial.crop}
    if len(crops) > 1:
        yield warning(
            "several-crops",
            f"The trials are of different crops: {listing(crops.values())}.",
            "Nothing needs to be done if they belong together; else leave some out.",
        )


def _in_one_trial(facts: Sequence[TrialFacts], treatments: Treatments) -> Iterator[Problem]:
    """Name the treatments that stand in one trial: another name may hide them elsewhere."""
    if len(facts) < 2:
        return
    having: dict[str, list[str]] = {}
    for key, own in treatments.by_trial.items():
        for name in dict.fromkeys(own.values()):
            having.setdefault(name, []).append(key)
    alone = [
        f"{name} ({keys[0]})"
        for name, keys in having.items()
        if len(keys) == 1 and name not in treatments.doubted
    ]
    if alone:
        one = len(alone) == 1
        yield warning(
            "in-one-trial",
            f"{'A treatment is' if one else f'{len(alone)} treatments are'} in one trial only: "
            f"{listing(alone, 6)}. {'It is' if one else 'They are'} shown, and nothing is claimed "
            f"of {'it' if one else 'them'} over the trials.",
            _DECIDE.format(section="[treatments]"),
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


def _series_variables(
    facts: Sequence[TrialFacts], variables: Variables, units: Units
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
