"""What is computed from the printed means: percent control, pest-days, totals, averages."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import combinations, product

import numpy as np

from trialkit.desk.audit.rounding import Printed, Range
from trialkit.desk.audit.table import Check, Column, PrintedTable, Verdict
from trialkit.measures.control import Control, abbott, henderson_tilton
from trialkit.measures.pest_days import pest_days

Values = Mapping[str, Range]
#: Printed values that a formula has to give before the others are asked about.
_ENOUGH = 5
_ENOUGH_SUMS = 3
#: A value this far (percentage points) from a formula that gives all others comes from no way of
#: averaging that gives these (chosen by simulation, tests/benchmarks/audit.md).
_FAR = 10.0
#: A range wider than this (percentage points) tells no formula of control from another.
_NARROW_POINTS = 3.0
#: Above this all ways of averaging control come to nearly the same.
_TELLING = 90.0
#: A range wider than this share of its value tells no period of a sum from another.
_NARROW = 0.02
_FEWEST_ALIKE = 3


def check_control(table: PrintedTable) -> Iterator[Check]:
    """Ask which formula gives the printed percent control, and which values it does not give."""
    before = [column for column in table.columns if column.day is not None and column.day <= 0]
    for column in table.columns:
        if not column.control:
            continue
        if table.untreated is None or table.untreated not in column.means:
            yield _cannot("control", column.name, "The table does not say which is the untreated.")
            continue
        start = before[-1] if before and before[-1] is not column else None
        ways = {"abbott": _control(table.untreated, column, None)}
        if start is not None and table.untreated in start.means:
            ways["henderson-tilton"] = _control(table.untreated, column, start)
        told = column.word("formula")
        if told in ways:
            ways = {told: ways[told]}
        yield from _against(
            "control",
            f"{column.name}, control",
            {k: v for k, v in column.control.items() if k != table.untreated},
            ways if told != "other" else {},
            told=told in ways,
        )


def _control(untreated: str, column: Column, start: Column | None) -> dict[str, Range]:
    found = {}
    control = column.means[untreated].range
    for name, printed in column.means.items():
        treated = printed.range
        if name == untreated or control.low <= 0:
            continue
        if start is None:
            low: Control = abbott(max(0.0, treated.high), control.low)
            high = abbott(max(0.0, treated.low), control.high)
        else:
            if name not in start.means:
                continue
            first, other = start.means[name].range, start.means[untreated].range
            if first.low <= 0 or other.low <= 0:
                continue
            low = henderson_tilton(max(0.0, treated.high), first.low, control.low, other.high)
            high = henderson_tilton(max(0.0, treated.low), first.high, control.high, other.low)
        ends = float(low.percent), float(high.percent)
        if all(math.isfinite(end) for end in ends):
            found[name] = Range(*ends)
    return found


def check_sums(table: PrintedTable) -> Iterator[Check]:
    """Ask whether pest-days, totals and averages follow from the means and days."""
    dated = [column for column in table.columns if column.day is not None]
    names = [name for name in (dated[0].means if dated else ()) if _in_all(name, dated)]
    for kind, printed in table.sums.items():
        ways: dict[str, Values] = {}
        for first in range(len(dated)):
            part = dated[first:]
            days = f"from day {part[0].day:g}" if first else "over all days"
            if kind == "total" and (first == 0 or (dated[first - 1].day or 0.0) <= 0):
                ways[f"the sum {days}"] = {name: _total(name, part) for name in names}
            elif kind == "average" and (first == 0 or (dated[first - 1].day or 0.0) <= 0):
                ways[f"the average {days}"] = {
                    name: _total(name, part).times(1 / len(part)) for name in names
                }
            elif kind == "pest-days" and len(part) > 1:
                ways[f"the area {days}"] = {name: _area(name, part) for name in names}
        yield from _against("sums", kind, printed, ways, told=False)


def _in_all(name: str, columns: list[Column]) -> bool:
    return all(name in column.means for column in columns)


def _total(name: str, columns: list[Column]) -> Range:
    total = Range(0.0, 0.0)
    for column in columns:
        total = total + column.means[name].range
    return total


def _area(name: str, columns: list[Column]) -> Range:
    days = [column.day for column in columns]
    ranges = [column.means[name].range for column in columns]
    ends = np.array([[item.low for item in ranges], [item.high for item in ranges]])
    low, high = pest_days(np.array(days, dtype=np.float64), ends).pest_days
    return Range(float(low), float(high))


def _against(
    kind: str, where: str, printed: Mapping[str, Printed], ways: Mapping[str, Values], *, told: bool
) -> Iterator[Check]:
    """Choose the way that gives most of the printed values, and ask about the rest."""
    best, cut = "", False
    fits: list[str] = []
    misses: list[str] = []
    for may_cut, (way, values) in product((False, True), ways.items()):
        known = [name for name in printed if name in values]
        agree = [name for name in known if values[name].meets(_range(printed[name], may_cut))]
        if not best or len(agree) > len(fits):
            best, cut, fits = way, may_cut, agree
            misses = [name for name in known if name not in agree]
    if not best or not fits + misses:
        yield _cannot(kind, where, "There is nothing to compute them from.")
        return
    values = ways[best]
    telling = [name for name in fits if _telling(kind, printed[name], values[name])]
    apart = all(_apart(kind, printed[name], values[name]) for name in misses)
    ending = ", with digits cut off and not rounded" if cut else ""
    enough = len(telling) >= (_ENOUGH if kind == "control" else _ENOUGH_SUMS)
    sure = told or (len(misses) == 1 and apart and enough)
    if not misses:
        yield Check(
            verdict=Verdict.CONSISTENT,
            kind=kind,
            where=where,
            arithmetic=f"{best.capitalize()} from the printed means gives all {len(fits)} values"
            f"{ending}.",
        )
        return
    shown = "; ".join(
        f"{name}: {values[name]} from the means, {printed[name].text} printed"
        for name in misses[:_FEWEST_ALIKE]
    )
    of_all = f"{len(fits)} of {len(fits) + len(misses)} values"
    says = f"{best.capitalize()} gives {of_all}{ending}. {shown}."
    opposite = [
        name
        for name in misses
        if Range(-printed[name].range.high, -printed[name].range.low).meets(values[name])
    ]
    if sure:
        asked = "Was a minus lost?" if opposite else "Is the value, or one of the means, mistyped?"
        yield Check(
            verdict=Verdict.INCONSISTENT, kind=kind, where=where, arithmetic=says, question=asked
        )
    else:
        asked = "From which values, and by which formula, was it computed?"
        yield _cannot(kind, where, says, asked)


def _range(printed: Printed, cut: bool) -> Range:
    return printed.range_if_cut if cut else printed.range


def _apart(kind: str, printed: Printed, found: Range) -> bool:
    return kind != "control" or printed.range.away_from(found).low > _FAR


def _telling(kind: str, printed: Printed, found: Range) -> bool:
    if kind == "control":
        return printed.value < _TELLING and found.high - found.low < _NARROW_POINTS
    return found.high - found.low < _NARROW * abs(printed.value)


def _cannot(kind: str, where: str, says: str, question: str = "") -> Check:
    return Check(
        verdict=Verdict.CANNOT_TELL, kind=kind, where=where, arithmetic=says, question=question
    )


def check_repeated(table: PrintedTable) -> Iterator[Check]:
    """Notice series of values that stand twice; chance can do that, so it is only asked."""
    columns = {
        column.name: tuple(column.means[name].text for name in column.means)
        for column in table.columns
    }
    dated = [column for column in table.columns if column.day is not None]
    names = [name for name in (dated[0].means if dated else ()) if _in_all(name, dated)]
    rows = {name: tuple(column.means[name].text for column in dated) for name in names}
    yield from _alike(columns, "columns")
    yield from _alike(rows, "rows")


def _alike(series: Mapping[str, tuple[str, ...]], word: str) -> Iterator[Check]:
    for one, other in combinations(series, 2):
        first, second = series[one], series[other]
        digits = sum(len(text.replace(".", "").strip("0")) > 1 for text in first)
        if first == second and digits >= _FEWEST_ALIKE:
            yield _cannot(
                "repeated",
                f"{one} and {other}",
                f"Both {word} hold {', '.join(first[:4])}{' ...' if len(first) > 4 else ''}.",
                "Were these values copied from one place to the other by accident?",
            )
