"""What a table and a column are, and the columns that many tables share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Kind = Literal["text", "number", "flag"]

#: What numbers are in, and what entries of text name, each in a few words.
UNITS: Mapping[str, str] = MappingProxyType(
    {
        "of the variable": "as counted or measured, in the unit of the variable",
        "of the response": "as counted or measured; areas under a curve are that times days",
        "scale of analysis": "after the transform of the response (as counted where it has none)",
        "scale of analysis, squared": "the square of the scale of analysis",
        "variable × days": "the unit of the variable, times days",
        "%": "percent",
        "percentage points": "a difference of two percentages",
        "days": "a length of time",
        "day": "days after the first application, negative before it",
        "probability": "between 0 and 1",
        "ratio": "a ratio or a power, without a unit",
        "number": "how many there are, or a statistic without a unit",
        "currency": "money for the unit of area of the yield",
        "currency per yield": "money for the unit of mass of the yield",
        "yield for 100 variable × days": "change of yield for 100 more units × days of the pest",
        "log10": "of the count plus 1",
        "of the row": "days or percent, as another column of the row says",
        "of the variable, squared": "the square of the unit of the variable",
        "trial": "key of a trial of the series",
        "variable": "name of a variable of the trial",
        "treatment": "id of a treatment of the trial",
        "plot": "id of a plot of the trial",
        "block": "name of a block of the trial",
        "measure": "which kind of response: an assessment, an area under the curve, a yield",
        "scale": "a transform",
        "method": "a formula of percent control or a procedure of comparison",
        "words": "words for a person to read",
        "yes or no": "true, false, or nothing where it cannot be said",
    }
)


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    name : str
        As in the data frame and the record.
    kind : {"text", "number", "flag"}
    heading : str
        In words, for a table that a person reads.
    unit : str
        A key of `UNITS`: what numbers are in, or what entries of text name.
    digits : int or None
        Decimals shown; None for three significant digits, and for text.
    meaning : str
        What an entry says, and when there is none.
    """

    name: str
    kind: Kind
    heading: str
    unit: str
    digits: int | None
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One table of an Analysis.

    Attributes
    ----------
    name : str
        As an attribute of the Analysis and in the record.
    sheet : str
        Name of its sheet in a workbook, 31 characters at most.
    question : str
        What it tells; its caption.
    row : str
        What one row stands for.
    columns : tuple of Column
        In order.
    made_by : str
        Function of the `Basis` that makes it, with its module inside `trialkit.analysis`; empty
        where the engine makes it with others.
    supporting : bool
        Whether it only supports the tests, and is left out with ``supporting = false``.
    recorded : bool
        Whether it stands in the record; tables that are long and follow from others do not.
    """

    name: str
    sheet: str
    question: str
    row: str
    columns: tuple[Column, ...]
    made_by: str = ""
    supporting: bool = False
    recorded: bool = True

    def column(self, name: str) -> Column:
        """Find a column by its name.

        Raises
        ------
        KeyError
            When the table has no such column.
        """
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)


def number(name: str, heading: str, unit: str, digits: int | None, meaning: str) -> Column:
    """Make a column of numbers; NaN (null in the record) where there is none."""
    return Column(name, "number", heading, unit, digits, meaning)


def p_value(name: str, heading: str, meaning: str) -> Column:
    """Make a column of p-values."""
    return Column(name, "number", heading, "probability", None, meaning)


def text(name: str, heading: str, meaning: str, names: str = "words") -> Column:
    """Make a column of text; None where there is nothing."""
    return Column(name, "text", heading, names, None, meaning)


def flag(name: str, heading: str, meaning: str) -> Column:
    """Make a column of true and false."""
    return Column(name, "flag", heading, "yes or no", None, meaning)


def limits(unit: str, digits: int, of: str, heading: str = "Interval") -> tuple[Column, Column]:
    """Make the columns of an interval at the level of the settings.

    Parameters
    ----------
    unit : str
    digits : int
    of : str
        What the interval is of.
    heading : str
    """
    after = {"%": ", %", "percentage points": ", points", "days": ", days"}.get(unit, "")
    level = "at the level of the settings (1 less alpha)"
    return (
        number("lower", f"{heading} from{after}", unit, digits, f"Lower limit of {of}, {level}."),
        number("upper", f"{heading} to{after}", unit, digits, f"Upper limit of {of}, {level}."),
    )


VARIABLE = text("variable", "Variable", "The variable of the row.", "variable")
DAYS_AFTER = number(
    "days_after",
    "Days after application",
    "day",
    None,
    "Day of the assessment; none for yields and for what is made of all days together.",
)
DAY = (VARIABLE, DAYS_AFTER)
RESPONSE = (
    VARIABLE,
    text(
        "measure",
        "Measure",
        "What was tested: count (an assessment of any kind), pest_days (area under the curve) "
        "or yield.",
        "measure",
    ),
    DAYS_AFTER,
)
TREATMENT = text("treatment", "Treatment", "The treatment of the row.", "treatment")
REASON = text("reason", "Why there is no value", "Why the row has no value; none where it has.")
NOTE = text("note", "Note", "A remark on the row; none where nothing needs saying.")
PLOTS = number("n", "Plots", "number", 0, "Plots behind the row.")
DF = number("df", "Degrees of freedom", "number", 1, "Degrees of freedom of the row.")
DF_ERROR = number(
    "df_error", "Degrees of freedom, error", "number", 1, "Degrees of freedom of the error."
)
F = number("F", "F", "number", 3, "F: mean square of the source over that of its error.")
P = p_value("p", "p-value", "p-value of the test of the row.")
MEAN_ANALYSED = number(
    "mean_analysed",
    "Least-squares mean, scale of analysis",
    "scale of analysis",
    4,
    "Least-squares mean on the scale of analysis.",
)
SE_ANALYSED = number(
    "se",
    "Standard error, scale of analysis",
    "scale of analysis",
    4,
    "Standard error of the mean on the scale of analysis.",
)
LETTERS = text(
    "letters",
    "Letters",
    "Means that share a letter do not differ significantly; a marks the largest mean. None "
    "where no procedure gives letters.",
)
