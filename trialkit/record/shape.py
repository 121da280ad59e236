"""Whether the trial of a record is one that can be analysed: a record may have been edited."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from datetime import date
from enum import Enum
from functools import cache
from math import inf, isfinite
from types import UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

import pandas as pd

from trialkit.planned import read_planned
from trialkit.trial import Design, Kind, Trial, numbers_examined
from trialkit.trial_tables import EVENT_KINDS

#: Numbers beyond this are written with an exponent, and so are no whole ones when read.
_WHOLE = range(-(2**53), 2**53 + 1)
#: Rows and columns of the field map beyond this are no places.
_LARGEST_PLACE = 1_000_000
_YIELD_UNITS = ("kg/ha", "t/ha", "lb/acre", "bu/acre")
_VALUES = ("counts", "yields", "harvest")
#: Tables of a trial beside plan and values.
FACTS = ("doses", "assessments", "weather", "events")


def trial_faults(trial: Trial) -> tuple[str, ...]:
    """List what keeps a trial that was built from a record from being analysed.

    Parameters
    ----------
    trial : Trial
        As built from the plain values of a record, its types unchecked.

    Returns
    -------
    tuple of str
        One phrase a fault, empty when there is none.
    """
    # Ids of the wrong type could not be looked up, nor values of a plot that is not known.
    return (
        tuple(_of_dataclass("trial", trial))
        or (*_of_plan(trial), *_of_names(trial), *_of_settings(trial))
        or (*_of_values(trial), *_of_facts(trial))
    )


@cache
def _hints(kind: Hashable) -> dict[str, Any]:
    return get_type_hints(kind)


def _of_dataclass(where: str, thing: Any) -> Iterator[str]:
    kind: Any = type(thing)
    for item in fields(thing):
        yield from _of(f"{where}: {item.name}", _hints(kind)[item.name], getattr(thing, item.name))


def _of(where: str, hint: Any, value: object) -> Iterator[str]:
    """Compare a value with a type as the dataclasses of a trial use them."""
    origin = get_origin(hint)
    if origin in (Union, UnionType):
        if not any(not list(_of(where, part, value)) for part in get_args(hint)):
            yield f"{where} is {value!r}"
    elif origin is tuple:
        part, *rest = get_args(hint)
        parts = (part, *rest) if rest != [Ellipsis] else (part,) * len(_sized(value))
        if not isinstance(value, tuple) or len(value) != len(parts):
            yield f"{where} is {value!r}"
            return
        for one, item in zip(parts, value, strict=True):
            yield from _of(where, one, item)
    elif origin is not None:
        if not isinstance(value, Mapping):
            yield f"{where} is {value!r}"
    elif not _is(hint, value):
        yield f"{where} is {value!r}"
    elif is_dataclass(value):
        yield from _of_dataclass(where, value)


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


def _of_plan(trial: Trial) -> Iterator[str]:
    treatments = [item.id for item in trial.treatments]
    yield from _doubled("treatment", treatments)
    yield from _doubled("plot", [item.id for item in trial.plots])
    yield from _doubled("variable", [item.name for item in trial.variables])
    yield from _unknown("plots name the treatment", (p.treatment for p in trial.plots), treatments)
    if trial.untreated is not None:
        yield from _unknown("the untreated is", [trial.untreated], treatments)
    needed = {Design.RCBD: ("block",), Design.LATIN: ("row", "column")}.get(trial.design, ())
    if trial.main_plots is Design.LATIN:
        needed = ("row", "column")
    for name in needed:
        if any(getattr(plot, name) is None for plot in trial.plots):
            yield f"plots without {name}"
    places = (place for plot in trial.plots for place in (plot.row, plot.column))
    if any(place is not None and abs(place) > _LARGEST_PLACE for place in places):
        yield "rows or columns out of all bounds"
    if not trial.plots:
        yield "no plots"


def _of_names(trial: Trial) -> Iterator[str]:
    plots = [item.id for item in trial.plots]
    variables = [item.name for item in trial.variables]
    for name in _VALUES:
        table: pd.DataFrame = getattr(trial, name)
        yield from _unknown(f"{name} name the plot", table["plot"], plots)
        if "variable" in table:
            yield from _unknown(f"{name} name the variable", table["variable"], variables)


def _of_values(trial: Trial) -> Iterator[str]:
    for name in _VALUES:
        table: pd.DataFrame = getattr(trial, name)
        numbers = table.select_dtypes("float")
        if numbers.isin([float("inf"), float("-inf")]).any(axis=None):
            yield f"{name} hold a number without bounds"
    kinds = trial.counts["variable"].map({item.name: item.kind for item in trial.variables})
    values = trial.counts["value"]
    if (values[kinds.isin([Kind.COUNT, Kind.PERCENT])] < 0.0).any():
        yield "counts or percentages below 0"
    if (values[kinds == Kind.PERCENT] > 100.0).any():
        yield "percentages above 100"
    yield from _of_shares(trial)
    if trial.counts["day"].isna().any():
        yield "counts without a day"
    if not trial.counts["sample"].map(lambda mark: mark is None or isinstance(mark, str)).all():
        yield "counts with a sample that is no text"


def _of_facts(trial: Trial) -> Iterator[str]:
    for name in FACTS:
        table: pd.DataFrame = getattr(trial, name)
        for column in table.columns:
            cells = table[column]
            if column == "date":
                good = cells.map(lambda cell: cell is None or isinstance(cell, date))
            elif cells.dtype == object:
                good = cells.map(lambda cell: cell is None or isinstance(cell, str))
            else:
                good = cells.map(lambda cell: isinstance(cell, float) and abs(cell) != inf)
            if not good.all():
                yield f"{name} hold a {column} of the wrong kind"
    treatments = [item.id for item in trial.treatments]
    yield from _unknown("doses name the treatment", trial.doses["treatment"], treatments)
    variables = [item.name for item in trial.variables]
    named = trial.assessments["variable"].dropna()
    yield from _unknown("assessments name the variable", named, variables)
    yield from _unknown("events are of the kind", trial.events["kind"], list(EVENT_KINDS))
    for name in ("rate", "actual"):
        if (trial.doses[name] < 0.0).any():
            yield "doses below 0"


def _of_shares(trial: Trial) -> Iterator[str]:
    """Faults of shares k of n: what they are of, and whether k and n are whole."""
    of = {item.name: item.examined for item in trial.variables if item.examined is not None}
    for item in trial.variables:
        if item.name in of and item.kind is not Kind.PERCENT:
            yield f"the variable {item.name!r} is a share and no percentage"
        fixed = not isinstance(item.examined, str) and item.examined is not None
        if item.examined == "" or (fixed and not _is_number_of_units(float(item.examined or 0))):
            yield f"the variable {item.name!r} is a share of {item.examined!r}"
    numbers = numbers_examined(trial.counts)
    share = trial.counts["variable"].isin(list(of))
    if numbers[~share].notna().any():
        yield "numbers examined of a variable that is no share"
    known = share & trial.counts["value"].notna()
    if not numbers[known].map(_is_number_of_units).all():
        yield "shares without a whole number examined"
        return
    fixed_numbers = trial.counts["variable"][known].map(
        {name: value for name, value in of.items() if not isinstance(value, str)}
    )
    if (fixed_numbers.notna() & (fixed_numbers != numbers[known])).any():
        yield "numbers examined that are not those of the variable"
    hits = trial.counts["value"][known] * numbers[known] / 100.0
    if ((hits - hits.round()).abs() > 1e-6).any():
        yield "shares that are no whole number of the units examined"


def _is_number_of_units(value: float) -> bool:
    return value == value and value.is_integer() and 1.0 <= value <= 1e9


def _of_settings(trial: Trial) -> Iterator[str]:
    settings = trial.settings
    if not 0.0 < settings.alpha < 0.5:
        yield f"alpha is {settings.alpha!r}"
    if settings.seed < 0:
        yield f"the seed is {settings.seed!r}"
    if settings.crop_price is not None and settings.crop_price < 0.0:
        yield f"the price is {settings.crop_price!r}"
    if settings.bushel_lb is not None and settings.bushel_lb <= 0.0:
        yield f"the bushel is {settings.bushel_lb!r} lb"
    moisture = settings.standard_moisture_percent
    if moisture is not None and not 0.0 <= moisture < 100.0:
        yield f"the standard moisture is {moisture!r}"
    if settings.yield_unit not in _YIELD_UNITS:
        yield f"the yield unit is {settings.yield_unit!r}"
    if settings.yield_unit == "bu/acre" and not trial.harvest.empty and not settings.bushel_lb:
        yield "no pounds in a bushel"
    if repr(settings.supporting) not in {"True", "False"}:
        yield f"supporting is {settings.supporting!r}"
    yield from _of_contrasts(trial)


def _of_contrasts(trial: Trial) -> Iterator[str]:
    known = {item.id for item in trial.treatments}
    for text in trial.settings.contrasts:
        try:
            contrast = read_planned(text)
        except (ValueError, AttributeError):
            yield f"the planned contrast {text!r} cannot be read"
            continue
        if not known.issuperset((*contrast.group, *contrast.against)):
            yield f"the planned contrast {text!r} names treatments that are not there"


def _doubled(what: str, names: list[str]) -> Iterator[str]:
    doubled = sorted({name for name in names if names.count(name) > 1})
    if doubled:
        yield f"the {what} {doubled[0]!r} stands there twice"


def _unknown(what: str, names: Iterable[object], known: list[str]) -> Iterator[str]:
    for name in names:
        if not isinstance(name, str) or name not in known:
            yield f"{what} {name!r}, which is not listed"
            return
