"""Can whole counts of so many plots have this mean? (Brown & Heathers 2017)."""

from __future__ import annotations

import math
from collections.abc import Iterator

from trialkit.desk.audit.rounding import Printed, Range
from trialkit.desk.audit.table import Check, Column, Verdict
from trialkit.numerals import number


def possible_total(printed: Printed, units: int, unit: float) -> int | None:
    """Find a whole number of individuals whose mean is printed so; None where there is none.

    Parameters
    ----------
    printed : Printed
    units : int
        Plots times samples behind the mean.
    unit : float
        What one individual in each of the units would add to the mean: 1, ``per``, or 100 for
        a share in percent.

    References
    ----------
    Brown NJL & Heathers JAJ 2017, Soc. Psychol. Personal. Sci. 8:363-369 (from memory).

    Examples
    --------
    >>> from trialkit.desk.audit.rounding import read_printed
    >>> possible_total(read_printed("3.25"), 4, 1.0), possible_total(read_printed("3.30"), 4, 1.0)
    (13, None)
    """
    low, high = (end * units / unit for end in (printed.range.low, printed.range.high))
    slack = 1e-9 * max(1.0, abs(high))
    least = max(0, math.ceil(low - slack))
    return least if least <= high + slack else None


def granularity(column: Column) -> Iterator[Check]:
    """Ask of every mean of whole counts, or of shares k of n, whether it is possible."""
    kind = column.word("kind")
    if kind not in {"count", "share"}:
        return
    samples = column.exact("samples") or (1.0 if kind == "count" else 0.0)
    if column.plots_of() is None or not samples:
        what = "the number of plots" if samples else "the number examined in each plot"
        yield _cannot(column, f"Which means are possible depends on {what}, which is not given.")
        return
    unit = 100.0 if kind == "share" else column.exact("per") or 1.0
    odd, fine, steps = [], 0, []
    for treatment, printed in column.means.items():
        units = _units(column, treatment, samples)
        steps.append(unit / units[-1])
        if printed.range.high - printed.range.low >= steps[-1]:
            continue
        fine += 1
        if all(possible_total(printed, number, unit) is None for number in units):
            odd.append(_impossible(column, treatment, printed, units, unit))
    yield from odd
    if odd:
        return
    step = f"steps of {number(min(steps), 4)}"
    if fine:
        says = f"All {fine} means that can be checked are possible in {step}."
        yield Check(
            verdict=Verdict.CONSISTENT, kind="granularity", where=column.name, arithmetic=says
        )
    else:
        yield _cannot(column, f"The means are rounded more coarsely than their {step}.")


def _units(column: Column, treatment: str, samples: float) -> list[int]:
    """Numbers of units that may be behind a mean: one for each number of plots."""
    plots = column.plots_of(treatment) or Range(1.0, 1.0)
    return [round(n * samples) for n in range(int(plots.low), int(plots.high) + 1)]


def _impossible(
    column: Column, treatment: str, printed: Printed, units: list[int], unit: float
) -> Check:
    step = unit / units[-1]
    below, decimals = math.floor(printed.value / step) * step, printed.decimals + 1
    of = f"{units[0]} to {units[-1]}" if len(units) > 1 else f"{units[0]}"
    return Check(
        verdict=Verdict.INCONSISTENT,
        kind="granularity",
        where=f"{column.name}, {treatment}",
        arithmetic=(
            f"Whole counts in {of} units (plots times what is counted in each) give means in "
            f"steps of {number(step, 4)}: {below:.{decimals}f} or {below + step:.{decimals}f}, "
            f"not {printed.text}."
        ),
        question="Is n the same for this mean, or was a plot left out or a value mistyped?",
    )


def _cannot(column: Column, says: str) -> Check:
    return Check(
        verdict=Verdict.CANNOT_TELL, kind="granularity", where=column.name, arithmetic=says
    )
