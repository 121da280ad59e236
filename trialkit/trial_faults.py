"""Whether a trial can be analysed: asked of files, of records, and of trials made in Python."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from datetime import date
from enum import Enum
from functools import cache
from math import isfinite
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

import pandas as pd

from trialkit.plain_text import capital
from trialkit.plan_faults import plan_faults
from trialkit.planned import read_planned
from trialkit.problems import Problem, TrialError, error, meant, quoted, sentences
from trialkit.report_choices import choice_faults, choosable
from trialkit.trial import EXAMINED, Better, Kind, Trial, VariableRole, numbers_examined
from trialkit.trial_tables import EVENT_KINDS, any_out_of_bounds, out_of_bounds

#: Numbers beyond this are written with an exponent, and so are no whole ones when read.
_WHOLE = range(-(2**53), 2**53 + 1)
#: Rows and columns of the field map beyond this are no places.
_LARGEST_PLACE = 1_000_000
_VALUES = ("counts", "yields", "harvest")
#: Tables of a trial beside plan and values.
FACTS = ("doses", "assessments", "weather", "events")
_CORRECT = "Correct the table, or what made it."


def trial_faults(trial: Trial) -> list[Problem]:
    """Find what keeps a trial from being analysed.

    Parameters
    ----------
    trial : Trial
        Made in any way; nothing is taken for granted of its types.

    Returns
    -------
    list of Problem
        Empty when the trial is sound.

    Examples
    --------
    >>> from dataclasses import replace
    >>> import trialkit
    >>> from trialkit.trial_faults import trial_faults
    >>> trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    >>> trial_faults(trial)
    []
    >>> print(trial_faults(replace(trial, untreated="12"))[0].what)
    The untreated is '12', which is not listed.
    """
    if getattr(trial, "known_sound", False):
        return []
    # Ids of the wrong type could not be looked up, nor values of a plot that is not known.
    faults = (
        list(_of_dataclass("trial", trial))
        or [*_of_plan(trial), *_of_names(trial), *_of_settings(trial)]
        or [*_of_roles(trial), *_of_values(trial), *_of_facts(trial)]
    )
    if not faults:
        object.__setattr__(trial, "known_sound", True)
    return faults


def refuse_unsound(trial: Trial) -> None:
    """Raise what `trial_faults` finds.

    Raises
    ------
    TrialError
        When the trial is not sound.
    """
    faults = trial_faults(trial)
    if faults:
        raise TrialError(faults)


def _fault(what: str, remedy: str = _CORRECT, kind: str = "unsound-trial") -> Problem:
    return error(kind, what, remedy)


@cache
def _hints(kind: Any) -> dict[str, Any]:
    """Types of the fields of a dataclass."""
    hints = get_type_hints(kind)
    return {item.name: hints[item.name] for item in fields(kind)}


def _of_dataclass(where: str, thing: Any) -> Iterator[Problem]:
    kind: Any = type(thing)
    for name, hint in _hints(kind).items():
        yield from _of(f"{where}: {name}", hint, getattr(thing, name))


@cache
def _certain(hint: Any) -> frozenset[type]:
    """Types whose every value is right where a type is asked for."""
    if get_origin(hint) in (Union, UnionType):
        return frozenset().union(*(_certain(part) for part in get_args(hint)))
    sure = hint in (str, int, bool, NoneType) or (isinstance(hint, type) and issubclass(hint, Enum))
    return frozenset([hint]) if sure else frozenset()


def _of(where: str, hint: Any, value: object) -> Iterator[Problem]:
    """Compare a value with a type as the dataclasses of a trial use them."""
    if type(value) in _certain(hint):
        return
    origin = get_origin(hint)
    if origin in (Union, UnionType):
        if not any(not list(_of(where, part, value)) for part in get_args(hint)):
            yield _wrong(where, value)
    elif origin is tuple:
        part, *rest = get_args(hint)
        parts = (part, *rest) if rest != [Ellipsis] else (part,) * len(_sized(value))
        if not isinstance(value, tuple) or len(value) != len(parts):
            yield _wrong(where, value)
            return
        for one, item in zip(parts, value, strict=True):
            yield from _of(where, one, item)
    elif origin is not None:
        if not isinstance(value, Mapping):
            yield _wrong(where, value)
    elif not _is(hint, value):
        yield _wrong(where, value)
    elif is_dataclass(value):
        yield from _of_dataclass(where, value)


def _wrong(where: str, value: object) -> Problem:
    what = f"{capital(where)} is {quoted(repr(value))}, which it cannot be."
    return _fault(what, "Give what the documentation of the class says.", "wrong-type")


def _sized(value: object) -> tuple[object, ...]:
    return value if isinstance(value, tuple) else ()


def _is(kind: type, value: object) -> bool:
    if kind is float:
        if isinstance(value, float):
            return isfinite(value)
        return _is(int, value) and value in _WHOLE
    if kind is int:
        return isinstance(value, int) and not isinstance(value, bool)
    if kind is str:
        # The enumerations of a trial are text too.
        return isinstance(value, str) and not isinstance(value, Enum)
    return isinstance(value, kind)


def _of_plan(trial: Trial) -> Iterator[Problem]:
    treatments = [item.id for item in trial.treatments]
    for item in trial.treatments:
        amounts = (item.rate, item.cost_per_ha, item.cost_per_acre)
        if any(
            amount is not None and (amount < 0.0 or out_of_bounds(amount)) for amount in amounts
        ):
            yield _fault(
                f"The rate or cost of treatment {quoted(item.id)} is no number that can be one.",
                kind="out-of-bounds",
            )
    yield from _doubled("treatment", treatments)
    yield from _doubled("plot", [item.id for item in trial.plots])
    yield from _doubled("variable", [item.name for item in trial.variables])
    yield from _unknown(
        "Plots name the treatment", (plot.treatment for plot in trial.plots), treatments
    )
    parts = [part for item in trial.treatments for part in item.parts]
    yield from _unknown("Mixtures name the treatment", parts, treatments)
    if trial.untreated is not None:
        yield from _unknown("The untreated is", [trial.untreated], treatments)
    places = (place for plot in trial.plots for place in (plot.row, plot.column))
    if any(place is not None and abs(place) > _LARGEST_PLACE for place in places):
        yield _fault("Rows or columns of plots are out of all bounds.")
    if not trial.plots:
        yield _fault("The trial has no plots.", "Add the plots.", "no-plots")
    planted = {plot.treatment for plot in trial.plots}
    for bare in [item for item in treatments if item not in planted][:1]:
        yield _fault(
            f"The treatment {quoted(bare)} has no plot.",
            "Give it plots, or take it out.",
            "treatment-without-plots",
        )
    yield from plan_faults(trial.design, trial.plots, trial.main_plots)


def _of_names(trial: Trial) -> Iterator[Problem]:
    plots = [item.id for item in trial.plots]
    variables = [item.name for item in trial.variables]
    for name in _VALUES:
        table: pd.DataFrame = getattr(trial, name)
        yield from _unknown(f"{name.capitalize()} name the plot", table["plot"].tolist(), plots)
        if "variable" in table:
            yield from _unknown(
                f"{name.capitalize()} name the variable", table["variable"].tolist(), variables
            )


#: Of these less is better, whatever a file says.
_HARM = (VariableRole.PEST, VariableRole.DAMAGE, VariableRole.CROP_INJURY)


def _of_roles(trial: Trial) -> Iterator[Problem]:
    """Variables whose role and whose better contradict each other: control would be upside down."""
    for item in trial.variables:
        if item.role in _HARM and item.better is Better.MORE:
            yield _fault(
                f"Of the variable '{item.name}' more is said to be better, and its role is "
                f"{item.role}, of which less is better.",
                "Where the dead were counted give the living instead; where it tells how the crop "
                'did give it the role "crop"; else take better out.',
            )


def _of_values(trial: Trial) -> Iterator[Problem]:
    for name in _VALUES:
        table: pd.DataFrame = getattr(trial, name)
        numbers = table.select_dtypes("float")
        if any_out_of_bounds(numbers.to_numpy()):
            yield _fault(
                f"{name.capitalize()} hold a number that no plot can have.", kind="out-of-bounds"
            )
    kinds = trial.counts["variable"].map({item.name: item.kind for item in trial.variables})
    values = trial.counts["value"]
    if (values[kinds.isin([Kind.COUNT, Kind.PERCENT])] < 0.0).any():
        yield _fault("Counts or percentages are below 0.")
    if (values[kinds == Kind.PERCENT] > 100.0).any():
        yield _fault("Percentages are above 100.")
    yield from _of_shares(trial)
    if trial.counts["day"].isna().any():
        yield _fault("Counts lack their day.")
    if not trial.counts["sample"].map(lambda mark: mark is None or isinstance(mark, str)).all():
        yield _fault("Names of samples are no text.")
        return
    known = values.notna()
    if known.all():
        return
    cells = [trial.counts["variable"], trial.counts["day"], trial.counts["sample"].fillna("")]
    if not known.groupby(cells, dropna=False).any().all():
        yield _fault("Counts of a day are all missing.", "Leave the day out.", "empty-day")


def _of_facts(trial: Trial) -> Iterator[Problem]:
    for name in FACTS:
        table: pd.DataFrame = getattr(trial, name)
        if table.empty:
            continue
        for column in table.columns:
            cells = table[column]
            if column == "date":
                good = cells.map(lambda cell: cell is None or isinstance(cell, date))
            elif cells.dtype == object:
                good = cells.map(lambda cell: cell is None or isinstance(cell, str))
            elif cells.dtype == float:
                good = pd.Series([not any_out_of_bounds(cells.to_numpy())])
            else:
                good = cells.map(lambda cell: isinstance(cell, float) and not out_of_bounds(cell))
            if not good.all():
                yield _fault(f"{name.capitalize()} hold a {column} of the wrong kind.")
    treatments = [item.id for item in trial.treatments]
    yield from _unknown("Doses name the treatment", trial.doses["treatment"], treatments)
    variables = [item.name for item in trial.variables]
    named = trial.assessments["variable"].dropna()
    yield from _unknown("Assessments name the variable", named, variables)
    yield from _unknown("Events are of the kind", trial.events["kind"], list(EVENT_KINDS))
    for name in ("rate", "actual"):
        if len(trial.doses) and (trial.doses[name] < 0.0).any():
            yield _fault("Doses are below 0.")


def _of_shares(trial: Trial) -> Iterator[Problem]:
    """Faults of shares k of n: what they are of, and whether k and n are whole."""
    of = {item.name: item.examined for item in trial.variables if item.examined is not None}
    for item in trial.variables:
        if item.name in of and item.kind is not Kind.PERCENT:
            yield _fault(f"The variable {quoted(item.name)} is a share and no percentage.")
        fixed = not isinstance(item.examined, str) and item.examined is not None
        if item.examined == "" or (fixed and not _is_number_of_units(float(item.examined or 0))):
            yield _fault(
                f"The variable {quoted(item.name)} is a share of {quoted(str(item.examined))}."
            )
    if EXAMINED not in trial.counts:
        return  # analysed as percentages
    numbers = numbers_examined(trial.counts)
    share = trial.counts["variable"].isin(list(of))
    if numbers[~share].notna().any():
        yield _fault("Numbers examined stand beside a variable that is no share.")
    known = share & trial.counts["value"].notna()
    if not numbers[known].map(_is_number_of_units).all():
        yield _fault("Shares lack a whole number examined.")
        return
    fixed_numbers = trial.counts["variable"][known].map(
        {name: value for name, value in of.items() if not isinstance(value, str)}
    )
    if (fixed_numbers.notna() & (fixed_numbers != numbers[known])).any():
        yield _fault("Numbers examined are not those that the variable names.")
    hits = trial.counts["value"][known] * numbers[known] / 100.0
    if ((hits - hits.round()).abs() > 1e-6).any():
        yield _fault("Shares are no whole number of the units examined.")


def _is_number_of_units(value: float) -> bool:
    return value == value and value.is_integer() and 1.0 <= value <= 1e9


def _of_settings(trial: Trial) -> Iterator[Problem]:
    settings = trial.settings
    for name in ("crop_price", "bushel_lb"):
        if getattr(settings, name) is not None and out_of_bounds(getattr(settings, name)):
            yield _fault(f"The setting {name} is out of bounds.", kind="out-of-bounds")
    weighed = settings.bushel_lb or crop_in_bushels(trial.crop)
    if settings.yield_unit == "bu/acre" and not trial.harvest.empty and not weighed:
        yield _fault(
            "Yields are to be in bu/acre, and the pounds in a bushel are not given.",
            "Give bushel_lb in the settings.",
            "no-bushel",
        )
    yield from choice_faults(trial.report, choosable(trial))
    known = [item.id for item in trial.treatments]
    for text in settings.contrasts:
        contrast = read_planned(text)
        yield from contrast_faults(contrast.name, (*contrast.group, *contrast.against), known)


#: Crops of which it is known what a bushel weighs, with other names that they go by.
_IN_BUSHELS = {
    "wheat": (),
    "maize": ("corn",),
    "sorghum": ("milo",),
    "soybean": ("soybeans", "soya"),
    "barley": (),
    "oats": ("oat",),
}


def crop_in_bushels(crop: str | None) -> str | None:
    """Find the crop by whose bushel a yield can be given, from its name as written.

    Examples
    --------
    >>> crop_in_bushels("Winter wheat"), crop_in_bushels("sweet corn")
    ('wheat', None)
    """
    words = {word.strip(",;()").casefold() for word in (crop or "").split()}
    if words & {"sweet", "silage"}:  # not harvested as grain
        return None
    found = [name for name, others in _IN_BUSHELS.items() if words & {name, *others}]
    return found[0] if len(found) == 1 else None


def contrast_faults(name: str, ids: Iterable[str], known: list[str]) -> Iterator[Problem]:
    """Find treatments of a planned contrast that the trial does not have."""
    for item in ids:
        if item not in known:
            yield error(
                "bad-contrast",
                f"The planned contrast {quoted(name)} names {quoted(item)}, which is no treatment.",
                sentences(
                    meant(item, known), "Name treatments by their ids, with commas between them."
                ),
            )


def _doubled(what: str, names: list[str]) -> Iterator[Problem]:
    doubled = sorted(name for name, times in Counter(names).items() if times > 1)
    if doubled:
        yield _fault(
            f"The {what} {quoted(doubled[0])} is listed twice.",
            "Give each a name of its own.",
            "listed-twice",
        )


def _unknown(what: str, names: Iterable[object], known: list[str]) -> Iterator[Problem]:
    listed = set(known)
    for name in names:
        if not isinstance(name, str) or name not in listed:
            yield _fault(
                f"{what} {quoted(str(name))}, which is not listed.",
                "List it, or correct the name.",
                "not-listed",
            )
            return
