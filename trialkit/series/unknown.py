"""What the options of a series name and no trial has."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from trialkit.problems import Place, Problem, choice, error, quoted
from trialkit.reading.spellings import folded
from trialkit.series.facts import TrialFacts
from trialkit.series.names import Treatments, Variables
from trialkit.series.options import Named, SeriesOptions

_FILE = "series.toml"


def unknown_names(
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
    return _lacking(section, f"{quoted(name)} is in no trial of the series.", name, known)


def _lacking(section: str, what: str, name: str, known: Sequence[str] | set[str]) -> Problem:
    return error(
        "unknown-in-series",
        what,
        choice(name, sorted(known), limit=12),
        Place(_FILE, column=section),
    )


def unknown_members(
    trials: Sequence[TrialFacts],
    treatments: Treatments,
    variables: Variables,
    options: SeriesOptions,
) -> Iterator[Problem]:
    """Find names that are listed under one of the series, and that no trial has.

    What stands under a name that is itself in no trial is not told again.

    Parameters
    ----------
    trials : sequence of TrialFacts
        Those that are left out too: what they alone have may be named.
    treatments : Treatments
    variables : Variables
    options : SeriesOptions
    """
    of_treatments = {
        trial.key: {word: None for item in trial.treatments for word in (item.name, item.id)}
        for trial in trials
    }
    of_variables = {
        trial.key: {
            word: None
            for item in trial.variables
            for word in (item.variable.name, item.variable.label)
        }
        for trial in trials
    }
    unread = {*options.left_out} - {*of_treatments}
    for section, listed, named, known in (
        ("treatments", options.treatments, treatments.names, of_treatments),
        ("variables", options.variables, [*variables.groups], of_variables),
    ):
        for name, members in listed.items():
            for member in members if name in named else ():
                # of a trial that is left out and could not be read nothing is known
                if not unread or member.trial in known:
                    yield from _unmet(section, name, member, known)


def _unmet(
    section: str, name: str, member: Named, known: Mapping[str, Mapping[str, None]]
) -> Iterator[Problem]:
    said = f"{quoted(member.name)}, under {quoted(name)},"
    if member.trial is not None and member.trial not in known:
        what = f"{said} is said of a trial {quoted(member.trial)}, and none is called so."
        yield _lacking(section, what, member.trial, [*known])
        return
    here = known if member.trial is None else {member.trial: known[member.trial]}
    words = {word for own in here.values() for word in own}
    if folded(member.name) not in {folded(word) for word in words}:
        where = "in no trial of the series" if member.trial is None else "not in that trial"
        yield _lacking(section, f"{said} is {where}.", member.name, words)
