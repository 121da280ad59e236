"""A finding: a sentence for a person, what it claims, and the numbers in it with their places."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Literal, Protocol

import numpy as np

from trialkit import numerals
from trialkit.findings.phrases import phrase, series
from trialkit.plain_text import capital
from trialkit.rows import TableRows, Tables


class Style(StrEnum):
    """How a number is written in a sentence."""

    NUMBER = "number"
    #: The other way round: a difference of -3 as "less by 3".
    TURNED = "turned"
    WHOLE = "whole"
    DAY = "day"
    #: A length of time that is at least so long: rounded down, without its sign.
    LEAST = "least"
    #: A limit of a difference in percentage points, and the other way round: beyond 100 it only
    #: says that more of the pest was there than in the untreated.
    POINTS = "points"
    POINTS_TURNED = "points turned"
    P = "p"
    #: The largest of several p-values: "p ≤ 0.012".
    P_AT_MOST = "p at most"


#: From this on a percentage without decimals would look like all.
NEARLY_ALL = 99.5
#: Differences in percentage points beyond this are told as beyond it.
MOST_POINTS = 100.0


@dataclass(frozen=True, slots=True)
class Number:
    """A number in a sentence, and the cell of the table from which it comes.

    Attributes
    ----------
    shown : str
        As written in the sentence.
    table : str
        Name of the table of the Analysis.
    row : int
        Its row there.
    column : str
    style : Style
    decimals : int or None
        Decimals, where they follow from the interval; None where the style says.
    times : float
        How many times the cell is shown: p-values adjusted for their number.
    """

    shown: str
    table: str
    row: int
    column: str
    style: Style
    decimals: int | None = None
    times: float = 1.0


@dataclass(frozen=True, slots=True)
class Finding:
    """One sentence about data or result.

    Attributes
    ----------
    topic : str
        What it speaks of: ``control``, ``persistence``, ``yield`` and so on.
    text : str
    numbers : tuple of Number
        Every number in the text that was computed.
    claim : bool
        Whether it says that something was shown; a test stands behind it then. An estimate and a
        description claim nothing.
    front : bool
        Whether it stands on page 1, where all claims hold together at the level of the settings.
    question : str or None
        Of the table ``claims`` where one of its tests stands behind the sentence, else the topic.
    variable : str or None
    subjects : tuple of str
        Ids of the treatments of which it says something.
    against : tuple of str
        Ids of the treatments with which a claim compares them.
    direction : "lower", "higher" or None
        How the subjects of a claim stand to ``against``.
    p : float or None
        The largest p-value behind a claim, as adjusted.
    level : float or None
        The level at which that p-value was read.

    Examples
    --------
    >>> import trialkit
    >>> analysis = trialkit.analyse(trialkit.example_trial("leaf_beetle_potato"))
    >>> isinstance(trialkit.make_findings(analysis)[0], trialkit.Finding)
    True
    """

    topic: str
    text: str
    numbers: tuple[Number, ...] = ()
    claim: bool = False
    front: bool = False
    question: str | None = None
    variable: str | None = None
    subjects: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    direction: Literal["lower", "higher"] | None = None
    p: float | None = None
    level: float | None = None

    def __repr__(self) -> str:
        return f"<Finding: {self.text}>"


def write(value: float, style: Style, decimals: int | None = None) -> str:
    """Write a number in one of the styles of a sentence; the words around it have its unit."""
    value = -value if style in (Style.TURNED, Style.POINTS_TURNED) else value
    if style in (Style.POINTS, Style.POINTS_TURNED) and abs(value) > MOST_POINTS:
        return phrase("words.beyond", limit=numerals.whole(math.copysign(MOST_POINTS, value)))
    if decimals == 0 and NEARLY_ALL <= abs(value) < 100.0:
        return numerals.fixed(math.copysign(min(abs(value), 99.9), value), 1)  # not all of them
    if decimals is not None:
        return numerals.fixed(value, decimals)
    if style is Style.WHOLE:
        return numerals.whole(value)
    if style is Style.DAY:
        return numerals.day(_day_shown(value))
    if style is Style.LEAST:
        return numerals.day(float(math.floor(abs(value))))
    if style is Style.P:
        return numerals.p_value(value)
    if style is Style.P_AT_MOST:
        return numerals.p_value(value).replace("=", "\N{LESS-THAN OR EQUAL TO}")
    return numerals.number(value)


def _day_shown(value: float) -> float:
    """Day of an assessment as it is, hours included; an estimated day without its fraction."""
    of_hours = abs(value) < 2 or abs(4 * value - round(4 * value)) < 1e-9
    small = 0.0 < value < 1e-5
    return value if small else round(value, 2) if of_hours else float(np.round(value))


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table of the Analysis, and where it stands."""

    table: str
    index: int
    values: dict[str, Any]

    def __getitem__(self, column: str) -> Any:
        return self.values[column]

    def known(self, column: str) -> bool:
        """Whether the number of a column is defined."""
        return math.isfinite(self.values[column])


def rows(tables: TableRows, table: str, **wanted: object) -> list[Row]:
    """Rows of a table where columns equal the values given, in their order."""
    found = tables[table]
    return [
        Row(table, place, {name: cells[place] for name, cells in found.columns.items()})
        for place in found.places(**wanted)
    ]


LIMITS = ("lower", "upper")


def decimals_of(row: Row, column: str, ends: tuple[str, str]) -> int:
    """Decimals that half the interval is worth, with two digits; else three of the number."""
    if all(row.known(end) for end in ends):
        half = abs(float(row[ends[1]]) - float(row[ends[0]])) / 2.0
        if half > 0.0:
            # Half an interval of 0.074 is worth two decimals, one of 0.054 three.
            return min(numerals.decimals_for(half * 1.4, 2), 4)
    return min(numerals.decimals_for(float(row[column]), 3), 4)


@dataclass
class Speaker:
    """Collects the numbers of one sentence while it is written, whatever the tables speak of."""

    tables: TableRows
    numbers: list[Number] = field(default_factory=list)

    def cite(
        self, row: Row, column: str, style: Style = Style.NUMBER, decimals: int | None = None
    ) -> str:
        """Write a number of a row, and keep where it stands."""
        shown = write(float(row[column]), style, decimals)
        self.numbers.append(Number(shown, row.table, row.index, column, style, decimals))
        return shown

    def p(self, row: Row, column: str = "p_adjusted", adjusted: float | None = None) -> str:
        """Write "p = 0.012"; as adjusted for the number of tests, where the cell is not."""
        own = float(row[column])
        if adjusted is None or own <= 0.0 or adjusted == own:
            return self.cite(row, column, Style.P)
        times = adjusted / own
        shown = write(own * times, Style.P)
        self.numbers.append(Number(shown, row.table, row.index, column, Style.P, None, times))
        return shown

    def day(self, row: Row, column: str = "days_after") -> str:
        """Write "day 7"."""
        return phrase("words.day", day=self.cite(row, column, Style.DAY))

    def largest_p(self, found: Sequence[Row], column: str = "p_adjusted") -> str:
        """Write the p-value behind one row, or "all p ≤ 0.012" behind several."""
        row = max(found, key=lambda row: float(row[column]))
        if len(found) == 1 or write(float(row[column]), Style.P).startswith("p <"):
            return self.p(row, column)
        return phrase("words.all_p", p=self.cite(row, column, Style.P_AT_MOST))

    def size(
        self,
        row: Row,
        column: str,
        ends: tuple[str, str] = LIMITS,
        *,
        whole: bool = False,
        points: bool = False,
    ) -> tuple[str, str]:
        """Write an estimate, and its interval as "95% CI 3 to 5"; equally many decimals in both.

        What lies below zero is told the other way round, as the words say less or fewer. The
        interval is empty where none is known.
        """
        turned = float(row[column]) < 0.0
        return self.signed(row, column, ends, whole=whole, turned=turned, points=points)

    def signed(
        self,
        row: Row,
        column: str,
        ends: tuple[str, str] = LIMITS,
        *,
        whole: bool = False,
        turned: bool = False,
        points: bool = False,
    ) -> tuple[str, str]:
        """Write an estimate with its sign, or the other way round, and its interval.

        Limits of percentage points beyond 100 are told as beyond it.
        """
        style = Style.TURNED if turned else Style.NUMBER
        limit = style
        if points:
            limit = Style.POINTS_TURNED if turned else Style.POINTS
        low, high = reversed(ends) if turned else ends
        decimals = 0 if whole else decimals_of(row, column, ends)
        value = self.cite(row, column, style, decimals)
        known = row.known(low), row.known(high)
        if not any(known):
            return value, ""
        lower = self.cite(row, low, limit, decimals) if known[0] else ""
        upper = self.cite(row, high, limit, decimals) if known[1] else ""
        return value, self._interval(lower, upper)

    def _interval(self, lower: str, upper: str) -> str:
        level = f"{100.0 * (1.0 - self.tables.alpha):g}"
        if not upper:
            return phrase("words.ci_at_least", level=level, lower=lower)
        if not lower:
            return phrase("words.ci_at_most", level=level, upper=upper)
        if lower == upper and " " in lower:
            self.numbers.pop()
            return phrase("words.ci_wholly", level=level, limit=lower)
        signed = numerals.MINUS in lower + upper or " " in lower + upper
        between = phrase("words.to" if signed else "words.dash")
        return phrase("words.ci", level=level, lower=lower, upper=upper, between=between)

    def finding(self, topic: str, text: str, **about: Any) -> Finding:
        """Close a sentence that claims nothing."""
        about.setdefault("question", topic)
        return Finding(topic, capital(text), tuple(self.numbers), **about)

    def claim(
        self, topic: str, text: str, behind: Sequence[Row], *, front: bool = False, **about: Any
    ) -> Finding:
        """Close a sentence that says what rows of the table of claims have shown."""
        ways = {row["direction"] for row in behind}
        level = float(behind[0]["level"]) if front else self.tables.alpha
        given: dict[str, Any] = {
            "question": behind[0]["question"],
            "variable": behind[0]["variable"],
            "subjects": once(row["a"] for row in behind),
            "against": once(row["b"] for row in behind),
            "direction": ways.pop() if len(ways) == 1 else None,
            "p": max(float(row["p_adjusted"]) for row in behind),
            "level": level,
        }
        return Finding(
            topic,
            capital(text),
            tuple(self.numbers),
            claim=True,
            front=front,
            **{**given, **about},
        )


@dataclass
class Teller(Speaker):
    """Collects the numbers of one sentence about a trial."""

    tables: Tables

    def finding(self, topic: str, text: str, **about: Any) -> Finding:
        """Close a sentence that claims nothing."""
        return super().finding(topic, self.dated(text, about.get("variable")), **about)

    def claim(
        self, topic: str, text: str, behind: Sequence[Row], *, front: bool = False, **about: Any
    ) -> Finding:
        """Close a sentence that says what rows of the table of claims have shown."""
        text = self.dated(text, about.get("variable", behind[0]["variable"]))
        return super().claim(topic, text, behind, front=front, **about)

    def dated(self, text: str, variable: str | None) -> str:
        """Name the day in place of the whole trial, where a variable has one after treatment."""
        day = one_day_alone(self.tables, variable) if variable else None
        if day is None:
            return text
        for whole, on in (("words.whole", "words.whole_on"), ("words.over", "words.over_on")):
            if phrase(whole) in text:
                return text.replace(phrase(whole), phrase(on, day=self.day(day)))
        return text

    def name(self, treatment_id: str) -> str:
        """Name of a treatment with its id in brackets; the untreated by its role."""
        trial = self.tables.trial
        if treatment_id == trial.untreated:
            return phrase("words.untreated")
        treatment = trial.treatment(treatment_id)
        if treatment.name == treatment.id:
            return treatment.name
        return phrase("words.named", name=treatment.name, id=treatment.id)


def one_day_alone(tables: Tables, variable: str) -> Row | None:
    """Response of the one day on which statements over the trial rest; None where there are more.

    They rest on the days after treatment alone. A day that was not given cannot be named.
    """
    own = [row for row in rows(tables, "responses", variable=variable) if row["measure"] == "count"]
    if not all(row.known("days_after") for row in own):
        return None
    after = [row for row in own if float(row["days_after"]) > 0.0]
    return after[0] if len(after) == 1 else None


def once(items: Iterable[Any]) -> tuple[Any, ...]:
    """Every item once, in the order of the first."""
    return tuple(dict.fromkeys(items))


def brackets(*items: str) -> str:
    """Write what stands in brackets behind a statement: " (95% CI 3-5; p = 0.012)"; or nothing."""
    kept = [item for item in items if item]
    if not kept:
        return ""
    return phrase("words.in_brackets", items=phrase("words.semicolon").join(kept))


class Called(Protocol):
    """A variable, of a trial or of a series."""

    @property
    def name(self) -> str:
        """What stands over its column."""
        ...

    @property
    def label(self) -> str:
        """Words for it."""
        ...


#: "(%)", "(per plant)", ", %" or ", g per m2" behind a name.
_UNIT_BEHIND = re.compile(
    r"\s*\([^()]*\)$|[\s,]*%$"
    r"|,\s*(?:m?g|kg|t|lb|oz|bu|[cm]?m|ft|in|[mc]?[lL])(?:\s*(?:/|per)\s*[\w\u00b2\u00b3]+)*$"
)


def noun(variable: Called) -> str:
    """What a variable is called within a sentence: its name where the label has it, else the label.

    Names are what people write over columns (larvae, lady_beetles); where one is no word of the
    label it may be a code. The unit behind either is left out.
    """
    words = _UNIT_BEHIND.sub("", variable.name.replace("_", " ").strip())
    if len(words) > 2 and words.lower() in variable.label.lower():
        return words
    label = _UNIT_BEHIND.sub("", variable.label)
    return label[:1].lower() + label[1:] if label[1:2].islower() else label


def day_list(days: Sequence[float]) -> str:
    """Write days: "day 7", "days 3 and 7", "days 3, 7 and 14"."""
    shown = [numerals.day(value) for value in days]
    if len(shown) == 1:
        return phrase("words.day", day=shown[0])
    return phrase("words.days", days=series(shown))
