"""What is missing from the counts: plots and samples."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from trialkit.problems import Place, listing, quoted
from trialkit.reading.cells import Ledger
from trialkit.reading.observations import Record
from trialkit.trial import UNDATED

_Assessment = tuple[str, float]


def warn_missing(records: Sequence[Record], plots: Sequence[str], ledger: Ledger) -> None:
    """Warn of plots of the plan without a value on a day on which others have one.

    The same plots missing in several variables or on several days are told once. Those in which
    nothing was examined are left to `warn_none_examined`.
    """
    have, places = _by_assessment(records)
    none = {(record.variable, record.day, record.plot) for record in records if _is_of_none(record)}
    lost = {
        (variable, day): tuple(
            plot for plot in plots if plot not in there and (variable, day, plot) not in none
        )
        for (variable, day), there in have.items()
    }
    for gone, at, variables in _told_once(lost):
        where = _common(places[variable, day] for variable in variables for day in at)
        tell_missing(variables, gone, _on_days(at), where, ledger)


def warn_none_examined(records: Sequence[Record], ledger: Ledger) -> None:
    """Warn of plots in which none were examined of a share k of n: they have no value.

    The same plots in several variables or on several days are told once.
    """
    lost: dict[_Assessment, tuple[str, ...]] = {}
    places: dict[_Assessment, Place] = {}
    for record in filter(_is_of_none, records):
        key = (record.variable, record.day)
        before = lost.get(key, ())
        lost[key] = before if record.plot in before else (*before, record.plot)
        places.setdefault(key, record.table.place(record.cell))
    for gone, at, variables in _told_once(lost):
        word, they = ("plot", "it was") if len(gone) == 1 else ("plots", "they were")
        ledger.warn(
            "none-examined",
            f"In {word} {listing(gone)} nothing was examined for "
            f"{listing(map(quoted, variables))}{_on_days(at)}; {they} taken as missing.",
            "Nothing needs to be done if that is so; the means allow for it.",
            places[variables[0], at[0]],
        )


def _is_of_none(record: Record) -> bool:
    return record.number is not None and record.number.value == 0


def _told_once(
    lost: Mapping[_Assessment, tuple[str, ...]],
) -> list[tuple[tuple[str, ...], tuple[float, ...], list[str]]]:
    """Plots with the days and the variables in which just these are lost."""
    days_by_lost: dict[tuple[str, tuple[str, ...]], list[float]] = {}
    for variable, day in _in_order(lost):
        if lost[variable, day]:
            days_by_lost.setdefault((variable, lost[variable, day]), []).append(day)
    together: dict[tuple[tuple[str, ...], tuple[float, ...]], list[str]] = {}
    for (variable, gone), days in days_by_lost.items():
        together.setdefault((gone, tuple(days)), []).append(variable)
    return [(gone, at, variables) for (gone, at), variables in together.items()]


def _on_days(days: Sequence[float]) -> str:
    if list(days) == [UNDATED]:
        return ""
    word = "day" if len(days) == 1 else "days"
    return f" on {word} {listing([f'{day:g}' for day in days], 12)}"


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
                places[key] = record.table.heading_place(record.cell)
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
