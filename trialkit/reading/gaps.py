"""What is missing from the counts: plots and samples."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from trialkit.problems import Place
from trialkit.reading.cells import Ledger, listing, quoted
from trialkit.reading.observations import Record


def warn_missing(
    records: Sequence[Record], plots: Sequence[str], places: Mapping[str, Place], ledger: Ledger
) -> None:
    """Warn of plots of the plan without a value on a day on which others have one."""
    have: dict[tuple[str, float], set[str]] = {}
    for record in records:
        if record.value == record.value:
            have.setdefault((record.variable, record.day), set()).add(record.plot)
    days_by_lost: dict[tuple[str, tuple[str, ...]], list[float]] = {}
    first = {name: rank for rank, (name, _) in enumerate(reversed(have))}
    for (variable, day), there in sorted(
        have.items(), key=lambda item: (-first[item[0][0]], item[0][1])
    ):
        lost = tuple(plot for plot in plots if plot not in there)
        if lost:
            days_by_lost.setdefault((variable, lost), []).append(day)
    together: dict[tuple[tuple[str, ...], tuple[float, ...]], list[str]] = {}
    for (variable, lost), days in days_by_lost.items():
        together.setdefault((lost, tuple(days)), []).append(variable)
    for (lost, at), variables in together.items():
        on = "day" if len(at) == 1 else "days"
        when = f" on {on} {listing([f'{day:g}' for day in at], 12)}"
        _tell_missing(variables, lost, when, places, ledger)


def warn_missing_yields(
    records: Sequence[Record], plots: Sequence[str], places: Mapping[str, Place], ledger: Ledger
) -> None:
    """Warn of plots of the plan without a yield where others have one."""
    have: dict[str, set[str]] = {}
    for record in records:
        if record.value == record.value:
            have.setdefault(record.variable, set()).add(record.plot)
    for variable, there in have.items():
        warn_missing_of(variable, [p for p in plots if p not in there], places, ledger)


def warn_missing_of(
    variable: str, lost: Sequence[str], places: Mapping[str, Place], ledger: Ledger
) -> None:
    """Warn of plots without a value of a variable that is measured once."""
    if lost:
        _tell_missing([variable], lost, "", places, ledger)


def _tell_missing(
    variables: Sequence[str],
    lost: Sequence[str],
    when: str,
    places: Mapping[str, Place],
    ledger: Ledger,
) -> None:
    word, verb = ("Plot", "has") if len(lost) == 1 else ("Plots", "have")
    place = places.get(variables[0])
    if place is not None and len(variables) > 1:
        place = Place(place.file, place.sheet, place.row)
    ledger.warn(
        "missing-plots",
        f"{word} {listing(lost)} {verb} no value of {listing(map(quoted, variables))}{when}.",
        "Nothing needs to be done if that is so; the means allow for it.",
        place,
    )


def warn_samples(records: Sequence[Record], places: Mapping[str, Place], ledger: Ledger) -> None:
    """Warn where plots have unequal numbers of samples on a day."""
    numbers: dict[tuple[str, float], dict[str, int]] = {}
    for record in records:
        if record.value == record.value and record.sample is not None:
            plots = numbers.setdefault((record.variable, record.day), {})
            plots[record.plot] = plots.get(record.plot, 0) + 1
    for (variable, day), plots in sorted(numbers.items()):
        counts = sorted(plots.values())
        if counts[0] == counts[-1]:
            continue
        usual = max(set(counts), key=counts.count)
        odd = [f"{plot} ({n})" for plot, n in plots.items() if n != usual]
        ledger.warn(
            "unequal-samples",
            f"Numbers of samples of '{variable}' differ on day {day:g}: most plots have {usual}; "
            f"others are {listing(odd)}.",
            "Nothing needs to be done if that is so; each plot counts once, with the mean of its "
            "samples.",
            places.get(variable),
        )
