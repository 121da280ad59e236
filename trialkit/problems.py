"""What is wrong in the input, where it stands, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum


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

    def __str__(self) -> str:
        where = str(self.place)
        return f"{where}: {self.what} {self.remedy}" if where else f"{self.what} {self.remedy}"


def error(kind: str, what: str, remedy: str, place: Place | None = None) -> Problem:
    """Make a problem that stops the run."""
    return Problem(Severity.ERROR, kind, place or Place(), what, remedy)


def warning(kind: str, what: str, remedy: str, place: Place | None = None) -> Problem:
    """Make a problem that is shown and does not stop the run."""
    return Problem(Severity.WARNING, kind, place or Place(), what, remedy)


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


def nearest(word: str, known: Iterable[str], cutoff: float = 0.6) -> str | None:
    """Find the known word most like ``word``, ignoring case; None where none is near."""
    by_folded = {item.casefold(): item for item in known}
    found = get_close_matches(word.casefold(), by_folded, n=1, cutoff=cutoff)
    return by_folded[found[0]] if found else None


def listing(items: Iterable[str], limit: int = 8) -> str:
    """Join words for a message; long lists are cut and say how many more there are."""
    words = list(items)
    if len(words) > limit:
        return ", ".join(words[:limit]) + f" and {len(words) - limit} more"
    if len(words) > 1:
        return ", ".join(words[:-1]) + " and " + words[-1]
    return "".join(words)


def quoted(text: str, limit: int = 60) -> str:
    """Show a cell's text in a message, cut where it is long."""
    shown = " ".join(text.split())
    return f"'{shown}'" if len(shown) <= limit else f"'{shown[: limit - 1]}…'"
