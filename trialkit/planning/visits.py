"""What is to be filled in: one list of lines an assessment, in walking order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from trialkit.planning.options import Plan
from trialkit.trial import Kind, Plot, Trial, Variable, VariableRole


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One column to be filled in.

    Attributes
    ----------
    heading : str
        As the reader understands it.
    hint : str
        What is typed there, in words.
    kind : str
        ``whole``, ``share`` (not above the number examined in the column ``of``), ``percent`` or
        ``number`` (any; below 0 where ``signed``).
    of : str or None
        Heading of the number examined, for a share.
    """

    heading: str
    hint: str
    kind: str
    of: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One planned assessment.

    Attributes
    ----------
    day : int
        After the first application.
    date : date or None
        Where the first application is dated.
    """

    day: int
    date: date | None = None

    @property
    def sheet(self) -> str:
        """Name of its sheet."""
        return f"Counts {self.day} DAT"

    @property
    def words(self) -> str:
        """The day in words, with its date."""
        unit = "day" if abs(self.day) == 1 else "days"
        side = "before" if self.day < 0 else "after"
        text = f"{abs(self.day)} {unit} {side} the first application"
        return text if self.date is None else f"{text}, {self.date.isoformat()}"


def visits(trial: Trial) -> tuple[Visit, ...]:
    """Planned assessments of a trial, in order."""
    first = trial.applied
    return tuple(
        Visit(day=day, date=None if first is None else first + timedelta(days=day))
        for day in Plan.of(trial).days()
    )


def asked_counts(trial: Trial) -> tuple[Asked, ...]:
    """Columns of a counting sheet: every variable that is no yield, with its number examined."""
    found: list[Asked] = []
    names = {item.name for item in trial.variables}
    for variable in trial.variables:
        if variable.role is VariableRole.YIELD:
            continue
        of = variable.examined if isinstance(variable.examined, str) else None
        found.append(_asked(variable, of if of not in names else None))
        if of is not None and of not in names and all(item.heading != of for item in found):
            hint = f"Number examined, of which {variable.label} are counted"
            found.append(Asked(heading=of, hint=hint, kind="whole"))
    return tuple(found)


def asked_yields(trial: Trial) -> tuple[Asked, ...]:
    """Columns of the yield sheet: the yields of the trial, or what is needed to work them out."""
    yields = [item for item in trial.variables if item.role is VariableRole.YIELD]
    if yields:
        return tuple(_asked(item, None) for item in yields)
    mass, area = ("lb", "ft2") if in_us_units(trial) else ("kg", "m2")
    return (
        Asked(
            heading=f"harvested_{mass}", hint=f"Mass harvested from the plot, {mass}", kind="number"
        ),
        Asked(heading=f"harvested_area_{area}", hint=f"Area harvested, {area}", kind="number"),
        Asked(heading="moisture_percent", hint="Moisture at harvest, percent", kind="percent"),
    )


def _asked(variable: Variable, of: str | None) -> Asked:
    unit = f", {variable.unit}" if variable.unit else ""
    if variable.examined is not None:
        return Asked(heading=variable.name, hint=f"{variable.label}: number", kind="share", of=of)
    kind = {Kind.COUNT: "number", Kind.PERCENT: "percent", Kind.MEASUREMENT: "measured"}
    return Asked(heading=variable.name, hint=f"{variable.label}{unit}", kind=kind[variable.kind])


def in_us_units(trial: Trial) -> bool:
    """Whether the plan of a trial is written in US units."""
    words = (*trial.plan.values(), *(item.rate_unit or "" for item in trial.treatments))
    return any(
        mark in text for text in words for mark in (" ft", " in", "acre", "gal", "mph", "fl oz")
    )


def lines(trial: Trial, *, samples: bool = True) -> list[tuple[Plot, int | None]]:
    """Plots in walking order, each as often as it has samples."""
    many = Plan.of(trial).whole("plan.samples") if samples else None
    if many is None:
        return [(plot, None) for plot in trial.plots]
    return [(plot, number) for plot in trial.plots for number in range(1, many + 1)]


def place_columns(trial: Trial) -> Sequence[str]:
    """Columns that say where a plot lies: its block where there are blocks."""
    return ("block",) if any(plot.block is not None for plot in trial.plots) else ()
