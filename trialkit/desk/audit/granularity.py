"""Can whole counts of so many plots have this mean? (Brown & Heathers 2017)."""

from __future__ import annotations

import math
from collections.abc import Iterator

from trialkit.desk.audit.rounding import Printed
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
    kind, plots = column.word("kind"), column.exact("n")
    if kind not in {"count", "share"}:
        return
    samples = column.exact("samples") or (1.0 if kind == "count" else 0.0)
    if not plots or not samples:
        what = "the number of plots" if not plots else "the number examined in each plot"
        yield Check(
            verdict=Verdict.CANNOT_TELL,
            kind="granularity",
            where=column.name,
            arithmetic=f"Which means are possible depends on {what}, which is not given.",
        )
        return
    units = round(plots * samples)
    unit = 100.0 if kind == "share" else column.exact("per") or 1.0
    step = unit / units
    odd, fine = [], 0
    for treatment, printed in column.means.items():
        if printed.range.high - printed.range.low >= step:
            continue
        fine += 1
        if possible_total(printed, units, unit) is None:
            odd.append((treatment, printed))
    for treatment, printed in odd:
        below = math.floor(printed.value / step) * step
        decimals = printed.decimals + 1
        yield Check(
            verdict=Verdict.INCONSISTENT,
            kind="granularity",
            where=f"{column.name}, {treatment}",
            arithmetic=(
                f"Whole counts in {units} units ({plots:g} plots of {samples:g}) give means in "
                f"steps of {number(step, 4)}: {below:.{decimals}f} or {below + step:.{decimals}f}, "
                f"not {printed.text}."
            ),
            question="Is n the same for this mean, or was a plot left out or a value mistyped?",
        )
    if odd:
        return
    if fine:
        says = f"All {fine} means that can be checked are possible in steps of {number(step, 4)}."
        verdict = Verdict.CONSISTENT
    else:
        says = f"The means are rounded more coarsely than their steps of {number(step, 4)}."
        verdict = Verdict.CANNOT_TELL
    yield Check(verdict=verdict, kind="granularity", where=column.name, arithmetic=says)
