"""Captions as statements: what a table shows, true of its own numbers, and how it was made.

Sentences stand in the file of the language, under ``[caption]``. A statement that something was
shown is one of page 1; any other tells what was measured, or calls an estimate an estimate.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from trialkit.figures.identity import plain_line
from trialkit.findings.phrases import keys, phrase
from trialkit.findings.sentences import Row, Teller, noun
from trialkit.findings.shown import fewer, shown_of, treatments_named
from trialkit.numerals import day as write_day
from trialkit.plain_text import capital
from trialkit.report.context import Context
from trialkit.report.numbers import write_number
from trialkit.trial import Variable, VariableRole

_QUESTIONS = {
    VariableRole.PEST: "pest",
    VariableRole.DAMAGE: "damage",
    VariableRole.CROP_INJURY: "crop injury",
    VariableRole.NATURAL_ENEMY: "enemies",
    VariableRole.YIELD: "yield",
}


class Spot(NamedTuple):
    """A number of a table, and where it stands there.

    Attributes
    ----------
    value : float
    treatment : str
        Id of the treatment; empty where it is of none.
    day : float
        NaN where it is of none.
    digits : int or None
        Decimals with which the table shows it.
    """

    value: float
    treatment: str = ""
    day: float = math.nan
    digits: int | None = None


def caption(key: str, **slots: str | int) -> str:
    """Fill a caption; its first letter is a capital."""
    return sentence(phrase(f"caption.{key}", **slots))


def sentence(text: str) -> str:
    """Begin a text with a capital; what is in it of the user's own stays on one line."""
    return capital(plain_line(text))


def counted(number: int) -> str:
    """Write a number up to twelve as a word, a larger one in digits."""
    key = f"numerals.{number}"
    return phrase(key) if key in keys() else f"{number:,}"


def plots_words(numbers: Iterable[float]) -> str:
    """Say of how many plots treatments have means: "4 plots", "3 to 4 plots"."""
    kept = sorted({round(number) for number in numbers if number > 0})
    if not kept:
        return "no plots"
    if kept[-1] == 1:
        return "1 plot"
    return f"{kept[-1]} plots" if len(kept) == 1 else f"{kept[0]} to {kept[-1]} plots"


def name(context: Context, treatment: str) -> str:
    """Name a treatment as findings do: "Tarnock (3)", "the untreated"."""
    return Teller(context.tables).name(treatment)


def range_caption(
    context: Context, key: str, places: Iterable[Spot], **slots: str | int
) -> str | None:
    """State the least and the largest number of a table, and where they stand.

    Parameters
    ----------
    context : Context
    key : str
        Of the caption; the one that ends in ``_same`` is taken where there is one number alone.
    places : iterable of Spot
        NaN is left out.
    **slots
        Further slots of the caption.

    Returns
    -------
    str or None
        None where there is no number.
    """
    kept = [place for place in places if math.isfinite(place.value)]
    if not kept:
        return None
    if len({place.day for place in kept}) == 1:  # one day alone, or none
        kept = [place._replace(day=math.nan) for place in kept]
    low = min(kept, key=lambda place: place.value)
    high = max(kept, key=lambda place: place.value)
    written = {"low": write_number(low.value, low.digits)}
    written["high"] = write_number(high.value, high.digits)
    if written["low"] == written["high"]:
        key = "same" if key == "range" else f"{key}_same"
        return caption(key, low=written["low"], **slots)
    where = {"low_where": _where(context, low), "high_where": _where(context, high)}
    return caption(key, **written, **where, **slots)


def _where(context: Context, place: Spot) -> str:
    if not place.treatment:
        return ""
    treatment = name(context, place.treatment)
    if not math.isfinite(place.day):
        return phrase("caption.where_treatment", treatment=treatment)
    return phrase("caption.where", treatment=treatment, day=write_day(place.day))


def shown_caption(context: Context, variable: Variable) -> str | None:
    """State what page 1 holds as shown of a variable; None where nothing was.

    Treatments against the untreated, over the whole trial; of a variable of the crop nothing is
    said here, since more of it may be better or worse.
    """
    question = _QUESTIONS.get(variable.role)
    if question is None or context.trial.untreated is None:
        return None
    if "front" not in context.tables["claims"]:
        return None
    stated = []
    for direction in ("lower", "higher"):
        rows = shown_of(context.tables, question, variable.name, direction, front=True)
        rows = [row for row in rows if row["b"] == context.trial.untreated]
        if rows:
            stated.append(_against_untreated(context, variable, direction, rows))
    return "; ".join(stated) or None


def _against_untreated(
    context: Context, variable: Variable, direction: str, rows: Sequence[Row]
) -> str:
    teller = Teller(context.tables)
    treatments = treatments_named(teller, [str(row["a"]) for row in rows])
    if variable.role is VariableRole.YIELD:
        return caption(f"yield_{direction}", treatments=treatments)
    key = "level.higher" if direction == "higher" else f"level.{fewer('lower', variable)}"
    text = phrase(key, treatments=treatments, noun=noun(variable), brackets="")
    return sentence(teller.dated(text, variable.name)).removesuffix(".")
