"""Day 0 of a trial, and whether the days that count from it can be right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

from trialkit.problems import Place, quoted
from trialkit.reading.cells import Ledger
from trialkit.reading.headings import PLANTING, DayHeader

#: Keys of settings that give the date of planting, reduced.
PLANTED = frozenset({
    "planted", "plantingdate", "sown", "sowingdate", "dateofplanting", "dateofsowing", "planting",
    "sowing", "drilled", "transplanted",
})  # fmt: skip


#: Keys of settings from which day 0 is known where nothing was applied.
DAY_ZERO_KEYS = PLANTED | {"dayzero"}
_FAR_DAYS = 800
_YEAR_EARLY = 330
_LATE = 120
_SERIAL = 20_000


@dataclass(frozen=True, slots=True)
class _Noted:
    """One day with its place.

    ``loose`` where the heading may mean another count of days, ``sure`` where the day can be
    nothing else: a number in a column of days, not a dash in a heading.
    """

    day: float
    place: Place
    date: date | None = None
    loose: bool = False
    sure: bool = False


@dataclass(slots=True)
class Zero:
    """Day 0: the date of the first application, where it is known.

    Attributes
    ----------
    day : date or None
    place : Place
        Where day 0 is said.
    applications : sequence of date
        Dates on which something was put out, in order.
    planted : date or None
    counted_from : str
        What days count from where it is not the first application; empty where it is.
    """

    day: date | None = None
    place: Place = field(default_factory=Place)
    applications: Sequence[date] = ()
    planted: date | None = None
    counted_from: str = ""
    told: bool = False
    _noted: list[_Noted] = field(default_factory=list)

    @property
    def used(self) -> bool:
        """Whether any value has a day."""
        return bool(self._noted)

    def after(self, day: date, place: Place, ledger: Ledger) -> float | None:
        """Days from day 0 to a date."""
        if self.day is None:
            if not self.told:
                self.told = True
                ledger.error(
                    "no-day-zero",
                    "Assessments are given by date, and the date of the first application is not "
                    "known.",
                    "Give it as applied = 2025-06-12 in the settings, in a column applied (of "
                    "several trials in one table each has its own), or list it under "
                    "applications; where nothing was applied give planted = 2025-04-20 or "
                    "day_zero = 2025-04-20.",
                    place,
                )
            return None
        number = float((day - self.day).days)
        self._noted.append(_Noted(number, place, day))
        return number

    def count(self, day: float, place: Place, *, loose: bool = False, sure: bool = False) -> float:
        """Take a number of days as it is, to be looked at in the end."""
        self._noted.append(_Noted(day, place, None, loose, sure))
        return day

    def of(self, header: DayHeader, text: str, place: Place, ledger: Ledger) -> float | None:
        """Day of a heading or cell that gives a number of days."""
        assert header.day is not None  # noqa: S101 - the caller looked
        if header.span:
            ledger.error(
                "day-range",
                f"{quoted(text)} holds two days ({header.span}).",
                "Give the one day of the assessment, or its date.",
                place,
            )
            return None
        if header.unclear:
            number, name = abs(header.day), f"{header.variable} ".lstrip()
            ledger.error(
                "day-unreadable",
                f"The heading {quoted(text)} may mean day {-number:g} or day {number:g}.",
                f"Write '{name}{number:g} DAT' for days after treatment, "
                f"'{name}{number:g} DBT' for days before it.",
                place,
            )
            return None
        if header.since == PLANTING:
            return self.after_planting(header.day, place, ledger)
        if header.application > 1:
            return self._after_later(header, text, place, ledger)
        return self.count(header.day, place, sure=header.before)

    def after_planting(self, day: float, place: Place, ledger: Ledger) -> float | None:
        """Day 0 is planting where nothing was applied; else it has to be known when it was."""
        if self.day is None or self.counted_from:
            self.counted_from = PLANTING
            return self.count(day, place)
        if self.planted is None:
            if not self.told:
                self.told = True
                ledger.error(
                    "no-planting-date",
                    "Days are counted from planting, and all else from the first application.",
                    "Give the date of planting in the settings, planted = 2025-04-20, or count "
                    "from the first application.",
                    place,
                )
            return None
        return self.count(float((self.planted - self.day).days) + day, place)

    def _after_later(
        self, header: DayHeader, text: str, place: Place, ledger: Ledger
    ) -> float | None:
        number = header.application
        if len(self.applications) < number:
            known = len(self.applications)
            ledger.error(
                "application-unknown",
                f"{quoted(text)} counts from application {number}, and "
                f"{'no dates of applications are' if not known else f'only {known} are'} known.",
                "List every application with its date under applications, or count all days from "
                "the first application.",
                place,
            )
            return None
        since = (self.applications[number - 1] - self.applications[0]).days
        return self.count(float(since) + (header.day or 0.0), place)

    def check(self, ledger: Ledger) -> None:
        """Say so where the days cannot be right, whichever way they came."""
        noted = self._noted
        if not noted:
            return
        if self._tell_far(ledger):
            return
        last = max(noted, key=lambda item: item.day)
        first = min(noted, key=lambda item: item.day)
        since = self.counted_from or "the first application"
        on = f" ({self.day.isoformat()})" if self.day is not None else ""
        if last.day < 0 and not last.sure:
            shown = f"is of {last.date.isoformat()}" if last.date else f"is on day {last.day:g}"
            ledger.error(
                "days-out-of-order",
                f"All assessments come before {since}{on}; the last {shown}.",
                "Correct the key applied, or the dates."
                if last.date
                else "Days after it have no sign: write '7 DAT', not '-7 DAT'.",
                last.place,
            )
        elif self.counted_from:
            return
        elif first.day > _YEAR_EARLY or (first.loose and first.day > _LATE):
            ledger.error(
                "days-out-of-order",
                f"The first assessment is {first.day:g} days after {since}{on}.",
                "Correct the year of the application or of the assessments."
                if first.date
                else "If these are days of the year, give dates, or days_after counted from the "
                "first application.",
                first.place,
            )
        elif first.day > _LATE:
            ledger.warn(
                "days-late",
                f"The first assessment is {first.day:g} days after {since}{on}.",
                "Nothing needs to be done if that is right.",
                first.place,
            )

    def _tell_far(self, ledger: Ledger) -> bool:
        far = [item for item in self._noted if abs(item.day) > _FAR_DAYS]
        if not far:
            return False
        item = far[0]
        more = len({other.day for other in far}) - 1
        others = f" (and {more} more)" if more else ""
        if item.date is not None and self.day is not None:
            years = abs(item.day) / 365.25
            side = "after" if item.day > 0 else "before"
            since = self.counted_from or "the first application"
            what = (
                f"{item.date.isoformat()} is {years:.1f} years {side} {since} "
                f"({self.day.isoformat()}){others}."
            )
            remedy = "Correct the date, or the key applied."
        elif abs(item.day) > _SERIAL:
            what = f"{item.day:.0f} is no number of days; it seems to be a date{others}."
            remedy = "Write dates as 2025-06-19 under a column date."
        else:
            what = f"Day {item.day:g} is {abs(item.day) / 365.25:.1f} years away{others}."
            remedy = "Correct the day, or give dates under a column date."
        ledger.error("days-out-of-order", what, remedy, item.place)
        return True
