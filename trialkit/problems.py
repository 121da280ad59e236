"""What is wrong in the input, where it stands, and what to do about it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from enum import StrEnum

from trialkit.plain_text import joined


class Severity(StrEnum):
    """How grave a problem is: an error stops a run, a warning does not.

    Examples
    --------
    >>> import trialkit
    >>> [severity.value for severity in trialkit.Severity]
    ['error', 'warning']
    """

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Place:
    """Where a problem stands, as a person finds it in the file.

    Attributes
    ----------
    file : str
        File name without folders, as the user gave it.
    sheet : str or None
        Name of the worksheet.
    row : int or None
        Row as the spreadsheet or text editor numbers it, from 1.
    column : str or None
        Header of the column, or its letter where it has no header.

    Examples
    --------
    >>> import trialkit
    >>> str(trialkit.Place("counts.csv", row=4, column="larvae"))
    'counts.csv, row 4, column larvae'
    """

    file: str = ""
    sheet: str | None = None
    row: int | None = None
    column: str | None = None

    def __str__(self) -> str:
        parts = [self.file] if self.file else []
        if self.sheet is not None:
            parts.append(f"sheet {self.sheet}")
        if self.row is not None:
            parts.append(f"row {self.row}")
        if self.column is not None:
            parts.append(f"column {self.column}")
        return ", ".join(parts)


#: How remedies begin that ask for nothing.
_AT_REST = ("Nothing needs to be done", "It is kept here", "It was left out", "No need")


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in the input.

    Attributes
    ----------
    severity : Severity
    kind : str
        Stable short name of the sort of problem, for tests and the record (``text-in-number``).
    place : Place
    what : str
        What was found, as a sentence.
    remedy : str
        What to do about it, as a sentence.

    Examples
    --------
    >>> import trialkit
    >>> place = trialkit.Place("plots.csv", row=3)
    >>> print(trialkit.Problem(trialkit.Severity.ERROR, "no-block", place, "No block.", "Add it."))
    plots.csv, row 3: No block. Add it.
    """

    severity: Severity
    kind: str
    place: Place
    what: str
    remedy: str

    @property
    def at_rest(self) -> bool:
        """Whether it only says what was understood, and nothing needs to be done."""
        return self.severity is Severity.WARNING and self.remedy.startswith(_AT_REST)

    def __str__(self) -> str:
        where = str(self.place)
        return f"{where}: {self.what} {self.remedy}" if where else f"{self.what} {self.remedy}"


def error(kind: str, what: str, remedy: str, place: Place | None = None) -> Problem:
    """Make a problem that stops the run."""
    return Problem(Severity.ERROR, kind, place or Place(), what, remedy)


def warning(kind: str, what: str, remedy: str, place: Place | None = None) -> Problem:
    """Make a problem that is shown and does not stop the run."""
    return Problem(Severity.WARNING, kind, place or Place(), what, remedy)


#: Places that are listed of one cause.
_PLACES_SHOWN = 4
_PARTICULARS = re.compile(r"'[^']*'|\d[\d.,/:-]*")


def one_each(problems: Iterable[Problem], least: int = 2) -> tuple[Problem, ...]:
    """Bring problems of one cause together: one problem, with the count and the first places.

    Parameters
    ----------
    problems : iterable of Problem
    least : int
        How many there must be of one cause before they are brought together.

    Returns
    -------
    tuple of Problem
        In the order of the first of each cause. Two are of one cause when they stand in one file
        or sheet and say the same of different cells.

    Examples
    --------
    >>> many = [error("x", f"'{i}' is no number.", "Type one.", Place("a.csv", row=i))
    ...         for i in range(2, 9)]
    >>> print(one_each(many)[0])
    a.csv, row 2: '2' is no number. The same in 6 more places: rows 3, 4, 5, 6 and 2 more. Type one.
    """
    groups: dict[tuple[object, ...], list[Problem]] = {}
    for item in problems:
        cause = _PARTICULARS.sub("", item.what)
        key = (item.severity, item.kind, item.place.file, item.place.sheet, cause)
        groups.setdefault(key, []).append(item)
    made: list[Problem] = []
    for group in groups.values():
        if len(group) < max(least, 2):
            made += group
            continue
        first, *others = group
        number = len(others)
        places = f"{number} more place{'s' if number > 1 else ''}"
        what = f"{first.what} The same in {places}{_listed(first, others)}."
        made.append(replace(first, what=what))
    return tuple(made)


def _listed(first: Problem, others: Sequence[Problem]) -> str:
    """First places beside the one that is shown, in as few words as tell them apart."""
    alike = all(
        item.place.column == first.place.column and item.place.row is not None for item in others
    )
    if alike:
        rows = listing([str(item.place.row) for item in others], _PLACES_SHOWN)
        return f": row{'s' if len(others) > 1 else ''} {rows}"
    texts = [str(replace(item.place, file="", sheet=None)) for item in others]
    known = [text for text in dict.fromkeys(texts) if text]
    return (
        f": {'; '.join(known[:_PLACES_SHOWN])}"
        + (f" and {len(others) - _PLACES_SHOWN} more" if len(known) > _PLACES_SHOWN else "")
        if known
        else ""
    )


class TrialError(Exception):
    """The one exception for bad input: it carries every problem found, warnings too.

    Examples
    --------
    >>> import trialkit
    >>> try:
    ...     trialkit.read_trial("no such trial")
    ... except trialkit.TrialError as fault:
    ...     print(fault.problems[0].what)
    There is no such file or folder.
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Find the known word most like ``word``, ignoring case; None where none is near."""
    by_folded = {item.casefold(): item for item in known}
    found = get_close_matches(word.casefold(), by_folded, n=1)
    return by_folded[found[0]] if found else None


def listing(items: Iterable[str], limit: int = 8) -> str:
    """Join words for a message; long lists are cut and say how many more there are."""
    words = list(items)
    if len(words) > limit:
        return ", ".join(words[:limit]) + f" and {len(words) - limit} more"
    return joined(words)


def quoted(text: str, limit: int = 60) -> str:
    """Show a cell's text in a message, cut where it is long."""
    shown = " ".join(text.split())
    return f"'{shown}'" if len(shown) <= limit else f"'{shown[: limit - 1]}…'"


def meant(word: str, known: Iterable[str]) -> str:
    """Ask whether the nearest of the known words was meant; nothing where none is near."""
    near = nearest(word, known)
    return f"Did you mean {quoted(near)}?" if near else ""


def sentences(*parts: str) -> str:
    """Join sentences of a message; those that are empty are left out."""
    return " ".join(filter(None, parts))


def choice(word: str, known: Iterable[str], lead: str = "Known are", limit: int = 60) -> str:
    """Say what a word may be: the nearest first, then all, or the first ``limit`` of them."""
    words = list(known)
    return sentences(meant(word, words), f"{lead} {listing(words, limit)}.")
