"""``series.toml`` with every match of some trials filled in, for a person to look through."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from trialkit.reading.spellings import folded
from trialkit.series.combine import Series
from trialkit.series.facts import TrialFacts
from trialkit.series.names import Treatments
from trialkit.series.options import Named
from trialkit.series.options_file import options_text
from trialkit.trial import Kind


def start_text(series: Series) -> str:
    """Write the options of a series with all that was matched, and what is to be decided.

    Parameters
    ----------
    series : Series
        As `trialkit.series.combine.read_series` gives it.
    """
    matching, facts = series.matching, series.facts
    settings = matching.settings
    variables = {item.name: item for item in matching.variables}
    measured = {
        match.variables[item.variable.name]
        for trial, match in zip(facts, matching.matches, strict=True)
        for item in trial.variables
        if item.variable.kind is Kind.MEASUREMENT and item.variable.name in match.variables
    }
    filled = replace(
        series.options,
        title=series.title,
        untreated=settings.untreated,
        reference=settings.reference,
        treatments=_treatments(facts, matching.names),
        variables={
            name: tuple(
                Named(word) for word in dict.fromkeys(own for _, own in sorted(group.members))
            )
            for name, group in matching.groups.items()
        },
        units={
            name: unit
            for name, item in variables.items()
            if name in measured and (unit := item.unit) is not None
        },
        covariates={item.key: dict(series.options.covariates.get(item.key, {})) for item in facts},
        sites={item.key: item.site for item in matching.trials},
        seasons={item.key: item.season for item in matching.trials},
    )
    known = sorted({name for item in matching.trials for name in item.covariates})
    return options_text(
        filled,
        {
            "treatments": [f"To decide: {text}." for text in matching.names.asked],
            "covariates": [f"Known from the trials: {name}." for name in known],
        },
    )


def _treatments(facts: Sequence[TrialFacts], names: Treatments) -> Mapping[str, tuple[Named, ...]]:
    """Names of each treatment; of one trial alone where a name stands for several treatments."""
    meant: dict[str, set[str]] = {}
    for trial in facts:
        for item in trial.treatments:
            meant.setdefault(folded(item.name), set()).add(names.by_trial[trial.key][item.id])
    found: dict[str, dict[Named, None]] = {name: {} for name in names.names}
    for trial in facts:
        for item in trial.treatments:
            name = names.by_trial[trial.key][item.id]
            plain = len(meant[folded(item.name)]) == 1
            found[name][Named(item.name) if plain else Named(item.id, trial.key)] = None
    return {name: tuple(members) for name, members in found.items()}
