"""Standard errors and deviations printed beside single means, against the means themselves."""

from __future__ import annotations

import math
from collections.abc import Iterator

from trialkit.desk.audit.precision import variance_of_means
from trialkit.desk.audit.rounding import Printed, Range
from trialkit.desk.audit.table import Check, Column, Verdict

#: Kinds whose plot values are never below zero.
_NOT_NEGATIVE = frozenset({"count", "share", "measurement"})
_MOST_TOTALS = 10_000
_MOST_SHOWN = 3


def least_deviation(printed: Printed, plots: int, step: float) -> float:
    """Smallest standard deviation of plots whose values come in steps, with this mean.

    Values lie as close as they can when some plots have one step more than the others: with a
    share f of them the variance is ``step^2 f (1 - f) n / (n - 1)`` (worked out here; the idea is
    that of Brown & Heathers 2017, carried to standard deviations).

    Examples
    --------
    >>> from trialkit.desk.audit.rounding import read_printed
    >>> round(least_deviation(read_printed("3.25"), 4, 1.0), 3)
    0.5
    """
    low, high = (end * plots / step for end in (printed.range.low, printed.range.high))
    first, last = math.ceil(low - 1e-9), math.floor(high + 1e-9)
    if plots < 2 or last < first or last - first > _MOST_TOTALS:
        return 0.0
    shares = [(total % plots) / plots for total in range(first, last + 1)]
    least = min(share * (1 - share) for share in shares)
    return step * math.sqrt(least * plots / (plots - 1))


def check_spreads(column: Column) -> Iterator[Check]:
    """Ask whether what stands after the plus-minus signs can be: not above all in one plot.

    Of n values not below zero with the mean m the standard error is at most m, and the standard
    deviation at most m times the root of n: all of it in one plot.
    """
    if not column.spreads or column.word("kind") not in _NOT_NEGATIVE:
        return
    told, odd, checked = column.word("spread"), [], 0
    for name, spread in column.spreads.items():
        plots = column.plots_of(name)
        if name not in column.means or plots is None or plots.low < 2:
            continue
        checked += 1
        found = _possible(column, column.means[name], plots, told)
        if not found.meets(spread.range):
            odd.append(f"{name}: {spread.text} printed, {found} possible")
    if not checked:
        yield _check(column, Verdict.CANNOT_TELL, "How many plots are behind them is not given.")
    elif odd:
        more = f"; and {len(odd) - _MOST_SHOWN} more" if len(odd) > _MOST_SHOWN else ""
        says = "; ".join(odd[:_MOST_SHOWN]) + more + "."
        asked = "Is it a standard error or a standard deviation, and of how many plots?"
        yield _check(column, Verdict.INCONSISTENT, says, asked)
    else:
        yield _check(column, Verdict.CONSISTENT, f"All {checked} are possible with their means.")


def check_f_of_spreads(column: Column) -> Iterator[Check]:
    """Ask whether F follows from the means and their own standard errors.

    Without blocks the mean square of error is n times the mean of the squared standard errors;
    blocks take their part out of it, so that F is larger.
    """
    f, n = column.number("f"), column.exact("n")
    spreads = [column.spreads[name].range for name in column.means if name in column.spreads]
    if f is None or not n or column.word("spread") != "se" or len(spreads) < column.treatments:
        return
    low, high = (sum(end**2 for end in ends) / len(spreads) for ends in zip(
        *((max(r.low, 0.0), r.high) for r in spreads), strict=True))  # fmt: skip
    found = variance_of_means(column)
    if low <= 0 or found is None:
        return
    ratio = Range(found.low / high, found.high / low)
    alone = column.exact("df") == column.treatments * (n - 1) and column.tested_as_shown
    agrees, says = ratio.meets(f), f"The standard errors after ± give F = {ratio} without blocks"
    yield Check(
        verdict=Verdict.CONSISTENT
        if agrees
        else Verdict.INCONSISTENT
        if alone
        else Verdict.CANNOT_TELL,
        kind="f and p",
        where=f"{column.name}, F",
        arithmetic=f"{says}; printed: {column.numbers['f'].text}.",
        question="" if agrees else "Is F that of these means, and on which scale?",
    )


def _possible(column: Column, printed: Printed, plots: Range, told: str) -> Range:
    """Range of standard errors (or deviations, or either) that plots with this mean can have."""
    step = 0.0
    if column.word("kind") == "count":
        step = (column.exact("per") or 1.0) / (column.exact("samples") or 1.0)
    low, high = math.inf, 0.0
    for n in range(int(plots.low), int(plots.high) + 1):
        root = math.sqrt(n)
        least = least_deviation(printed, n, step) if step else 0.0
        most = max(printed.range.high, 0.0) * root
        low = min(low, least if told == "sd" else least / root)
        high = max(high, most / root if told == "se" else most)
    return Range(low, high)


def _check(column: Column, verdict: Verdict, says: str, asked: str = "") -> Check:
    return Check(
        verdict=verdict,
        kind="spread",
        where=f"{column.name}, after ±",
        arithmetic=says,
        question=asked,
    )
