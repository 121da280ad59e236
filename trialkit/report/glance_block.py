"""The table of the first page: one row a treatment, numbers with intervals and small pictures."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Ink(StrEnum):
    """How a number of the first page is printed: full where something was shown."""

    SHOWN = "shown"
    ESTIMATE = "estimate"
    HARM = "harm"


@dataclass(frozen=True, slots=True, kw_only=True)
class GlanceCell:
    """A number of the table at a glance, as text, with its interval in small type.

    Attributes
    ----------
    text, under : str
        The number, and what stands below it.
    ink : Ink
    beside : str
        Letters after the number.
    """

    text: str
    under: str = ""
    ink: Ink = Ink.ESTIMATE
    beside: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallCourse:
    """A course over days in the row of its treatment.

    Attributes
    ----------
    days, values, lower, upper : tuple of float
        NaN where there is none; ``lower`` and ``upper`` may be infinite nowhere.
    reached : tuple of bool
        Whether the value is at the target or above: its point is full.
    target : float or None
        Dashed line.
    low, high : float
        Frame; values beyond it are drawn as arrows at its edge.
    alt : str
    """

    days: tuple[float, ...]
    values: tuple[float, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    reached: tuple[bool, ...]
    target: float | None
    low: float
    high: float
    alt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallDots:
    """The trials of a series as dots on a line, and below it what all of them say together.

    Attributes
    ----------
    values : tuple of float
        One a trial, none NaN.
    pooled, lower, upper : float
        Over all trials, with its interval; NaN where there is none.
    predicted_lower, predicted_upper : float
        Where the next site is expected; NaN where that cannot be told.
    target : float or None
        Dashed line.
    low, high : float
        Frame; values beyond it are drawn as arrows at its edge.
    alt : str
    """

    values: tuple[float, ...]
    pooled: float
    lower: float
    upper: float
    predicted_lower: float
    predicted_upper: float
    target: float | None
    low: float
    high: float
    alt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallSpan:
    """A mean with its interval beside the untreated, in the row of its treatment."""

    value: float
    lower: float
    upper: float
    base: float | None
    low: float
    high: float
    alt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GlanceRow:
    """One treatment at a glance.

    Attributes
    ----------
    name, under : str
        The treatment, and its rate and role in small type.
    course : SmallCourse, SmallDots or None
    words : str
        What stands in the place of the course, as for the untreated.
    cells : tuple of GlanceCell
    span : SmallSpan or None
        Stands below the cell with the number ``span_at``.
    base : bool
        Whether this is what the others are compared with.
    """

    name: str
    under: str = ""
    course: SmallCourse | SmallDots | None = None
    words: str = ""
    cells: tuple[GlanceCell, ...] = ()
    span: SmallSpan | None = None
    base: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Glance:
    """The table of the first page: one row a treatment, everything that a decision needs.

    Attributes
    ----------
    key, title : str
    course_head : tuple of (str, str), or None
        Heading and small heading of the small courses; None where there are none.
    heads : tuple of (str, str)
        Heading and small heading of each number.
    rows : tuple of GlanceRow
    span_at : int
        Number of the cell below which a span stands; -1 for none.
    notes : tuple of str
    """

    key: str
    title: str
    course_head: tuple[str, str] | None
    heads: tuple[tuple[str, str], ...]
    rows: tuple[GlanceRow, ...]
    span_at: int = -1
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row.cells) != len(self.heads):
                raise ValueError(f"{row.name}: {len(row.cells)} cells, {len(self.heads)} headings")
