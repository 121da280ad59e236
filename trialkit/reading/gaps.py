"""What is missing from the counts: plots and samples."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from trialkit.problems import Place
from trialkit.reading.cells import Ledger, listing, quoted
from trialkit.reading.observations import Record

_Assessment = tuple[str, float]


def warn_missing(records: Sequence[Record], plots: Sequence[str], ledger: Ledger) -> None:
    """Warn of plots of the plan without a value on a day on which others have one.

    The same plots missing in several variables or on several days are told once.
    """
    have, places = _by_assessment(records)
    days_by_lost: dict[tuple[str, tuple[str, ...]], list[float]] = {}
    for variable, day in _in_order(have):
        there = have[variable, day]
        lost = tuple(plot for plot in plots if plot not in there)
        if lost:
            days_by_lost.setdefault((variable, lost), []).append(day)
    together: dict[tuple[tuple[str, ...], tuple[float, ...]], list[str]] = {}
    for (variable, lost), days in days_by_lost.items():
        together.setdefault((lost, tuple(days)), []).append(variable)
    for (lost, at), variables in together.items():
        on = "day" if len(at) == 1 else "days"
        when = f" on {on} {listing([f'{day:g}' for day in at], 12)}"
        where = _common(places[variable, day] for variable in variables for day in at)
        tell_missing(variables, lost, when, where, ledger)


def warn_missing_yields(records: Sequence[Record], plots: Sequence[str], ledger: Ledger) -> None:
    """Warn of plots of the plan without a yield where others have one."""
    have, places = _by_assessment(records)
    for (variable, day), there in have.items():
        lost = [plot for plot in plots if plot not in there]
        if lost:
            tell_missing([variable], lost, "", places[variable, day], ledger)


def tell_missing(
    variables: Sequence[str], lost: Sequence[str], when: str, place: Place, ledger: Ledger
) -> None:
    """Warn of plots without a value."""
    word, verb = ("Plot", "has") if len(lost) == 1 else ("Plots", "have")
    ledger.warn(
        "missing-plots",
        f"{word} {listing(lost)} {verb} no value of {listing(map(quoted, variables))}{when}.",
        "Nothing needs to be done if that is so; the means allow for it.",
        place,
    )


def warn_samples(records: Sequence[Record], ledger: Ledger) -> None:
    """Warn where plots have unequal numbers of samples on a day."""
    sampled = [record for record in records if record.sample is not None]
    have, places = _by_assessment(sampled)
    shares = {record.variable for record in sampled if record.number is not None}
    told: dict[tuple[float, int, str, bool], list[str]] = {}
    for variable, day in _in_order(have):
        plots = have[variable, day]
        counts = sorted(plots.values())
        if counts[0] == counts[-1]:
            continue
        usual = max(set(counts), key=counts.count)
        odd = listing(f"{plot} ({n})" for plot, n in plots.items() if n != usual)
        told.setdefault((day, usual, odd, variable in shares), []).append(variable)
    for (day, usual, odd, share), variables in told.items():
        what = "the share of all units of its samples together" if share else "the mean of its"
        ledger.warn(
            "unequal-samples",
            f"Numbers of samples of {listing(map(quoted, variables))} differ on day {day:g}: most "
            f"plots have {usual}; others are {odd}.",
            f"Nothing needs to be done if that is so; each plot counts once, with {what}"
            f"{'' if share else ' samples'}.",
            _common(places[variable, day] for variable in variables),
        )


def _by_assessment(
    records: Sequence[Record],
) -> tuple[dict[_Assessment, dict[str, int]], dict[_Assessment, Place]]:
    """Number of values of each plot in each assessment, and the heading over its first value."""
    have: dict[_Assessment, dict[str, int]] = {}
    places: dict[_Assessment, Place] = {}
    for record in records:
        if record.value == record.value:
            key = (record.variable, record.day)
            if key not in have:
                have[key] = {}
                table = record.table
                places[key] = table.header_place(table.columns[record.cell.column - 1])
            have[key][record.plot] = have[key].get(record.plot, 0) + 1
    return have, places


def _in_order(assessments: Iterable[_Assessment]) -> list[_Assessment]:
    """Variables as they were met, days in order."""
    rank: dict[str, int] = {}
    for variable, _ in assessments:
        rank.setdefault(variable, len(rank))
    return sorted(assessments, key=lambda item: (rank[item[0]], item[1]))


def _common(places: Iterable[Place]) -> Place:
    """Return the one place, or what several have in common."""
    found = list(dict.fromkeys(places))
    first = found[0]
    if len(found) == 1:
        return first
    row = first.row if all(place.row == first.row for place in found) else None
    if any((place.file, place.sheet) != (first.file, first.sheet) for place in found):
        return Place(first.file)
    return Place(first.file, first.sheet, row)
