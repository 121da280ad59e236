"""What is wrong in the input, where it stands, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """How grave a problem is: an error stops a run, a warning does not."""

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
    """The one exception for bad input: it carries every problem found, warnings too."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))
