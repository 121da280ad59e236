"""Which treatments and which variables of several trials are one, and what is to be asked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from trialkit.measures.dose_units import read_rate_unit
from trialkit.measures.units import convert
from trialkit.reading.headers import normal
from trialkit.reading.spellings import folded, near_names
from trialkit.series.facts import TrialFacts
from trialkit.series.options import Named, SeriesOptions
from trialkit.trial import Treatment, Variable


class Match(NamedTuple):
    """One row of the table of matches.

    Attributes
    ----------
    kind : {"trial", "treatment", "variable", "unit", "days"}
    trial, found : str
    taken_as : str or None
    how : str
    """

    kind: str
    trial: str
    found: str
    taken_as: str | None
    how: str


@dataclass(slots=True)
class Group:
    """Treatments, or variables, of several trials that are one.

    Attributes
    ----------
    names : counter of str
        How trials write it.
    members : list of (str, str)
        Trial, and id or name in it.
    """

    names: Counter[str] = field(default_factory=Counter)
    members: list[tuple[str, str]] = field(default_factory=list)

    @property
    def trials(self) -> set[str]:
        """Trials that have it."""
        return {trial for trial, _ in self.members}

    @property
    def label(self) -> str:
        """The spelling of most trials, of equals the first of the alphabet."""
        return min(self.names, key=lambda name: (-self.names[name], name))


def chosen_name(
    options: Mapping[str, Sequence[Named]], trial: str, words: Sequence[str]
) -> str | None:
    """Name in the series that the options give to a treatment or variable; None where none.

    What is said of one trial goes before what is said of all. The name itself need not be listed.

    Parameters
    ----------
    options : mapping of str to sequence of Named
    trial : str
    words : sequence of str
        Its names, and last its id, which counts only where the trial is named with it.
    """
    for own in (True, False):
        known = {folded(word) for word in (words if own else words[:-1])}
        for name, members in options.items():
            listed = [
                item.name
                for item in members
                if (item.trial == trial if own else item.trial is None)
            ]
            if known & {folded(word) for word in (listed if own else [*listed, name])}:
                return name
    return None


# --- treatments ---------------------------------------------------------------------------


class _Key(NamedTuple):
    """By what treatments are one: name, and rate and id where the name alone does not tell."""

    name: str
    rate: str = ""
    id: str = ""


@dataclass(slots=True)
class Treatments:
    """Treatments of the series.

    Attributes
    ----------
    names : tuple of str
        The untreated first, then in the order in which trials list them on average.
    untreated : str or None
    by_trial : dict of str to dict of str to str
        Trial to id to name in the series.
    rows : list of Match
    asked : list of str
        What only the user can tell, a sentence each.
    doubted : set of str
        The names in these sentences.
    """

    names: tuple[str, ...] = ()
    untreated: str | None = None
    by_trial: dict[str, dict[str, str]] = field(default_factory=dict)
    rows: list[Match] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    doubted: set[str] = field(default_factory=set)


def match_treatments(trials: Sequence[TrialFacts], options: SeriesOptions) -> Treatments:
    """Find which treatments are one: by name, and by rate or id where a name stands for several.

    The untreated of all trials are one, whatever they are called. Case, spaces and kinds of dash
    do not count. A name that stands in any trial, or over trials, for several rates is parted by
    the rate; what is still the same twice in a trial is parted by the id.
    """
    named: dict[tuple[str, str], tuple[str, str]] = {}
    open_: list[tuple[TrialFacts, Treatment]] = []
    for trial in trials:
        for item in trial.treatments:
            chosen = chosen_name(options.treatments, trial.key, (item.name, item.id))
            if chosen is not None:
                named[trial.key, item.id] = chosen, "named in the options"
            elif item.id == trial.untreated:
                named[trial.key, item.id] = "", "the untreated of the trial"
            else:
                open_.append((trial, item))
    untreated = _untreated_name(trials, options, named)
    named = {key: (name or untreated, how) for key, (name, how) in named.items()}
    keys = _keys(open_)
    groups: dict[_Key, Group] = {}
    for (trial, item), key in zip(open_, keys, strict=True):
        group = groups.setdefault(key, Group())
        group.names[_written(item, key)] += 1
        group.members.append((trial.key, item.id))
    for key, group in groups.items():
        how = "by name" + (" and rate" if key.rate else "") + (" and id" if key.id else "")
        for member in group.members:
            named[member] = group.label, how
    found = _ordered(trials, named, untreated)
    _ask(trials, found, options)
    return found


def _untreated_name(
    trials: Sequence[TrialFacts],
    options: SeriesOptions,
    named: Mapping[tuple[str, str], tuple[str, str]],
) -> str:
    if options.untreated:
        return options.untreated
    group = Group()
    for trial in trials:
        for item in trial.treatments:
            if (trial.key, item.id) in named and item.id == trial.untreated:
                group.names[item.name] += 1
    return group.label if group.names else ""


def _keys(items: Sequence[tuple[TrialFacts, Treatment]]) -> list[_Key]:
    rates: dict[str, set[str]] = {}
    for _, item in items:
        rates.setdefault(folded(item.name), set()).add(rate_text(item))
    keys = []
    for _, item in items:
        name = folded(item.name)
        known = rates[name] - {""}
        own = rate_text(item) or (next(iter(known)) if len(known) == 1 else "")
        keys.append(_Key(name, own if len(known) > 1 else ""))
    twice = Counter((trial.key, key) for (trial, _), key in zip(items, keys, strict=True))
    doubled = {key for (_, key), number in twice.items() if number > 1}
    return [
        key._replace(id=folded(item.id)) if key in doubled else key
        for (_, item), key in zip(items, keys, strict=True)
    ]


def rate_text(item: Treatment) -> str:
    """Rate of a treatment, in units that are alike for the same rate; empty where none is given."""
    if item.rate is None:
        return ""
    unit = read_rate_unit(item.rate_unit or "")
    if unit is None:
        return f"{item.rate:.4g} {folded(item.rate_unit or '')}".strip()
    base = "L" if unit.liquid else "kg"
    amount = float(convert(item.rate, unit.amount, base)) / unit.size
    per = {"area": "ha", "mixture": "L", "seed": "kg", "plant": "1"}[unit.basis]
    if unit.basis != "plant":
        amount /= float(convert(1.0, unit.per, per))
    return f"{amount:.3g} {base}/{per}{' active' if unit.active else ''}"


def _written(item: Treatment, key: _Key) -> str:
    rate = f" {item.rate:g} {item.rate_unit or ''}".rstrip() if key.rate and item.rate else ""
    return f"{item.name}{rate}" + (f" ({item.id})" if key.id else "")


def _ordered(
    trials: Sequence[TrialFacts],
    named: Mapping[tuple[str, str], tuple[str, str]],
    untreated: str,
) -> Treatments:
    places: dict[str, list[float]] = {}
    found = Treatments(untreated=untreated or None)
    number: dict[str, set[str]] = {}
    for trial in trials:
        for place, item in enumerate(trial.treatments):
            name = named[trial.key, item.id][0]
            places.setdefault(name, []).append(place / max(len(trial.treatments) - 1, 1))
            number.setdefault(name, set()).add(trial.key)
    for trial in trials:
        own = found.by_trial.setdefault(trial.key, {})
        for item in trial.treatments:
            name, how = named[trial.key, item.id]
            if name in own.values():
                how += "; several treatments of this trial are taken as one and averaged"
            elif len(number[name]) == 1 and len(trials) > 1:
                how += "; in this trial alone"
            own[item.id] = name
            shown = item.name if item.name == item.id else f"{item.name} ({item.id})"
            found.rows.append(Match("treatment", trial.key, shown, name, how))
    found.names = tuple(
        sorted(
            places,
            key=lambda name: (name != untreated, sum(places[name]) / len(places[name]), name),
        )
    )
    return found


def _ask(trials: Sequence[TrialFacts], found: Treatments, options: SeriesOptions) -> None:
    """Ask what may be one treatment under two names: nearly the same name, or the same id."""
    decided = {folded(name) for name in options.treatments}
    having = {
        name: {key for key, own in found.by_trial.items() if name in own.values()}
        for name in found.names
    }
    others = [name for name in found.names if name != found.untreated]
    pairs = [
        (a, b)
        for i, a in enumerate(others)
        for b in others[i + 1 :]
        if not having[a] & having[b] and not {folded(a), folded(b)} <= decided
    ]
    ids: dict[str, set[str]] = {}
    for trial in trials:
        for item in trial.treatments:
            ids.setdefault(found.by_trial[trial.key][item.id], set()).add(folded(item.id))
    for a, b in pairs:
        if near_names(a, b):
            found.asked.append(f"{a} and {b} are nearly the same name")
        elif ids[a] & ids[b] and (_nameless(a, ids[a]) or _nameless(b, ids[b])):
            found.asked.append(f"{a} and {b} have the same id, {min(ids[a] & ids[b])}")
        else:
            continue
        found.doubted |= {a, b}


def _nameless(name: str, ids: Iterable[str]) -> bool:
    """Whether a treatment is called by its id alone, so that its name tells nothing."""
    return folded(name) in ids


# --- variables ----------------------------------------------------------------------------


@dataclass(slots=True)
class Variables:
    """Variables of the series.

    Attributes
    ----------
    groups : dict of str to Group
        Name in the series to its members (trial, name in the trial).
    by_trial : dict of str to dict of str to str
    rows : list of Match
    asked : list of str
    """

    groups: dict[str, Group] = field(default_factory=dict)
    by_trial: dict[str, dict[str, str]] = field(default_factory=dict)
    rows: list[Match] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)


def match_variables(trials: Sequence[TrialFacts], options: SeriesOptions) -> Variables:
    """Find which variables are one: the same name or label, of the same kind and role."""
    known: dict[tuple[str, ...], tuple[str, ...]] = {}
    own: dict[tuple[str, ...], list[tuple[str, Variable]]] = {}
    sure: dict[tuple[str, ...], str] = {}

    def root(key: tuple[str, ...]) -> tuple[str, ...]:
        while known.setdefault(key, key) != key:
            key = known[key]
        return key

    entries: list[tuple[str, Variable, tuple[str, ...]]] = []
    for trial in trials:
        for item in trial.variables:
            variable = item.variable
            words = (variable.name, variable.label, variable.name)
            chosen = chosen_name(options.variables, trial.key, words)
            sort = (variable.kind.value, variable.role.value)
            if chosen is not None:
                key = root(("chosen", chosen, *sort))
                sure[key] = chosen
            else:
                key = root(("name", normal(variable.name), *sort))
                label = root(("name", normal(variable.label), *sort))
                # labels may be alike within a trial; names are not
                labels = [normal(v.variable.label) for v in trial.variables]
                if labels.count(normal(variable.label)) == 1:
                    known[max(key, label)] = min(key, label)
            entries.append((trial.key, variable, key))
    for trial_key, variable, key in entries:
        own.setdefault(root(key), []).append((trial_key, variable))
    return _named_variables(own, sure, len(trials))


def _named_variables(
    own: Mapping[tuple[str, ...], Sequence[tuple[str, Variable]]],
    sure: Mapping[tuple[str, ...], str],
    trials: int,
) -> Variables:
    found = Variables()
    for key, members in sorted(own.items()):
        names = Group(names=Counter(variable.name for _, variable in members))
        name = sure.get(key, names.label)
        if name in found.groups:
            other = members[0][1]
            found.asked.append(
                f"{name} is a {other.kind.value} ({other.role.value}) in some trials and another "
                "kind or role in others, and they stand apart"
            )
            name = f"{name} ({other.kind.value}, {other.role.value})"
        group = found.groups.setdefault(name, Group())
        for trial, variable in members:
            group.names[variable.label] += 1
            group.members.append((trial, variable.name))
    for name, group in found.groups.items():
        for trial, variable_name in group.members:
            own_names = found.by_trial.setdefault(trial, {})
            own_names[variable_name] = name
            alone = "; in this trial alone" if len(group.trials) == 1 and trials > 1 else ""
            found.rows.append(
                Match("variable", trial, variable_name, name, f"by name, label and kind{alone}")
            )
    return found
